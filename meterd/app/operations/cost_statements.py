"""What is stored for the allocations of a plan: pots, residuals and use of tenants, month by month."""

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

import numpy as np

from meterd.app.operations.pv_accounting import participants
from meterd.app.operations.queries import Span, span_of_store
from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.cost import PeriodAccount, cost_of
from meterd.core.energy.energy_items import EnergyItem, ItemKind
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import Period, label, starts
from meterd.core.model.plan import Allocation, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.reports.cost_allocation import AllocationInputs, MeteredEnergy, Statement, allocate, sum_of, tenants_of


def statements(store: StoredFigures, site: Site, period: Period, span: Span) -> list[Statement]:
    """A statement of every allocation of the plan that is made for such a period.

    A year of an allocation per month is the sum of its months; a month of one per year there is none.
    """
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    results = []
    for rule in site.allocations:
        if rule.per == "year" and period is Period.MONTH:
            continue
        if rule.per == period.value:
            results.append(allocate(rule, _allocation_inputs(store, site, rule, period, start_ms=span.from_ms)))
            continue
        months = starts(Period.MONTH, span.from_ms, span.until_ms, zone, interval_ms)
        parts = [
            allocate(rule, _allocation_inputs(store, site, rule, Period.MONTH, start_ms=start)) for start in months
        ]
        results.append(sum_of(parts, label(period, span.from_ms, zone)))
    return results


def _allocation_inputs(
    store: StoredFigures, site: Site, rule: Allocation, period: Period, *, start_ms: int
) -> AllocationInputs:
    points = [name for name, _ in _taking_part(site, rule)]
    uses = _imports(store, points, period, start_ms)
    by_tenant: dict[str, list[MeteredEnergy]] = {}
    for (_, tenant), use in zip(_taking_part(site, rule), uses, strict=True):
        by_tenant.setdefault(tenant, []).append(use)
    pot, residual = (
        _board(store, rule.board, period, start_ms)
        if rule.board
        else _named(store, site, rule, period, start_ms=start_ms)
    )
    text = label(period, start_ms, ZoneInfo(site.zone))
    cost = _cost_of_pot(store, site, rule, period, start_ms=start_ms) if rule.price == "tariff" else None
    return AllocationInputs(text, pot, residual, {tenant: added(some) for tenant, some in by_tenant.items()}, cost)


def _cost_of_pot(store: StoredFigures, site: Site, rule: Allocation, period: Period, *, start_ms: int) -> int | None:
    """The pot, interval by interval, at the prices of a kWh from the grid."""
    stored = span_of_store(store, site)
    if stored is None:
        return None
    account = PeriodAccount(store, site, period, start_ms, (stored.from_ms, stored.until_ms))
    if rule.board is not None:
        item = EnergyItem(ItemKind.BOARD, rule.board)
    else:
        read = {(row.point, row.register) for row in site.inputs}
        terms = [(c, s) for p in rule.points for c, s in (((p, IMPORT), 1), ((p, EXPORT), -1)) if c in read]
        item = EnergyItem(
            ItemKind.POINT, rule.name, "", rule.points, tuple(c for c, _ in terms), tuple(s for _, s in terms)
        )
    return cost_of(account, account.net_of(item)).amount if len(account.grid) else None


def _taking_part(site: Site, rule: Allocation) -> list[tuple[str, str]]:
    """Points and tenants whose use counts: on the board of the pot, or of the whole site for named points."""
    return [
        (name, tenant)
        for name, tenant in participants(site).items()
        if rule.board is None or site.point(name).board == rule.board
    ]


def shares_in(site: Site, rule: Allocation, tenant: str) -> bool:
    """Whether a tenant takes part in an allocation."""
    return tenant in tenants_of(rule, [name for _, name in _taking_part(site, rule)])


def _imports(store: StoredFigures, points: Sequence[str], period: Period, start_ms: int) -> list[MeteredEnergy]:
    columns = store.columns([(point, IMPORT) for point in points], period, np.array([start_ms], dtype=np.int64))
    return [
        MeteredEnergy(int(columns.energy[0, j]), bool(columns.flags[0, j])) if columns.present[0, j] else _none(point)
        for j, point in enumerate(points)
    ]


def _none(*points: str) -> MeteredEnergy:
    return MeteredEnergy(None, missing=points)


def added(parts: Iterable[MeteredEnergy], signs: Sequence[int] = ()) -> MeteredEnergy:
    """Counted energies added up; missing with any missing part."""
    known = list(parts)
    missing = tuple(name for energy in known for name in energy.missing)
    if any(energy.mwh is None for energy in known):
        return MeteredEnergy(None, missing=missing)
    total = sum((energy.mwh or 0) * sign for energy, sign in zip(known, signs or (1,) * len(known), strict=True))
    return MeteredEnergy(total, any(energy.estimated for energy in known))


def _board(store: StoredFigures, board: str, period: Period, start_ms: int) -> tuple[MeteredEnergy, MeteredEnergy]:
    """Feed side and residual of a board, as its balance has them."""
    rows = store.balances(board, period, start_ms, start_ms + 1)
    if not rows:
        return _none(board), _none(board)
    row = rows[0]
    if row.feed is None or row.residual is None:
        return _none(*row.missing), _none(*row.missing)
    return MeteredEnergy(row.feed, row.estimated), MeteredEnergy(row.residual, row.estimated)


def _named(
    store: StoredFigures, site: Site, rule: Allocation, period: Period, *, start_ms: int
) -> tuple[MeteredEnergy, MeteredEnergy]:
    """The sum of named points; the residual is theirs less what all points below them count, where all are measured."""
    pot = [_net(store, site, name, period, start_ms=start_ms) for name in rule.points]
    residual = [
        _residual(store, site, name, period, start_ms=start_ms) for name in rule.points if _all_below(site, name)
    ]
    return added(pot), added(residual)


def _all_below(site: Site, name: str) -> list[str]:
    """Points below a feeder if together they count all of it, else none."""
    below = [p for p in site.below(name) if p.state.value != "retired"]
    whole = any(p.role is Role.SUB for p in below) and all(p.counts for p in below)
    return [p.name for p in below] if whole and not site.point(name).unmetered_below else []


def _residual(store: StoredFigures, site: Site, name: str, period: Period, *, start_ms: int) -> MeteredEnergy:
    below = _all_below(site, name)
    parts = [_net(store, site, item, period, start_ms=start_ms) for item in (name, *below)]
    signs = [
        -1 if site.point(item).role is Role.SUB else 1 for item in below
    ]  # what a source below feeds in comes on top
    return added(parts, (1, *signs))


def _net(store: StoredFigures, site: Site, name: str, period: Period, *, start_ms: int) -> MeteredEnergy:
    """Import less export of one point."""
    plan, grid = net_plan(site, [name]), np.array([start_ms], dtype=np.int64)
    columns = plan.net(store.columns(plan.imports, period, grid), store.columns(plan.exports, period, grid))
    if not columns.present[0, 0]:
        return _none(name)
    return MeteredEnergy(int(columns.energy[0, 0]), bool(columns.flags[0, 0]))


def channels_of(site: Site) -> tuple[tuple[str, str], ...]:
    """Every register that an allocation of the plan may rest on."""
    read = {(meter_input.point, meter_input.register) for meter_input in site.inputs}
    return tuple((p.name, register) for p in site.points for register in (IMPORT, EXPORT) if (p.name, register) in read)
