"""What one tenant used in a month or year, what it would cost, and its part of what tenants bear together.

Its own energies and its part of a board overlap: the board's feed holds them. They are never added.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from meterd.core.energy.cost import Cost
from meterd.core.energy.divided_price import DividedPrice
from meterd.core.reports.content import Report, Revision, Span
from meterd.core.reports.cost_allocation import Line, Statement
from meterd.core.reports.figures import Amount, PointLine, total


@dataclass(frozen=True, slots=True)
class SharedCost:
    """The tenant's line of an allocation; None where it could not be divided, for want of `missing`."""

    allocation: str
    line: Line | None
    wh: int  # of all lines
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TenantStatement:
    """All that the document says. `cost` is None without a tariff; `energy` is the import of all points together."""

    tenant: str
    span: Span
    points: tuple[PointLine, ...]
    energy: Amount
    cost: Cost | None
    divided: tuple[DividedPrice, ...]  # demand and fixed prices with the part of this tenant alone
    currency: str
    with_carbon: bool
    shared: tuple[SharedCost, ...]
    revision: Revision


def tenant_statement(
    report: Report, tenant: str, points: Sequence[str], statements: Sequence[Statement]
) -> TenantStatement:
    """The part of a report that concerns one tenant, with its lines of the allocations of the same period."""
    lines = tuple(line for line in report.points if line.point.name in points)
    costs = dict(report.cost.tenants) if report.cost is not None else {}
    return TenantStatement(
        tenant=tenant,
        span=report.span,
        points=lines,
        energy=total((1, line.imported) for line in lines),
        cost=costs.get(tenant),
        divided=_own_parts(report, tenant),
        currency=report.cost.currency if report.cost is not None else "",
        with_carbon=report.cost is not None and report.cost.with_carbon,
        shared=tuple(shared for statement in statements if (shared := _shared(statement, tenant)) is not None),
        revision=report.revision,
    )


def _own_parts(report: Report, tenant: str) -> tuple[DividedPrice, ...]:
    names = [name for name, _ in report.cost.tenants] if report.cost is not None else []
    if report.cost is None or tenant not in names:
        return ()
    place = names.index(tenant)
    return tuple(replace(own, parts=(own.parts[place],), rest=None) for own in report.cost.divided)


def _shared(statement: Statement, tenant: str) -> SharedCost | None:
    line = next((line for line in statement.lines if line.kind == "tenant" and line.name == tenant), None)
    if statement.lines and line is None:
        return None
    return SharedCost(statement.allocation, line, statement.wh, statement.missing)
