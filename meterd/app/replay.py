"""`meterd replay`: old readings through the same core, into a folder of tables or into a store."""

import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from numpy.typing import NDArray

from meterd import __version__
from meterd.app.bookkeeper import Bookkeeper
from meterd.app.config import Plan
from meterd.app.import_report import RegisterReport, examine
from meterd.balance import Balance, Verdict
from meterd.books import board_books, pv_book
from meterd.bulk import Followed, PvTable, Table, all_tables, board_balances, follow, interval_table, pv_tables
from meterd.correction import Correction
from meterd.errors import ConfigError, StoreError
from meterd.figure import Channel
from meterd.interval import Period, floor, text
from meterd.knots import Bools, Flag, Ints
from meterd.pipeline import begin
from meterd.reading import REGISTERS
from meterd.register import Event
from meterd.rollup import maximum_demand
from meterd.site import Site
from meterd.sources.files import History, open_history
from meterd.sources.spread import Refusals
from meterd.store.sqlite import SqliteStore

Floats = NDArray[np.float64]
R = TypeVar("R")
AT_ONCE = 2  # registers of a replay in work at the same time
Step = Callable[[Channel], None]


@dataclass(slots=True)
class Report:
    """What a replay did, for the person at the terminal."""

    readings: int = 0
    refused: int = 0
    samples: list[str] = field(default_factory=list)
    events: dict[str, int] = field(default_factory=dict)
    strangers: dict[str, int] = field(default_factory=dict)
    first_ms: int = 0
    until_ms: int = 0
    registers: list[RegisterReport] = field(default_factory=list)  # of an import into a store
    decided: list[tuple[Channel, Event]] = field(default_factory=list)


def choose_source(site: Site, wanted: str | None) -> str:
    """The source whose inputs the files belong to: the one named, else the only file source, else the largest."""
    names = [row.name for row in site.sources]
    if wanted is not None:
        if wanted not in names:
            raise ConfigError(f"the plan has no source {wanted}; it has {', '.join(names) or 'none'}")
        return wanted
    files = [row.name for row in site.sources if row.protocol == "file"]
    if len(files) == 1:
        return files[0]
    counts = {name: sum(row.source == name for row in site.inputs) for name in names}
    if not counts:
        raise ConfigError("the plan has no source; give the files one in site.toml")
    return max(counts, key=lambda name: counts[name])


def column_map(pairs: Sequence[str]) -> dict[str, Channel] | None:
    """`COLUMN=POINT:REGISTER` pairs of the command line; the register by OBIS code or name."""
    if not pairs:
        return None
    codes = {kind.name: obis for obis, kind in REGISTERS.items()} | {obis: obis for obis in REGISTERS}
    found: dict[str, Channel] = {}
    for pair in pairs:
        column, _, target = pair.rpartition("=")
        point, _, register = target.partition(":")
        if not column or not point or register not in codes:
            raise ConfigError(
                f"cannot use --map {pair}: write COLUMN=POINT:REGISTER, with REGISTER one of {', '.join(codes)}"
            )
        found[column] = (point, codes[register])
    return found


@dataclass(frozen=True, slots=True)
class Work:
    """A replay that is set up."""

    plan: Plan
    history: History
    channels: tuple[Channel, ...]
    corrections: tuple[Correction, ...] = ()  # of tables; a store has its own


def prepare(
    plan: Plan,
    files: Sequence[Path],
    source: str | None,
    columns: Mapping[str, Channel] | None,
    corrections: Iterable[Correction] = (),
) -> Work:
    """Open the files and see which registers of the plan they hold."""
    history = open_history(list(files), plan.site, choose_source(plan.site, source), columns=columns)
    known = begin(plan.site, ZoneInfo(plan.site.zone), None).trackers
    channels = tuple(channel for channel in history.channels() if channel in known)
    return Work(plan, history, channels, tuple(corrections))


def corrections_of(store: Path) -> tuple[Correction, ...]:
    """The corrections that are entered in a store."""
    reader = SqliteStore.reader(store)
    try:
        return tuple(reader.corrections.all())
    finally:
        reader.close()


def _columns(work: Work, report: Report) -> Iterator[tuple[Channel, Ints, Ints]]:
    for channel in work.channels:
        times, values, refused = work.history.column(*channel)
        _note_column(report, channel, len(times), refused)
        report.registers.append(examine(channel, times, refused, work.plan.site.limits.gap_exact_s * 1000))
        yield channel, times, values
    report.strangers = dict(work.history.strangers)


def _note_column(report: Report, channel: Channel, readings: int, refused: Refusals) -> None:
    report.readings += readings
    report.refused += refused.count
    report.samples += [f"{s.point} {REGISTERS[s.register].name}: {s.reason}: {s.sample}" for s in refused.samples[:3]]


