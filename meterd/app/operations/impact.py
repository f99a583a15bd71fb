"""What a correction touches, before and after: energies, balances, PV figures, shares and allocations, findings, documents.

The same questions are put to the stored figures as they are and to the stored figures as they would be
(`what_if_store`), or as they were before an order and after it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.cost_statements import statements
from meterd.app.operations.pv_accounting import participants, quarters_of
from meterd.app.operations.queries import Span, span_of_store
from meterd.core.balance.board_balance import balance
from meterd.core.energy.aggregation import Parent, board_aggregations, pv_aggregation, sum_pv
from meterd.core.energy.rollup import Columns
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.finding import FindingRow
from meterd.core.model.periods import Period, bounds, label, starts, text
from meterd.core.model.plan import Site
from meterd.core.model.reading import IMPORT, REGISTERS
from meterd.core.model.results import Channel
from meterd.core.pv.energy_accounting import account_of_points
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in
from meterd.core.registers.register_line import Flag, Ints

Value = int | str | None  # mWh, or words; None = missing
Key = tuple[str, str, str]  # what it is, its period, whose
AffectedFigures = dict[Key, Value]


@dataclass(frozen=True, slots=True)
class Impact:
    """A register and the time in which its energies change, `until_ms` exclusive."""

    channel: Channel
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Month:
    """One local month as far as it is stored: its label, begin, and the intervals in it."""

    label: str
    start_ms: int
    grid: Ints


def months_of(store: StoredFigures, site: Site, impact: Impact) -> list[Month]:
    """The local months that a touch reaches, as far as intervals are closed."""
    stored_span, zone, step = span_of_store(store, site), ZoneInfo(site.zone), site.interval_s * 1000
    if stored_span is None:
        return []
    low, high = max(impact.from_ms, stored_span.from_ms), min(impact.until_ms, stored_span.until_ms)
    if low >= high:
        return []
    months = []
    for start in starts(Period.MONTH, bounds(Period.MONTH, low, zone, step)[0], high, zone, step):
        end = min(bounds(Period.MONTH, start, zone, step)[1], stored_span.until_ms)
        grid = np.arange(max(start, stored_span.from_ms), end, step, dtype=np.int64)
        months.append(Month(label(Period.MONTH, start, zone), start, grid))
    return months


def affected_figures(store: ReadStore, site: Site, impact: Impact) -> AffectedFigures:
    """Every figure of the affected months that rests on the register."""
    results: AffectedFigures = {}
    months, zone, step = months_of(store, site, impact), ZoneInfo(site.zone), site.interval_s * 1000
    for month in months:
        for part in (_energy, _boards, _pv, _pv_shares):
            results.update(part(store, site, impact, month))
    for period in (Period.MONTH, Period.YEAR):
        for low, high in dict.fromkeys(bounds(period, month.start_ms, zone, step) for month in months):
            results.update(_allocations(store, site, period, Span(low, high)))
    return results


def differences(before: Mapping[Key, Value], after: Mapping[Key, Value]) -> list[tuple[Key, Value, Value]]:
    """What is not the same in two states, in the order of the first."""
    keys = dict.fromkeys((*before, *after))
    return [(key, before.get(key), after.get(key)) for key in keys if before.get(key) != after.get(key)]


def _energy(store: StoredFigures, site: Site, impact: Impact, month: Month) -> Iterator[tuple[Key, Value]]:
    columns = store.columns([impact.channel], Period.INTERVAL, month.grid)
    known = columns.present[:, 0]
    subject = f"{impact.channel[0]} {REGISTERS[impact.channel[1]].name}"
    if not known.all():
        subject += f", {int(known.sum())} of {len(known)} intervals known"
    yield ("energy", month.label, subject), int(columns.energy[:, 0].sum()) if known.any() else None


def _boards(store: ReadStore, site: Site, impact: Impact, month: Month) -> Iterator[tuple[Key, Value]]:
    step = site.interval_s * 1000
    for name, aggregation in board_aggregations(site, clocks_in(store.fact(METER_CLOCKS))).items():
        if impact.channel not in (*aggregation.plan.imports, *aggregation.plan.exports):
            continue
        imports = store.columns(aggregation.plan.imports, Period.INTERVAL, month.grid)
        net = aggregation.plan.net(imports, store.columns(aggregation.plan.exports, Period.INTERVAL, month.grid))
        parent = Parent(Period.MONTH, month.start_ms, int(month.grid[-1]) + step)
        row = aggregation.period_row(parent, month.grid, month.grid + step, net)
        single = balance(
            aggregation.terms.terms, month.grid, month.grid + step, net.energy, net.present, flags=net.flags
        )
        outside = sum(single.word(i) == "outside" for i in range(len(month.grid)))
        yield ("balance", month.label, f"{name} residual"), row.residual
        yield ("balance", month.label, f"{name} verdict"), row.verdict
        yield ("balance", month.label, f"{name} intervals outside the band"), f"{outside} of {len(month.grid)}"


def _pv(store: StoredFigures, site: Site, impact: Impact, month: Month) -> Iterator[tuple[Key, Value]]:
    aggregation = pv_aggregation(site)
    if aggregation is None or impact.channel not in aggregation.channels:
        return
    end = int(month.grid[-1]) + site.interval_s * 1000
    rows = store.pv(Period.INTERVAL, int(month.grid[0]), end)
    total = sum_pv(Parent(Period.MONTH, month.start_ms, end), rows, len(month.grid))
    for name in ("production", "grid_import", "grid_export", "self_use"):
        yield ("pv", month.label, name.replace("_", " ")), getattr(total, name)
    yield ("pv", month.label, "consumption"), total.consumed


def _pv_shares(store: StoredFigures, site: Site, impact: Impact, month: Month) -> Iterator[tuple[Key, Value]]:
    tenant_of, aggregation = participants(site), pv_aggregation(site)
    if aggregation is None or not tenant_of:
        return
    if impact.channel not in (*aggregation.channels, *((point, IMPORT) for point in tenant_of)):
        return
    end = int(month.grid[-1]) + site.interval_s * 1000
    rows = quarters_of(store, site, list(tenant_of), int(month.grid[0]), end)
    if not rows:
        return
    point_account = account_of_points(rows, tenant_of, site.sharing.key, dict(site.sharing.keys))
    for name, (part_wh, _) in point_account.by(tenant_of).items():
        yield ("pv-shares", month.label, name), part_wh * 1000
    yield ("pv-shares", month.label, "to the grid"), point_account.tenants.to_grid * 1000
    yield ("pv-shares", month.label, "residual"), point_account.tenants.residual * 1000


def _allocations(store: StoredFigures, site: Site, period: Period, span: Span) -> Iterator[tuple[Key, Value]]:
    for statement in statements(store, site, period, span):
        for line in statement.lines:
            name = f"{statement.allocation}: {line.name or line.kind}"
            yield ("cost-allocation", statement.label, name), line.wh * 1000
            if line.cents is not None:
                yield ("cost-allocation", statement.label, f"{name}, price"), f"{line.cents / 100:.2f}"


# -- findings and documents --------------------------------------------------------------------------------------------


def findings_of(store: ReadStore, site: Site, impact: Impact) -> list[FindingRow]:
    """Findings of the point, of its boards and of the site that were there in the affected time, oldest first."""
    names = {impact.channel[0], *_other_names(site, impact.channel[0])}
    names |= {
        name
        for name, aggregation in board_aggregations(site).items()
        if impact.channel in (*aggregation.plan.imports, *aggregation.plan.exports)
    }
    rows = []
    for row in store.finding_tables.all():
        end = row.closed_ms if row.closed_ms is not None else max(row.last_ms, impact.from_ms + 1)
        about = {row.finding.subject, *row.finding.points}
        if row.first_ms < impact.until_ms and end > impact.from_ms and not names.isdisjoint(about):
            rows.append(row)
    return sorted(rows, key=lambda row: (row.first_ms, row.finding.id))


def issued_figures(store: ReadStore, site: Site, impact: Impact) -> AffectedFigures:
    """Documents that were issued with a figure that is another one now: as it was issued."""
    channels = _channels(site, impact)
    results: AffectedFigures = {}
    for issue in store.issued.containing(channels, impact.from_ms, impact.until_ms):
        issued = next(energy for point, register, energy in issue.figures if (point, register) in channels)
        results["issued", issue.period, _document_key(issue.kind, issue.id, issue.made_ms)] = issued
    return results


def current_figures(store: ReadStore, site: Site, impact: Impact) -> AffectedFigures:
    """The same figures as stored; of what has none for the whole time, the sum of what is known."""
    step = site.interval_s * 1000
    results: AffectedFigures = {}
    for issue in store.issued.containing(_channels(site, impact), impact.from_ms, impact.until_ms):
        columns = store.columns([impact.channel], Period.INTERVAL, np.arange(issue.from_ms, issue.until_ms, step))
        # the report of a first year was issued without a sum: it holds the figure all the same, and has to be listed
        known = int(columns.energy[columns.present].sum()) if bool(columns.present.any()) else None
        results["issued", issue.period, _document_key(issue.kind, issue.id, issue.made_ms)] = known
    return results


def _document_key(kind: str, number: int, made_ms: int) -> str:
    return f"{kind} {number} of {text(made_ms)}"


def _channels(site: Site, impact: Impact) -> set[Channel]:
    """The register under every name its point has had."""
    point, register = impact.channel
    return {(name, register) for name in (point, *_other_names(site, point))}


def _other_names(site: Site, point: str) -> tuple[str, ...]:
    return next((p.aliases for p in site.points if p.name == point), ())


def doubtful_ends(store: StoredFigures, site: Site, impact: Impact) -> list[int]:
    """Ends of the correction that lie in a gap: how its energy is split there is an estimate."""
    step, results = site.interval_s * 1000, []
    for moment in (impact.from_ms, impact.until_ms):
        start = moment - moment % step
        columns: Columns = store.columns([impact.channel], Period.INTERVAL, np.array([start], dtype=np.int64))
        asked = Flag.START if start == moment else Flag.START | Flag.END
        if columns.present[0, 0] and int(columns.flags[0, 0]) & asked:
            results.append(moment)
    return results
