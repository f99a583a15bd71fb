"""`meterd energy` and `meterd balance`: figures of a store as a table for people, CSV or JSON."""

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from difflib import get_close_matches
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from rich.console import Console
from rich.table import Table

from meterd.books import Parent, board_books
from meterd.errors import ConfigError
from meterd.figure import BalanceRow, Channel, PvRow
from meterd.interval import Period, bounds, from_ms, label, starts, text, to_ms
from meterd.knots import Flag
from meterd.meter_clock import KEPT, clocks_in
from meterd.reading import EXPORT, IMPORT, REGISTERS
from meterd.rollup import Columns, mean_power_w
from meterd.site import Site
from meterd.store.past import PastStore
from meterd.store.sqlite import SqliteStore
from meterd.surplus import ratio

# what one line of output is: column title -> value; None prints as "missing" to people and as empty or null to programs
Line = dict[str, object]


@dataclass(frozen=True, slots=True)
class Span:
    """From when until when (exclusive), in ms UTC."""

    from_ms: int
    until_ms: int


def parse_span(
    wanted: tuple[str | None, str | None], period: Period, site: Site, kept: Span | None, now_ms: int
) -> Span:
    """`--from` and `--until`: local dates of the site, months (2026-03), years, or RFC 3339 times.

    Without them: the newest few periods of what is kept, enough for one screen.
    """
    from_text, until_text = wanted
    zone = ZoneInfo(site.zone)
    back = {
        Period.INTERVAL: 1, Period.HOUR: 1, Period.DAY: 14, Period.WEEK: 70, Period.MONTH: 400, Period.YEAR: 3660
    }[period]  # fmt: skip
    newest = now_ms if kept is None else min(now_ms, kept.until_ms)
    until = moment(until_text, zone, "--until") if until_text else newest
    low = until - back * 86_400_000
    if from_text:
        low = moment(from_text, zone, "--from")
    elif kept is not None and kept.from_ms < until:
        low = max(low, kept.from_ms)
    if low >= until:
        raise ConfigError(f"--from {text(low)} is not before --until {text(until)}")
    return Span(bounds(period, low, zone, site.interval_s * 1000)[0], until)


def moment(words: str, zone: ZoneInfo, option: str) -> int:
    """A moment as a person writes it, in ms UTC; ConfigError says what would be right."""
    try:
        if len(words) == 4:
            return bounds(Period.YEAR, to_ms(datetime(int(words), 7, 1, tzinfo=UTC)), zone, 900_000)[0]
        if len(words) == 7:
            return bounds(Period.MONTH, to_ms(datetime(int(words[:4]), int(words[5:]), 15, tzinfo=UTC)), zone, 900_000)[
                0
            ]
        if len(words) == 10:
            day = date.fromisoformat(words)
            return bounds(Period.DAY, to_ms(datetime(day.year, day.month, day.day, 12, tzinfo=zone)), zone, 900_000)[0]
        found = datetime.fromisoformat(words)
        if found.tzinfo is None:
            raise ValueError("the time has no zone")
        return to_ms(found)
    except ValueError as exc:
        right = "write 2026, 2026-03, 2026-03-29 or 2026-03-29T10:00:00Z"
        raise ConfigError(f"cannot read {option} {words!r}: {exc}; {right}") from exc


def kept_span(store: SqliteStore, site: Site) -> Span | None:
    """From the first to the end of the last interval in the store."""
    span = store.span(Period.INTERVAL)
    return None if span is None else Span(span[0], span[1] + site.interval_s * 1000)


def energy_lines(store: SqliteStore, site: Site, period: Period, span: Span, points: Sequence[str]) -> list[Line]:
    """One line per period, point and register that is read."""
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    grid = np.array(starts(period, span.from_ms, span.until_ms, zone, interval_ms), dtype=np.int64)
    read = {(row.point, row.register) for row in site.inputs}
    channels = [(p, r) for p in points for r in (IMPORT, EXPORT) if (p, r) in read]
    columns = store.columns(channels, period, grid)
    kept = kept_span(store, site)
    lines: list[Line] = []
    for i, start in enumerate(grid.tolist()):
        end = bounds(period, start, zone, interval_ms)[1]
        so_far = _so_far(store, channels, (start, end), kept, interval_ms) if period is not Period.INTERVAL else None
        for j, (point, register) in enumerate(channels):
            known = bool(columns.present[i, j])
            energy = int(columns.energy[i, j]) if known else None
            words = quality(int(columns.flags[i, j])) if known else "missing"
            if not known and so_far is not None:
                energy, words = so_far.figure(j)
            lines.append(
                {
                    "period": label(period, start, zone),
                    "start": text(start),
                    "end": text(end),
                    "point": point,
                    "register": REGISTERS[register].name,
                    "energy_wh": None if energy is None else energy / 1000,
                    "mean_w": None if energy is None or not known else round(mean_power_w(energy, end - start), 3),
                    "quality": words,
                }
            )
    return lines