def in_turn(work: Callable[[Channel], R], channels: Sequence[Channel]) -> Iterator[R]:
    """Results in the order of the channels. Two are at work at once, one reading while the other computes, so that
    two columns are in memory and no more; the first one alone, since it reads the times of the files for all."""
    if not channels:
        return
    yield work(channels[0])
    waiting: deque[Future[R]] = deque()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for channel in channels[1:]:
            waiting.append(pool.submit(work, channel))
            if len(waiting) == AT_ONCE:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def into_folder(work: Work, folder: Path, kind: str, step: Step) -> Report:
    """All roll-ups, balances and PV figures as tables in a folder, one file per kind of period, with a description."""
    site, report = work.plan.site, Report()
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    state = begin(site, zone, None, work.corrections)
    followed = []

    def one_register(channel: Channel) -> tuple[Followed, Refusals]:
        times, values, refused = work.history.column(*channel)
        parts = state.corrections.get(channel, ())
        rules, limits, single = state.rules[channel], site.limits, state.edits.get(channel)
        found = follow(
            channel, rules, times, values, limits=limits, interval_ms=interval_ms, corrections=parts, edits=single
        )
        return found, refused

    for one, refused in in_turn(one_register, work.channels):
        _note_column(report, one.channel, one.readings, refused)
        _count_events(report, one)
        followed.append(one)
        step(one.channel)
    report.strangers = dict(work.history.strangers)
    tables = all_tables(interval_table(followed, interval_ms), zone, interval_ms)
    _span(report, tables[Period.INTERVAL])
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in _tables(site, tables, zone):
        _write(table, folder / f"{name}.{kind}", kind)
    (folder / "description.json").write_text(json.dumps(_description(work, report), indent=1) + "\n", encoding="utf-8")
    return report


def into_store(work: Work, path: Path, now_ms: int, step: Step) -> Report:
    """Readings into the journal of a store, and all figures made from it."""
    report = Report()
    store = SqliteStore.writer(path)
    try:
        site = work.plan.site
        books = Bookkeeper(store, site, ZoneInfo(site.zone))
        ends = []
        for channel, times, values in _columns(work, report):
            books.import_history(channel, times, values, now_ms)
            if len(times):
                ends.append(int(times.max()))
                report.first_ms = min(report.first_ms or int(times.min()), int(times.min()))
            step(channel)
        if ends:
            report.until_ms = floor(max(ends), site.interval_s * 1000)
            books.settle(report.until_ms, now_ms)
            report.decided = list(books.state.events)
            for _, event in report.decided:
                report.events[event.kind] = report.events.get(event.kind, 0) + 1
    finally:
        store.close()
    return report


def _count_events(report: Report, one: Followed) -> None:
    for event in one.events:
        report.events[event.kind] = report.events.get(event.kind, 0) + 1


def _span(report: Report, table: Table) -> None:
    if len(table.start_ms):
        report.first_ms, report.until_ms = int(table.start_ms[0]), int(table.end_ms[-1])


# -- tables ------------------------------------------------------------------------------------------------------------


def _tables(site: Site, tables: Mapping[Period, Table], zone: ZoneInfo) -> Iterator[tuple[str, pa.Table]]:
    for period, table in tables.items():
        yield f"energy_{period}", _energy_table(table)
        yield f"quality_{period}", _quality_table(table)
    for name, book in board_books(site).items():
        for table, result, estimated in board_balances(book, tables):
            yield f"balance_{name}_{table.period}", _balance_table(table, result, estimated)
    pv = pv_book(site)
    if pv is not None:
        for figures in pv_tables(pv, tables):
            yield f"pv_{figures.table.period}", _pv_table(figures)
    yield "maximum_demand_month", _demand_table(tables)


def _times(table: Table) -> dict[str, pa.Array]:
    return {"start": _stamps(table.start_ms), "end": _stamps(table.end_ms)}


def _stamps(times: Ints) -> pa.Array:
    return _masked(times, np.ones(len(times), dtype=np.bool_)).cast(pa.timestamp("ms", tz="UTC"))


def _masked(values: Ints | Floats, present: Bools) -> pa.Array:
    """A column with gaps. Built from buffers here and below, since `pa.array` imports pandas: half a second, 80 MB."""
    kind = pa.float64() if values.dtype == np.float64 else pa.int64()
    valid = None if present.all() else pa.py_buffer(np.packbits(present, bitorder="little"))
    return pa.Array.from_buffers(kind, len(values), [valid, pa.py_buffer(np.ascontiguousarray(values))])


def _column_name(channel: Channel) -> str:
    return f"{channel[0]}.{REGISTERS[channel[1]].name}"


def _energy_table(table: Table) -> pa.Table:
    columns = table.columns
    found = {
        f"{_column_name(channel)}_mwh": _masked(columns.energy[:, j], columns.present[:, j])
        for j, channel in enumerate(table.channels)
    }
    return pa.table(_times(table) | found)


_QUALITIES = ("good", "estimated", "bound", "missing")
_MISSING = np.int8(_QUALITIES.index("missing"))
_CODE_OF_FLAGS = np.array([{0: 0, Flag.BOUND.value: 2}.get(flags, 1) for flags in range(8)], dtype=np.int8)


def _quality_table(table: Table) -> pa.Table:
    columns = table.columns
    codes = np.where(columns.present, _CODE_OF_FLAGS[columns.flags], _MISSING)
    found = {_column_name(channel): _coded(codes[:, j], _QUALITIES) for j, channel in enumerate(table.channels)}
    return pa.table(_times(table) | found)


