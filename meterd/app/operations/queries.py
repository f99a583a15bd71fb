"""`meterd energy` and `meterd balance`: figures of a store as a table for people, CSV or JSON."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.question import moment
from meterd.core.energy.aggregation import board_aggregations
from meterd.core.energy.partial_period import PartialPeriod, balance_in, partial_period_of, pv_in
from meterd.core.energy.rollup import mean_power_w
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, bounds, from_ms, label, local, starts, text
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, REGISTERS
from meterd.core.model.results import BalanceRow, Channel, FigureRow, PvRow
from meterd.core.pv.figures import ratio
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in
from meterd.core.registers.register_line import Flag

# what one line of output is: column title -> value; None prints as "missing" to people and as empty or null to programs
Line = dict[str, object]


@dataclass(frozen=True, slots=True)
class Span:
    """From when until when (exclusive), in ms UTC."""

    from_ms: int
    until_ms: int


def parse_span(
    wanted: tuple[str | None, str | None], period: Period, site: Site, stored_span: Span | None, now_ms: int
) -> Span:
    """`--from` and `--until`: local dates of the site, months (2026-03), years, or RFC 3339 times.

    Without them: the newest few periods of what is stored, enough for one screen.
    """
    from_text, until_text = wanted
    zone = ZoneInfo(site.zone)
    back = {
        Period.INTERVAL: 1, Period.HOUR: 1, Period.DAY: 14, Period.WEEK: 70, Period.MONTH: 400, Period.YEAR: 3660
    }[period]  # fmt: skip
    newest = now_ms if stored_span is None else min(now_ms, stored_span.until_ms)
    until = moment(until_text, zone, "--until") if until_text else newest
    low = until - back * 86_400_000
    if from_text:
        low = moment(from_text, zone, "--from")
    elif stored_span is not None and stored_span.from_ms < until:
        low = max(low, stored_span.from_ms)
    if low >= until:
        raise ConfigError(f"--from {text(low)} is not before --until {text(until)}")
    return Span(bounds(period, low, zone, site.interval_s * 1000)[0], until)


def span_of_store(store: StoredFigures, site: Site) -> Span | None:
    """From the first to the end of the last interval in the store."""
    span = store.span(Period.INTERVAL)
    return None if span is None else Span(span[0], span[1] + site.interval_s * 1000)


def energy_lines(store: ReadStore, site: Site, period: Period, span: Span, points: Sequence[str]) -> list[Line]:
    """One line per period, point and register that is read."""
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    grid = np.array(starts(period, span.from_ms, span.until_ms, zone, interval_ms), dtype=np.int64)
    read = {(row.point, row.register) for row in site.inputs}
    channels = [(p, r) for p in points for r in (IMPORT, EXPORT) if (p, r) in read]
    columns = store.columns(channels, period, grid)
    stored_span = span_of_store(store, site)
    lines: list[Line] = []
    for i, start in enumerate(grid.tolist()):
        end = bounds(period, start, zone, interval_ms)[1]
        so_far = None
        if period is not Period.INTERVAL and stored_span is not None and not columns.present[i].all():
            so_far = _SoFar(store, (start, end), stored_span, interval_ms)
        for j, (point, register) in enumerate(channels):
            known = bool(columns.present[i, j])
            energy = int(columns.energy[i, j]) if known else None
            message = ""
            if not known and so_far is not None:
                energy, message = so_far.figure((point, register), zone)
            row = FigureRow((point, register), period, start, energy, int(columns.flags[i, j]))
            lines.append(energy_line(row, end, zone, message))
    return lines


def energy_line(row: FigureRow, end_ms: int, zone: ZoneInfo, part: str = "") -> Line:
    """The line of one figure. `part` says in words of which part of the period its energy is; then no mean power is due."""
    mean_w = None if row.energy is None or part else round(mean_power_w(row.energy, end_ms - row.start_ms), 3)
    return {
        "period": label(row.period, row.start_ms, zone),
        "start": text(row.start_ms),
        "end": text(end_ms),
        "point": row.channel[0],
        "register": REGISTERS[row.channel[1]].name,
        "energy_wh": wh(row.energy),
        "mean_w": mean_w,
        "quality": part or ("missing" if row.energy is None else quality(row.flags)),
    }


class _SoFar:
    """The closed intervals of a period that is not over, or has missing ones."""

    def __init__(self, store: ReadStore, period: tuple[int, int], stored_span: Span, interval_ms: int) -> None:
        start, end = period
        self._part = partial_period_of(period, (stored_span.from_ms, stored_span.until_ms))
        self._low, self._high = start, min(end, stored_span.until_ms)
        if self._part is not None:
            self._low, self._high = self._part.from_ms, self._part.until_ms
        self._store, self._step = store, interval_ms

    def figure(self, channel: Channel, zone: ZoneInfo) -> tuple[int | None, str]:
        """The energy of one register since the history begins and so far, if every interval in it is known; else how many are."""
        part, low = self._part, self._low
        if low >= self._high:
            return None, "missing"
        result = self._store.known_sum(channel, low, self._high)
        if part is not None and part.begins and result.first_ms is not None:
            low = result.first_ms
        of = -((low - self._high) // self._step)
        if part is not None and result.known == of:
            return result.energy, extent(part, low, zone)
        return None, f"missing, {result.known} of {of} intervals known"


def extent(part: PartialPeriod, from_ms: int, zone: ZoneInfo) -> str:
    """Since when and up to when, in words: "since 2026-05-14 10:45, so far"."""
    since = f"since {local(from_ms, zone):%Y-%m-%d %H:%M}" if part.begins else ""
    return ", ".join(item for item in (since, "so far" if part.so_far else "") if item)


def demand_lines(store: ReadStore, site: Site, span: Span, points: Sequence[str]) -> list[Line]:
    """The largest interval mean of each point's import in every month: the first of equals.

    Of a month in which the history begins, or that is not over, only what lies in the history is due.
    """
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    stored = span_of_store(store, site)
    history = None if stored is None else (stored.from_ms, stored.until_ms)
    lines: list[Line] = []
    for month in starts(Period.MONTH, span.from_ms, span.until_ms, zone, interval_ms):
        end = bounds(Period.MONTH, month, zone, interval_ms)[1]
        part = partial_period_of((month, end), history)
        due = end - month if part is None else part.until_ms - part.from_ms
        for point in points:
            peak = store.largest((point, IMPORT), month, end)
            lines.append(
                {
                    "period": label(Period.MONTH, month, zone),
                    "point": point,
                    "demand_w": None if peak is None else mean_power_w(peak.energy, interval_ms),
                    "interval_start": None if peak is None else from_ms(peak.start_ms).astimezone(zone).isoformat(),
                    "intervals_known": 0 if peak is None else peak.known,
                    "intervals": due // interval_ms,
                    "extent": "" if part is None else extent(part, part.from_ms, zone),
                }
            )
    return lines


def quality(flags: int) -> str:
    """The word for the flags of a figure."""
    if flags & Flag.BOUND:
        return "at least"
    return "estimated" if flags else "good"


def balance_lines(store: ReadStore, site: Site, period: Period, span: Span, boards: Sequence[str]) -> list[Line]:
    """One line per period and board."""
    zone = ZoneInfo(site.zone)
    clipped = _balances_in_part(store, site, period, span=span, boards=boards)
    replaced = {line["start_of_period"] for line in clipped}
    rows = [row for board in boards for row in store.balances(board, period, span.from_ms, span.until_ms)]
    rows.sort(key=lambda row: (row.start_ms, row.board))
    lines = [
        balance_line(row, zone) | {"start_of_period": row.start_ms} for row in rows if row.start_ms not in replaced
    ]
    lines += clipped
    lines.sort(key=_by_period)
    return [{k: v for k, v in line.items() if k != "start_of_period"} for line in lines]


def _by_period(line: Line) -> int:
    at = line["start_of_period"]
    assert isinstance(at, int), "put there by balance_lines"
    return at


def _parts(store: StoredFigures, site: Site, period: Period, span: Span) -> list[tuple[int, PartialPeriod]]:
    """The periods of a span that begin before the history does or are not over: start of the period, and what is known."""
    stored_span, step, zone = span_of_store(store, site), site.interval_s * 1000, ZoneInfo(site.zone)
    if stored_span is None or period is Period.INTERVAL:
        return []
    results = []
    for moment_ms in dict.fromkeys((stored_span.from_ms, stored_span.until_ms - step)):
        low, high = bounds(period, moment_ms, zone, step)
        part = partial_period_of((low, high), (stored_span.from_ms, stored_span.until_ms))
        if part is not None and span.from_ms <= low < span.until_ms and part.until_ms <= span.until_ms + step:
            results.append((low, part))
    return list(dict(results).items())


def _balances_in_part(store: ReadStore, site: Site, period: Period, *, span: Span, boards: Sequence[str]) -> list[Line]:
    """The balances of periods of which only a part is known, from their closed intervals."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    aggregations = board_aggregations(site, clocks_in(store.fact(METER_CLOCKS)))
    lines = []
    for low, part in _parts(store, site, period, span):
        for name in boards:
            row = balance_in(aggregations[name], period, part, step, store.columns)
            name_of = f"{label(period, low, zone)} {extent(part, row.start_ms, zone)}"
            lines.append(balance_line(row, zone) | {"period": name_of, "start_of_period": low})
    return lines


