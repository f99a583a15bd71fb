"""`meterd replay`: old readings through the same core, into a folder of tables or into a store."""

import json
from collections import deque
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from numpy.typing import NDArray

from meterd import __version__
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.sources.files.source import History
from meterd.adapters.store.opening import open_to_read, open_to_write
from meterd.app.operations.drift_job import keep_days
from meterd.app.operations.history_files import Shape, choose_source, opened_history, why_nothing
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.scale_check import ScaleCheck
from meterd.core.balance.board_balance import Balance, Verdict
from meterd.core.energy.aggregation import board_aggregations, pv_aggregation
from meterd.core.energy.batch import (
    Followed,
    PvTable,
    Table,
    all_tables,
    board_balances,
    follow,
    interval_table,
    pv_tables,
)
from meterd.core.energy.rollup import maximum_demand
from meterd.core.engine import begin
from meterd.core.errors import ConfigError, MeterdError, SourceError, StoreError
from meterd.core.model.finding import Finding
from meterd.core.model.periods import Period, floor, text
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, REGISTERS, LeftOut, Refusals
from meterd.core.model.results import Channel
from meterd.core.registers.corrections import Correction
from meterd.core.registers.register_line import Bools, Flag, Ints
from meterd.core.registers.stored_readings import StoredReadings
from meterd.core.registers.tracker import Event, Rule
from meterd.core.reports.import_report import RegisterReport, examine

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
    beyond: dict[Channel, int] = field(default_factory=dict)  # readings that no register of that size can show
    strangers: dict[str, int] = field(default_factory=dict)
    first_ms: int = 0
    until_ms: int = 0  # of the figures
    last_ms: int = 0  # of the readings
    registers: list[RegisterReport] = field(default_factory=list)  # of an import into a store
    decided: list[tuple[Channel, Event]] = field(default_factory=list)
    checks: list[Finding] = field(default_factory=list)  # units and directions by the numbers
    left_out: list[LeftOut] = field(default_factory=list)  # every cell and row that is not read


@dataclass(frozen=True, slots=True)
class Work:
    """A replay that is set up."""

    plan: Plan
    history: History
    channels: tuple[Channel, ...]
    corrections: tuple[Correction, ...] = ()  # of tables; a store has its own
    standing: Mapping[Channel, int | None] = field(
        default_factory=dict
    )  # export registers that did not count: what they show

    def column(self, channel: Channel) -> tuple[Ints, Ints, Refusals]:
        """Times and values of one register; one that did not count shows the same whenever the import of its point was read."""
        if channel not in self.standing:
            return self.history.column(*channel)
        times, _, _ = self.history.column(channel[0], IMPORT)
        return times, np.full(len(times), self.standing[channel] or 0, dtype=np.int64), Refusals()


def prepare(
    plan: Plan,
    files: Sequence[Path],
    source: str | None,
    columns: Mapping[str, Channel] | None,
    corrections: Iterable[Correction] = (),
    *,
    no_export: Mapping[str, int | None] | None = None,
    shape: Shape | None = None,
) -> Work:
    """Open the files and see which registers of the plan they hold.

    `shape` says how files of other shapes are written, where they do not show it. `no_export` names points that exported
    nothing in the time of the files, with what their 2.8.0 showed (milli-units, None where nobody says). ConfigError where
    that cannot be.
    """
    history = opened_history(plan.site, files, choose_source(plan.site, source), columns, shape or Shape())
    known = begin(plan.site, ZoneInfo(plan.site.zone), None).trackers
    channels = tuple(channel for channel in history.channels() if channel in known)
    try:
        if not channels:
            raise SourceError(f"nothing is read: {why_nothing(history, files)}")
        standing = _standing(no_export or {}, known, channels)
    except MeterdError:
        history.close()
        raise
    return Work(plan, history, (*channels, *standing), tuple(corrections), standing)


def _standing(
    no_export: Mapping[str, int | None], known: Container[Channel], held: Container[Channel]
) -> dict[Channel, int | None]:
    for point in no_export:
        what = f"cannot use --no-export {point}"
        if (point, EXPORT) in held:
            raise ConfigError(f"{what}: the files hold {EXPORT} of it; leave the option out")
        if (point, EXPORT) not in known:
            raise ConfigError(f"{what}: the plan reads no {EXPORT} of a point of that name, so none is missing")
        if (point, IMPORT) not in held:
            raise ConfigError(f"{what}: the files hold no {IMPORT} of it, which says when it was read")
    return {(point, EXPORT): shown for point, shown in no_export.items()}