@dataclass(frozen=True, slots=True)
class _SoFar:
    """The closed intervals of a period that is not over, or has missing ones."""

    columns: Columns
    over: bool

    def figure(self, j: int) -> tuple[int | None, str]:
        """The energy so far of one register if every closed interval is known, else how many are."""
        present = self.columns.present[:, j]
        if not self.over and len(present) and bool(present.all()):
            return int(self.columns.energy[:, j].sum()), "so far"
        return None, f"missing, {int(present.sum())} of {len(present)} intervals known"


def _so_far(
    store: SqliteStore, channels: Sequence[Channel], period: tuple[int, int], kept: Span | None, interval_ms: int
) -> _SoFar | None:
    if kept is None:
        return None
    start, end = period
    grid = np.arange(start, min(end, kept.until_ms), interval_ms, dtype=np.int64)
    return _SoFar(store.columns(channels, Period.INTERVAL, grid), end <= kept.until_ms) if len(grid) else None


def demand_lines(store: SqliteStore, site: Site, span: Span, points: Sequence[str]) -> list[Line]:
    """The largest interval mean of each point's import in every month: the first of equals."""
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    lines: list[Line] = []
    for month in starts(Period.MONTH, span.from_ms, span.until_ms, zone, interval_ms):
        end = bounds(Period.MONTH, month, zone, interval_ms)[1]
        grid = np.arange(month, end, interval_ms, dtype=np.int64)
        columns = store.columns([(p, IMPORT) for p in points], Period.INTERVAL, grid)
        for j, point in enumerate(points):
            present = columns.present[:, j]
            row = int(np.argmax(np.where(present, columns.energy[:, j], -1)))
            known = bool(present.any())
            lines.append(
                {
                    "period": label(Period.MONTH, month, zone),
                    "point": point,
                    "demand_w": mean_power_w(int(columns.energy[row, j]), interval_ms) if known else None,
                    "interval_start": from_ms(int(grid[row])).astimezone(zone).isoformat() if known else None,
                    "intervals_known": int(present.sum()),
                    "intervals": len(grid),
                }
            )
    return lines


def quality(flags: int) -> str:
    """The word for the flags of a figure."""
    if flags & Flag.BOUND:
        return "at least"
    return "estimated" if flags else "good"


def balance_lines(store: SqliteStore, site: Site, period: Period, span: Span, boards: Sequence[str]) -> list[Line]:
    """One line per period and board."""
    zone = ZoneInfo(site.zone)
    rows = [row for board in boards for row in store.balances(board, period, span.from_ms, span.until_ms)]
    rows.sort(key=lambda row: (row.start_ms, row.board))
    lines = [_balance_line(row, zone) for row in rows]
    return lines + _balances_so_far(store, site, period, span, boards)


def _balances_so_far(store: SqliteStore, site: Site, period: Period, span: Span, boards: Sequence[str]) -> list[Line]:
    """The balance of the period that is not over yet, from its closed intervals."""
    kept, step, zone = kept_span(store, site), site.interval_s * 1000, ZoneInfo(site.zone)
    if kept is None or period is Period.INTERVAL or kept.until_ms > span.until_ms + step:
        return []
    start, _ = bounds(period, kept.until_ms, zone, step)
    if start == kept.until_ms:
        return []
    parent = Parent(period, start, kept.until_ms)
    grid = np.arange(start, kept.until_ms, step, dtype=np.int64)
    lines = []
    for name, book in board_books(site, clocks_in(store.fact(KEPT))).items():
        if name in boards:
            imports = store.columns(book.plan.imports, Period.INTERVAL, grid)
            net = book.plan.net(imports, store.columns(book.plan.exports, Period.INTERVAL, grid))
            line = _balance_line(book.period_row(parent, grid, grid + step, net), zone)
            lines.append(line | {"period": f"{line['period']} so far"})
    return lines


