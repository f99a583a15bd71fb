"""What the books hold for the allocations of a plan: pots, residuals and use of tenants, month by month."""

from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

import numpy as np

from meterd.app.query import Span
from meterd.app.share_commands import participants
from meterd.books import net_plan
from meterd.cost_allocation import Counted, Given, Statement, allocate, sum_of
from meterd.interval import Period, label, starts
from meterd.reading import EXPORT, IMPORT
from meterd.site import Allocation, Role, Site
from meterd.store.sqlite import SqliteStore


def statements(store: SqliteStore, site: Site, period: Period, span: Span) -> list[Statement]:
    """A statement of every allocation of the plan that is made for such a period.

    A year of an allocation per month is the sum of its months; a month of one per year there is none.
    """
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    found = []
    for rule in site.allocations:
        if rule.per == "year" and period is Period.MONTH:
            continue
        if rule.per == period.value:
            found.append(allocate(rule, _given(store, site, rule, period, start_ms=span.from_ms)))
            continue
        months = starts(Period.MONTH, span.from_ms, span.until_ms, zone, interval_ms)
        parts = [allocate(rule, _given(store, site, rule, Period.MONTH, start_ms=start)) for start in months]
        found.append(sum_of(parts, label(period, span.from_ms, zone)))
    return found


def _given(store: SqliteStore, site: Site, rule: Allocation, period: Period, *, start_ms: int) -> Given:
    points = [name for name, _ in _taking_part(site, rule)]
    uses = _imports(store, points, period, start_ms)
    by_tenant: dict[str, list[Counted]] = {}
    for (_, tenant), use in zip(_taking_part(site, rule), uses, strict=True):
        by_tenant.setdefault(tenant, []).append(use)
    pot, residual = (
        _board(store, rule.board, period, start_ms)
        if rule.board
        else _named(store, site, rule, period, start_ms=start_ms)
    )
    words = label(period, start_ms, ZoneInfo(site.zone))
    return Given(words, pot, residual, {tenant: added(some) for tenant, some in by_tenant.items()})


def _taking_part(site: Site, rule: Allocation) -> list[tuple[str, str]]:
    """Points and tenants whose use counts: on the board of the pot, or of the whole site for named points."""
    return [
        (name, tenant)
        for name, tenant in participants(site).items()
        if rule.board is None or site.point(name).board == rule.board
    ]


def _imports(store: SqliteStore, points: Sequence[str], period: Period, start_ms: int) -> list[Counted]:
    columns = store.columns([(point, IMPORT) for point in points], period, np.array([start_ms], dtype=np.int64))
    return [
        Counted(int(columns.energy[0, j]), bool(columns.flags[0, j])) if columns.present[0, j] else _none(point)
        for j, point in enumerate(points)
    ]


def _none(*points: str) -> Counted:
    return Counted(None, missing=points)


def added(parts: Iterable[Counted], signs: Sequence[int] = ()) -> Counted:
    """Counted energies added up; missing with any missing part."""
    known = list(parts)
    missing = tuple(name for one in known for name in one.missing)
    if any(one.mwh is None for one in known):
        return Counted(None, missing=missing)
    total = sum((one.mwh or 0) * sign for one, sign in zip(known, signs or (1,) * len(known), strict=True))
    return Counted(total, any(one.estimated for one in known))


def _board(store: SqliteStore, board: str, period: Period, start_ms: int) -> tuple[Counted, Counted]:
    """Feed side and residual of a board, as its balance has them."""
    rows = store.balances(board, period, start_ms, start_ms + 1)
    if not rows:
        return _none(board), _none(board)
    row = rows[0]
    if row.feed is None or row.residual is None:
        return _none(*row.missing), _none(*row.missing)
    return Counted(row.feed, row.estimated), Counted(row.residual, row.estimated)


def _named(
    store: SqliteStore, site: Site, rule: Allocation, period: Period, *, start_ms: int
) -> tuple[Counted, Counted]:
    """The sum of named points; the residual is theirs less what all points below them count, where all are measured."""
    pot = [_net(store, site, name, period, start_ms=start_ms) for name in rule.points]
    residual = [
        _residual(store, site, name, period, start_ms=start_ms) for name in rule.points if _all_below(site, name)
    ]
    return added(pot), added(residual)


def _all_below(site: Site, name: str) -> list[str]:
    """Points below a feeder if together they count all of it, else none."""
    below = [p for p in site.points if p.below == name and p.state.value != "retired"]
    whole = any(p.role is Role.SUB for p in below) and all(p.counts for p in below)
    return [p.name for p in below] if whole and not site.point(name).unmetered_below else []


def _residual(store: SqliteStore, site: Site, name: str, period: Period, *, start_ms: int) -> Counted:
    below = _all_below(site, name)
    parts = [_net(store, site, one, period, start_ms=start_ms) for one in (name, *below)]
    signs = [
        -1 if site.point(one).role is Role.SUB else 1 for one in below
    ]  # what a source below feeds in comes on top
    return added(parts, (1, *signs))


def _net(store: SqliteStore, site: Site, name: str, period: Period, *, start_ms: int) -> Counted:
    """Import less export of one point."""
    plan, grid = net_plan(site, [name]), np.array([start_ms], dtype=np.int64)
    found = plan.net(store.columns(plan.imports, period, grid), store.columns(plan.exports, period, grid))
    if not found.present[0, 0]:
        return _none(name)
    return Counted(int(found.energy[0, 0]), bool(found.flags[0, 0]))


def channels_of(site: Site) -> tuple[tuple[str, str], ...]:
    """Every register that an allocation of the plan may rest on."""
    read = {(one.point, one.register) for one in site.inputs}
    return tuple((p.name, register) for p in site.points for register in (IMPORT, EXPORT) if (p.name, register) in read)