def _with_levels(work: Work, store: StoredReadings) -> Work:
    """What export registers show that did not count: as said, else as the store has them next after the files, else 0."""
    results = dict(work.standing)
    for channel, shown in work.standing.items():
        times, _, _ = work.history.column(channel[0], IMPORT)
        if shown is None and len(times):
            later = store.readings_between(channel, int(times.max()), 2**62, most=1)
            results[channel] = int(later[0].value) if later else 0
    return replace(work, standing=results)


def corrections_of(store: Path) -> tuple[Correction, ...]:
    """The corrections that are entered in a store."""
    with open_to_read(store) as reader:
        return tuple(reader.corrections.all())


def _columns(work: Work, report: Report) -> Iterator[tuple[Channel, Ints, Ints]]:
    for channel in work.channels:
        times, values, refused = work.column(channel)
        _note_column(report, channel, len(times), refused)
        report.last_ms = max(report.last_ms, int(times.max()) if len(times) else 0)
        report.registers.append(examine(channel, times, refused, work.plan.site.limits.gap_exact_s * 1000))
        yield channel, times, values
    report.strangers = dict(work.history.strangers)
    report.left_out += work.history.left_out


def _note_column(report: Report, channel: Channel, readings: int, refused: Refusals) -> None:
    report.readings += readings
    report.refused += refused.count
    report.left_out += refused.cells
    report.samples += [f"{s.point} {REGISTERS[s.register].name}: {s.reason}: {s.sample}" for s in refused.samples[:3]]


def _note_beyond(report: Report, channel: Channel, rules: Sequence[Rule], history: tuple[Ints, Ints]) -> None:
    """Readings at or above `register_max_wh` of their instrument count nothing: the plan is wrong, or they are."""
    times, values = history
    count = 0
    for rule in rules:
        if rule.capacity is not None:
            count += int(((times >= rule.from_ms) & (times < rule.until_ms) & (values >= rule.capacity)).sum())
    if count:
        report.beyond[channel] = count


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
    followed, check = [], ScaleCheck(site, state.rules)

    def one_register(channel: Channel) -> tuple[Followed, Refusals, int]:
        times, values, refused = work.column(channel)
        parts = state.corrections.get(channel, ())
        rules, limits, single = state.rules[channel], site.limits, state.edits.get(channel)
        _note_beyond(report, channel, rules, (times, values))
        check.take(channel, times, values)
        followed = follow(
            channel, rules, times, values, limits=limits, interval_ms=interval_ms, corrections=parts, edits=single
        )
        return followed, refused, int(times.max()) if len(times) else 0

    for item, refused, last_ms in in_turn(one_register, work.channels):
        report.last_ms = max(report.last_ms, last_ms)
        _note_column(report, item.channel, item.readings, refused)
        _count_events(report, item)
        followed.append(item)
        step(item.channel)
    report.strangers = dict(work.history.strangers)
    report.left_out += work.history.left_out
    report.checks = check.findings()
    if not report.readings:
        raise SourceError(nothing_read(report))
    tables = all_tables(interval_table(followed, interval_ms), zone, interval_ms)
    _span(report, tables[Period.INTERVAL])
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in _tables(site, tables, zone):
        _write(table, folder / f"{name}.{kind}", kind)
    (folder / "description.json").write_text(json.dumps(_description(work, report), indent=1) + "\n", encoding="utf-8")
    return report


def _expect_readings(work: Work) -> None:
    """SourceError if no register has a reading, before anything is written."""
    report = Report()
    for channel in work.channels:
        times, _, refused = work.column(channel)
        if len(times):
            return
        _note_column(report, channel, 0, refused)
    report.left_out += work.history.left_out
    raise SourceError(nothing_read(report))