def _balance_line(row: BalanceRow, zone: ZoneInfo) -> Line:
    return {
        "period": label(row.period, row.start_ms, zone),
        "start": text(row.start_ms),
        "end": text(row.end_ms),
        "board": row.board,
        "feed_wh": _wh(row.feed),
        "outgoing_wh": _wh(row.outgoing),
        "residual_wh": _wh(row.residual),
        "band_wh": _wh(row.band),
        "verdict": row.verdict,
        "estimated": row.estimated,
        "covered": f"{row.covered} of {row.of}",
        "missing": " ".join(row.missing),
        "not live": " ".join(row.uncovered),
    }


def pv_lines(store: SqliteStore, site: Site, period: Period, span: Span) -> list[Line]:
    """One line of PV figures per period."""
    zone = ZoneInfo(site.zone)
    return [_pv_line(row, zone) for row in store.pv(period, span.from_ms, span.until_ms)]


def _pv_line(row: PvRow, zone: ZoneInfo) -> Line:
    return {
        "period": label(row.period, row.start_ms, zone),
        "start": text(row.start_ms),
        "end": text(row.end_ms),
        "production_wh": _wh(row.production),
        "import_wh": _wh(row.grid_import),
        "export_wh": _wh(row.grid_export),
        "self_use_wh": _wh(row.self_use),
        "self_consumption": _rounded(ratio(row.self_use, row.production)),
        "self_sufficiency": _rounded(ratio(row.self_use, row.consumption)),
        "estimated": row.estimated,
    }


def _wh(mwh: int | None) -> float | None:
    return None if mwh is None else mwh / 1000


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def some_points(site: Site, wanted: Sequence[str]) -> list[str]:
    """The points asked for, by name or alias; all that count without a wish. ConfigError for an unknown one."""
    if not wanted:
        return [p.name for p in site.points if p.counts]
    known = {name: p.name for p in site.points for name in (p.name, *p.aliases)}
    for name in wanted:
        if name not in known:
            near = get_close_matches(name, known, n=3) or [one for one in known if name in one][:3]
            hint = f"did you mean {' or '.join(near)}?" if near else "its names stand in points.csv or under [[point]]"
            raise ConfigError(f"the plan has no point {name}; {hint}")
    return [known[name] for name in wanted]


def some_boards(site: Site, wanted: Sequence[str]) -> list[str]:
    """The boards asked for; all of them without a wish. ConfigError for an unknown one."""
    names = [board.name for board in site.boards]
    for name in wanted:
        if name not in names:
            raise ConfigError(f"the plan has no board {name}; it has {', '.join(names)}")
    return list(wanted) or names


# -- writing -----------------------------------------------------------------------------------------------------------


def write(lines: Sequence[Line], kind: str, console: Console, *, title: str, empty: str) -> None:
    """Lines as a table for people (kWh), as CSV or as JSON (Wh)."""
    if kind == "json":
        console.file.write(json.dumps(list(lines), indent=1) + "\n")
    elif kind == "csv":
        console.file.write(_csv(lines))
    elif not lines:
        console.print(empty)
    else:
        console.print(_table(lines, title))


def _csv(lines: Sequence[Line]) -> str:
    out = io.StringIO()
    if lines:
        writer = csv.DictWriter(out, fieldnames=list(lines[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: "" if v is None else v for k, v in line.items()} for line in lines)
    return out.getvalue()


_HIDDEN = ("start", "end")  # people read the local label; programs get both ends in UTC


def _table(lines: Sequence[Line], title: str) -> Table:
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    names = [name for name in lines[0] if name not in _HIDDEN]
    for name in names:
        numeric = isinstance(lines[0][name], int | float) or name.endswith(("_wh", "_w"))
        heading = name.replace("_wh", " kWh").replace("_w", " kW").replace("_", " ")
        table.add_column(heading, justify="right" if numeric else "left", no_wrap=name == "period")
    for line in lines:
        table.add_row(*(_cell(name, line[name]) for name in names))
    return table


def _cell(name: str, value: object) -> str:
    if value is None:
        return "missing"
    if name in ("missing", "not live"):
        return _some(str(value).split())
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, int | float) and name.endswith(("_wh", "_w")):
        return f"{value / 1000:.3f}"
    return str(value)


def _some(names: Sequence[str], most: int = 3) -> str:
    return " ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def open_store(path: Path, as_of_ms: int | None = None) -> SqliteStore:
    """The store of a plan for reading, on request with figures as they stood at a moment."""
    return SqliteStore.reader(path) if as_of_ms is None else PastStore.at(path, as_of_ms)


def as_of(words: str | None, site: Site) -> int | None:
    """The moment of `--as-of`, if it was given."""
    return None if words is None else moment(words, ZoneInfo(site.zone), "--as-of")
