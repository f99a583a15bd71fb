"""What a correction touches, before and after: energies, balances, PV figures, shares and allocations, findings, papers.

The same questions are put to the books as they are and to the books as they would be (`supposed`), or as they were before
an order and after it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.app.allocate import statements
from meterd.app.query import Span, kept_span
from meterd.app.share_commands import participants, quarters_of
from meterd.balance import balance
from meterd.books import Parent, board_books, pv_book, sum_pv
from meterd.figure import Channel
from meterd.finding import FindingRow
from meterd.interval import Period, bounds, label, starts, text
from meterd.knots import Flag, Ints
from meterd.meter_clock import KEPT, clocks_in
from meterd.pv_shares import account_of_points
from meterd.reading import IMPORT, REGISTERS
from meterd.rollup import Columns
from meterd.site import Site
from meterd.store.sqlite import SqliteStore

Value = int | str | None  # mWh, or words; None = missing
Key = tuple[str, str, str]  # what it is, its period, whose
Picture = dict[Key, Value]


@dataclass(frozen=True, slots=True)
class Touch:
    """A register and the time in which its energies change, `until_ms` exclusive."""

    channel: Channel
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Month:
    """One local month as far as it is kept: its label, begin, and the intervals in it."""

    label: str
    start_ms: int
    grid: Ints


def months_of(store: SqliteStore, site: Site, touch: Touch) -> list[Month]:
    """The local months that a touch reaches, as far as intervals are closed."""
    kept, zone, step = kept_span(store, site), ZoneInfo(site.zone), site.interval_s * 1000
    if kept is None:
        return []
    low, high = max(touch.from_ms, kept.from_ms), min(touch.until_ms, kept.until_ms)
    if low >= high:
        return []
    found = []
    for start in starts(Period.MONTH, bounds(Period.MONTH, low, zone, step)[0], high, zone, step):
        end = min(bounds(Period.MONTH, start, zone, step)[1], kept.until_ms)
        grid = np.arange(max(start, kept.from_ms), end, step, dtype=np.int64)
        found.append(Month(label(Period.MONTH, start, zone), start, grid))
    return found


def picture(store: SqliteStore, site: Site, touch: Touch) -> Picture:
    """Every figure of the touched months that rests on the register."""
    found: Picture = {}
    months, zone, step = months_of(store, site, touch), ZoneInfo(site.zone), site.interval_s * 1000
    for month in months:
        for part in (_energy, _boards, _pv, _pv_shares):
            found.update(part(store, site, touch, month))
    for period in (Period.MONTH, Period.YEAR):
        for low, high in dict.fromkeys(bounds(period, month.start_ms, zone, step) for month in months):
            found.update(_allocations(store, site, period, Span(low, high)))
    return found


def differences(before: Mapping[Key, Value], after: Mapping[Key, Value]) -> list[tuple[Key, Value, Value]]:
    """What is not the same in two pictures, in the order of the first."""
    keys = dict.fromkeys((*before, *after))
    return [(key, before.get(key), after.get(key)) for key in keys if before.get(key) != after.get(key)]


def _energy(store: SqliteStore, site: Site, touch: Touch, month: Month) -> Iterator[tuple[Key, Value]]:
    columns = store.columns([touch.channel], Period.INTERVAL, month.grid)
    known = columns.present[:, 0]
    subject = f"{touch.channel[0]} {REGISTERS[touch.channel[1]].name}"
    if not known.all():
        subject += f", {int(known.sum())} of {len(known)} intervals known"
    yield ("energy", month.label, subject), int(columns.energy[:, 0].sum()) if known.any() else None


def _boards(store: SqliteStore, site: Site, touch: Touch, month: Month) -> Iterator[tuple[Key, Value]]:
    step = site.interval_s * 1000
    for name, book in board_books(site, clocks_in(store.fact(KEPT))).items():
        if touch.channel not in (*book.plan.imports, *book.plan.exports):
            continue
        imports = store.columns(book.plan.imports, Period.INTERVAL, month.grid)
        net = book.plan.net(imports, store.columns(book.plan.exports, Period.INTERVAL, month.grid))
        parent = Parent(Period.MONTH, month.start_ms, int(month.grid[-1]) + step)
        row = book.period_row(parent, month.grid, month.grid + step, net)
        single = balance(book.terms.terms, month.grid, month.grid + step, net.energy, net.present)
        outside = sum(single.word(i) == "outside" for i in range(len(month.grid)))
        yield ("balance", month.label, f"{name} residual"), row.residual
        yield ("balance", month.label, f"{name} verdict"), row.verdict
        yield ("balance", month.label, f"{name} intervals outside the band"), f"{outside} of {len(month.grid)}"


def _pv(store: SqliteStore, site: Site, touch: Touch, month: Month) -> Iterator[tuple[Key, Value]]:
    book = pv_book(site)
    if book is None or touch.channel not in book.channels:
        return
    end = int(month.grid[-1]) + site.interval_s * 1000
    rows = store.pv(Period.INTERVAL, int(month.grid[0]), end)
    total = sum_pv(Parent(Period.MONTH, month.start_ms, end), rows, len(month.grid))
    for name in ("production", "grid_import", "grid_export", "self_use", "consumption"):
        yield ("pv", month.label, name.replace("_", " ")), getattr(total, name)


def _pv_shares(store: SqliteStore, site: Site, touch: Touch, month: Month) -> Iterator[tuple[Key, Value]]:
    tenant_of, book = participants(site), pv_book(site)
    if book is None or not tenant_of:
        return
    if touch.channel not in (*book.channels, *((point, IMPORT) for point in tenant_of)):
        return
    end = int(month.grid[-1]) + site.interval_s * 1000
    rows = quarters_of(store, site, list(tenant_of), int(month.grid[0]), end)
    if not rows:
        return
    found = account_of_points(rows, tenant_of, site.sharing.key, dict(site.sharing.keys))
    for name, (part_wh, _) in found.by(tenant_of).items():
        yield ("pv-shares", month.label, name), part_wh * 1000
    yield ("pv-shares", month.label, "to the grid"), found.tenants.to_grid * 1000
    yield ("pv-shares", month.label, "residual"), found.tenants.residual * 1000


def _allocations(store: SqliteStore, site: Site, period: Period, span: Span) -> Iterator[tuple[Key, Value]]:
    for one in statements(store, site, period, span):
        for line in one.lines:
            name = f"{one.allocation}: {line.name or line.kind}"
            yield ("cost-allocation", one.label, name), line.wh * 1000
            if line.cents is not None:
                yield ("cost-allocation", one.label, f"{name}, price"), f"{line.cents / 100:.2f}"


# -- findings and papers -----------------------------------------------------------------------------------------------


def findings_of(store: SqliteStore, site: Site, touch: Touch) -> list[FindingRow]:
    """Findings of the point, of its boards and of the site that were there in the time touched, oldest first."""
    names = {touch.channel[0], *_other_names(site, touch.channel[0])}
    names |= {
        name for name, book in board_books(site).items() if touch.channel in (*book.plan.imports, *book.plan.exports)
    }
    found = []
    for row in store.findings():
        end = row.closed_ms if row.closed_ms is not None else max(row.last_ms, touch.from_ms + 1)
        about = {row.finding.subject, *row.finding.points}
        if row.first_ms < touch.until_ms and end > touch.from_ms and not names.isdisjoint(about):
            found.append(row)
    return sorted(found, key=lambda row: (row.first_ms, row.finding.id))


def papers_of(store: SqliteStore, site: Site, touch: Touch) -> Picture:
    """Papers that were given out with a figure that is another one now: as it was issued."""
    channels = _channels(site, touch)
    found: Picture = {}
    for one in store.issued.touching(channels, touch.from_ms, touch.until_ms):
        issued = next(energy for point, register, energy in one.figures if (point, register) in channels)
        found["issued", one.period, _paper(one.kind, one.id, one.made_ms)] = issued
    return found


def papers_now(store: SqliteStore, site: Site, touch: Touch) -> Picture:
    """The same figures as the books have them."""
    step = site.interval_s * 1000
    found: Picture = {}
    for one in store.issued.touching(_channels(site, touch), touch.from_ms, touch.until_ms):
        columns = store.columns([touch.channel], Period.INTERVAL, np.arange(one.from_ms, one.until_ms, step))
        whole = bool(columns.present.all())
        found["issued", one.period, _paper(one.kind, one.id, one.made_ms)] = (
            int(columns.energy.sum()) if whole else None
        )
    return found


def _paper(kind: str, number: int, made_ms: int) -> str:
    return f"{kind} {number} of {text(made_ms)}"


def _channels(site: Site, touch: Touch) -> set[Channel]:
    """The register under every name its point has had."""
    point, register = touch.channel
    return {(name, register) for name in (point, *_other_names(site, point))}


def _other_names(site: Site, point: str) -> tuple[str, ...]:
    return next((p.aliases for p in site.points if p.name == point), ())


def doubtful_ends(store: SqliteStore, site: Site, touch: Touch) -> list[int]:
    """Ends of the correction that lie in a gap: how its energy is split there is an estimate."""
    step, found = site.interval_s * 1000, []
    for moment in (touch.from_ms, touch.until_ms):
        start = moment - moment % step
        columns: Columns = store.columns([touch.channel], Period.INTERVAL, np.array([start], dtype=np.int64))
        asked = Flag.START if start == moment else Flag.START | Flag.END
        if columns.present[0, 0] and int(columns.flags[0, 0]) & asked:
            found.append(moment)
    return found