def nothing_read(report: Report) -> str:
    """Why a replay read nothing, by the first refused cells."""
    cells = report.left_out[:3]
    lines = [f"  {c.file}, row {c.row}, {c.column or 'whole row'}, {c.value!r}: {c.reason}" for c in cells]
    count = max(report.refused, len(report.left_out))
    what = f"nothing is read, and nothing is written: {count} values refused" if count else "nothing is read"
    return "\n".join([f"{what}{', for example' if lines else '; the files hold no values'}", *lines])


def into_store(work: Work, path: Path, now_ms: int, step: Step) -> Report:
    """Readings into the journal of a store, and all figures made from it."""
    report = Report()
    _expect_readings(work)
    with open_to_write(path) as store:
        site = work.plan.site
        ledger = Ledger(store, site, ZoneInfo(site.zone))
        ends, firsts, check = [], {}, ScaleCheck(site, ledger.state.rules)
        for channel, times, values in _columns(_with_levels(work, store), report):
            check.take(channel, times, values)
            _note_beyond(report, channel, ledger.state.rules[channel], (times, values))
            ledger.import_history(channel, times, values, now_ms)
            if len(times):
                ends.append(int(times.max()))
                firsts[channel] = int(times.min())
            step(channel)
        report.checks = check.findings()
        if ends:
            report.first_ms, report.until_ms = min(firsts.values()), floor(max(ends), site.interval_s * 1000)
            ledger.recompute_all(report.until_ms, now_ms, firsts)
            keep_days(store, site)
            report.decided = list(ledger.state.events)
            for _, event in report.decided:
                report.events[event.kind] = report.events.get(event.kind, 0) + 1
    return report


def _count_events(report: Report, followed: Followed) -> None:
    for event in followed.events:
        report.events[event.kind] = report.events.get(event.kind, 0) + 1


def _span(report: Report, table: Table) -> None:
    if len(table.start_ms):
        report.first_ms, report.until_ms = int(table.start_ms[0]), int(table.end_ms[-1])


# -- tables ------------------------------------------------------------------------------------------------------------


def _tables(site: Site, tables: Mapping[Period, Table], zone: ZoneInfo) -> Iterator[tuple[str, pa.Table]]:
    for period, table in tables.items():
        yield f"energy_{period}", _energy_table(table)
        yield f"quality_{period}", _quality_table(table)
    for name, aggregation in board_aggregations(site).items():
        for table, result, estimated in board_balances(aggregation, tables):
            yield f"balance_{name}_{table.period}", _balance_table(table, result, estimated)
    pv = pv_aggregation(site)
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
    results = {
        f"{_column_name(channel)}_mwh": _masked(columns.energy[:, j], columns.present[:, j])
        for j, channel in enumerate(table.channels)
    }
    return pa.table(_times(table) | results)


_QUALITIES = ("good", "estimated", "bound", "missing")
_MISSING = np.int8(_QUALITIES.index("missing"))
_CODE_OF_FLAGS = np.array([{0: 0, Flag.BOUND.value: 2}.get(flags, 1) for flags in range(8)], dtype=np.int8)


def _quality_table(table: Table) -> pa.Table:
    columns = table.columns
    codes = np.where(columns.present, _CODE_OF_FLAGS[columns.flags], _MISSING)
    results = {_column_name(channel): _coded(codes[:, j], _QUALITIES) for j, channel in enumerate(table.channels)}
    return pa.table(_times(table) | results)


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
    results = {
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
            results[f"reconciled.{point}_mwh"] = _masked(result.reconciled[:, j], result.computable)
    return pa.table(_times(table) | results)


def _pv_table(figures: PvTable) -> pa.Table:
    names = ("production", "grid_import", "grid_export", "self_use")
    results = {f"{name}_mwh": _masked(getattr(figures, name), figures.present) for name in names}
    consumed = figures.present & (figures.consumption >= 0)  # below zero meters contradict each other
    results["consumption_mwh"] = _masked(figures.consumption, consumed)
    ratios = (figures.production, figures.present), (figures.consumption, consumed)
    for name, (divisor, known) in zip(("self_consumption", "self_sufficiency"), ratios, strict=True):
        defined = known & (divisor != 0)
        ratio = figures.self_use / np.where(defined, divisor, 1)
        results[name] = _masked(ratio, defined)
    return pa.table(_times(figures.table) | results)


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
            pa.parquet.write_table(table, path, compression="zstd", write_page_checksum=True)
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