def _coded(codes: NDArray[np.int8], words: Sequence[str]) -> pa.Array:
    """Words by their numbers."""
    indices = pa.Array.from_buffers(pa.int8(), len(codes), [None, pa.py_buffer(np.ascontiguousarray(codes))])
    return pa.DictionaryArray.from_arrays(indices, _texts(words))


def _texts(words: Sequence[str]) -> pa.Array:
    coded = [word.encode() for word in words]
    ends = np.cumsum([0, *(len(word) for word in coded)]).astype(np.int32)
    return pa.StringArray.from_buffers(len(coded), pa.py_buffer(ends), pa.py_buffer(b"".join(coded)))


def _flags(values: Bools) -> pa.Array:
    bits = pa.py_buffer(np.packbits(values, bitorder="little"))
    return pa.Array.from_buffers(pa.bool_(), len(values), [None, bits])


def _balance_table(table: Table, result: Balance, estimated: Bools) -> pa.Table:
    missing = [", ".join(result.missing_points(i)) for i in range(len(table.start_ms))] if result.missing.any() else ""
    found = {
        "feed_mwh": _masked(result.feed, result.feed_present),
        "outgoing_mwh": _masked(result.outgoing, result.outgoing_present),
        "residual_mwh": _masked(result.residual, result.computable),
        "band_mwh": _masked(result.band, result.computable),
        "verdict": _coded(result.verdict, [verdict.word for verdict in Verdict]),
        "estimated": _flags(estimated & result.computable),
        "missing": _texts(missing if missing else [""] * len(table.start_ms)).dictionary_encode(),
    }
    if table.period is Period.INTERVAL:
        for j, point in enumerate(result.points):
            found[f"reconciled.{point}_mwh"] = _masked(result.reconciled[:, j], result.computable)
    return pa.table(_times(table) | found)


def _pv_table(figures: PvTable) -> pa.Table:
    names = ("production", "grid_import", "grid_export", "self_use", "consumption")
    found = {f"{name}_mwh": _masked(getattr(figures, name), figures.present) for name in names}
    for name, divisor in (("self_consumption", figures.production), ("self_sufficiency", figures.consumption)):
        defined = figures.present & (divisor != 0)
        ratio = figures.self_use / np.where(defined, divisor, 1)
        found[name] = _masked(ratio, defined)
    return pa.table(_times(figures.table) | found)


def _demand_table(tables: Mapping[Period, Table]) -> pa.Table:
    """The largest interval mean of each register in each month: W, and the start of its interval (the first of equals)."""
    intervals, months = tables[Period.INTERVAL], tables[Period.MONTH]
    first = np.searchsorted(intervals.start_ms, months.start_ms)
    last = np.searchsorted(intervals.start_ms, months.end_ms)
    months_, names, starts, peaks = [], [], [], []
    for i in range(len(months.start_ms)):
        part = slice(int(first[i]), int(last[i]))
        for j, channel in enumerate(intervals.channels):
            length = int(intervals.end_ms[0] - intervals.start_ms[0])
            peak = maximum_demand(intervals.columns.energy[part, j], intervals.columns.present[part, j], length)
            if peak is not None:
                months_.append(int(months.start_ms[i]))
                names.append(_column_name(channel))
                starts.append(int(intervals.start_ms[part][peak[0]]))
                peaks.append(peak[1])
    return pa.table(
        {
            "month_start": _stamps(np.array(months_, dtype=np.int64)),
            "register": _texts(names),
            "interval_start": _stamps(np.array(starts, dtype=np.int64)),
            "demand_w": _masked(np.array(peaks, dtype=np.float64), np.ones(len(peaks), dtype=np.bool_)),
        }
    )


def _write(table: pa.Table, path: Path, kind: str) -> None:
    try:
        if kind == "parquet":
            pa.parquet.write_table(table, path, compression="zstd")
        else:
            plain = [c.cast(pa.string()) if pa.types.is_dictionary(c.type) else c for c in table.columns]
            pa.csv.write_csv(pa.table(plain, names=table.column_names), path)
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc}") from exc


def _description(work: Work, report: Report) -> dict[str, object]:
    plan = work.plan
    return {
        "site": plan.site.name,
        "zone": plan.site.zone,
        "interval_s": plan.site.interval_s,
        "plan": plan.fingerprint,
        "meterd": __version__,
        "from": text(report.first_ms),
        "until": text(report.until_ms),
        "readings": report.readings,
        "refused": report.refused,
        "decided": report.events,
        "corrections": [
            {"id": c.id, "point": c.point, "register": c.register, "factor": c.factor}
            | ({"at": text(c.from_ms), "reads": c.reads} if c.reads else {})
            for c in work.corrections
            if c.withdrawn_ms is None
        ],
        "units": "energies in whole milliwatt-hours; empty = missing; times UTC, start inclusive, end exclusive",
        "quality": "good; estimated = a boundary lies in a gap, the sum over the gap is exact; bound = at least; missing",
        "pv": f"self-use per interval of {plan.site.interval_s} s, then summed",
    }