def balance_line(row: BalanceRow, zone: ZoneInfo) -> Line:
    """The line of one balance."""
    return {
        "period": label(row.period, row.start_ms, zone),
        "start": text(row.start_ms),
        "end": text(row.end_ms),
        "board": row.board,
        "feed_wh": wh(row.feed),
        "outgoing_wh": wh(row.outgoing),
        "residual_wh": wh(row.residual),
        "band_wh": wh(row.band),
        "verdict": row.verdict,
        "estimated": row.estimated,
        "covered": f"{row.covered} of {row.of}",
        "missing": ", ".join(row.missing),
        "not live": " ".join(row.uncovered),
    }


def pv_lines(store: StoredFigures, site: Site, period: Period, span: Span) -> list[Line]:
    """One line of PV figures per period, of its known part where it begins before the history does or is not over."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    lines = {row.start_ms: pv_line(row, zone) for row in store.pv(period, span.from_ms, span.until_ms)}
    for low, part in _parts(store, site, period, span):
        row = pv_in(store.pv(Period.INTERVAL, part.from_ms, part.until_ms), period, part, step)
        if row is not None:
            lines[low] = pv_line(row, zone) | {
                "period": f"{label(period, low, zone)} {extent(part, row.start_ms, zone)}"
            }
    return [lines[start] for start in sorted(lines)]


BELOW_ZERO = "consumption: below zero, the meters contradict each other"


def pv_line(row: PvRow, zone: ZoneInfo) -> Line:
    """The line of PV figures of one period."""
    return {
        "period": label(row.period, row.start_ms, zone),
        "start": text(row.start_ms),
        "end": text(row.end_ms),
        "production_wh": wh(row.production),
        "import_wh": wh(row.grid_import),
        "export_wh": wh(row.grid_export),
        "self_use_wh": wh(row.self_use),
        "consumption_wh": wh(row.consumed),
        "self_consumption": _rounded(ratio(row.self_use, row.production)),
        "self_sufficiency": _rounded(ratio(row.self_use, row.consumed)),
        "estimated": row.estimated,
        "missing": BELOW_ZERO if row.consumption is not None and row.consumed is None else "",
    }


def wh(mwh: int | None) -> float | None:
    return None if mwh is None else mwh / 1000


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
