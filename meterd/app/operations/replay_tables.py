"""`meterd replay --out`: old readings through the same core, into a folder of tables."""

import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
from numpy.typing import NDArray

from meterd import __version__
from meterd.app.operations.replay_work import Report, Step, Work, note_beyond, note_column, nothing_read
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
from meterd.core.errors import SourceError, StoreError
from meterd.core.model.periods import Period, text
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS, Refusals
from meterd.core.model.results import Channel
from meterd.core.registers.plain_register import Moments, moments_of
from meterd.core.registers.register_line import Bools, Flag, Ints

Floats = NDArray[np.float64]
R = TypeVar("R")
AT_ONCE = 2  # registers of a replay in work at the same time


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
    gap_exact_ms, gap_estimate_ms = site.limits.gap_exact_s * 1000, site.limits.gap_estimate_s * 1000
    moments: list[Moments | None] = []  # of the first register: in most files all were read at the same times

    def one_register(channel: Channel) -> tuple[Followed, Refusals, int]:
        times, values, refused = work.column(channel)
        parts = state.corrections.get(channel, ())
        rules, limits, single = state.rules[channel], site.limits, state.edits.get(channel)
        note_beyond(report, channel, rules, (times, values))
        if not moments:
            moments.append(
                moments_of(times, interval_ms=interval_ms, gap_exact_ms=gap_exact_ms, gap_estimate_ms=gap_estimate_ms)
            )
        ascend = moments[0] is not None and times is moments[0].times
        check.take(channel, times, values, ascend=ascend)
        followed = follow(
            channel, rules, times, values, limits=limits, interval_ms=interval_ms, corrections=parts, edits=single,
            moments=moments[0],
        )  # fmt: skip
        last_ms = int(times[-1] if ascend else times.max(initial=0))
        return followed, refused, last_ms

    for item, refused, last_ms in in_turn(one_register, work.channels):
        report.last_ms = max(report.last_ms, last_ms)
        note_column(report, item.channel, item.readings, refused)
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
    _write_all(_tables(site, tables, zone), folder, kind)
    (folder / "description.json").write_text(json.dumps(_description(work, report), indent=1) + "\n", encoding="utf-8")
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
        for table, result, estimated in board_balances(aggregation, tables, (Period.INTERVAL,)):
            yield f"balance_{name}_{table.period}", _balance_table(table, result, estimated)
    pv = pv_aggregation(site)
    if pv is not None:
        for figures in pv_tables(pv, tables):
            yield f"pv_{figures.table.period}", _pv_table(figures)
    yield "maximum_demand_month", _demand_table(tables)


def _times(table: Table) -> dict[str, pa.Array]:
    return {"start": _stamps(table.start_ms), "end": _stamps(table.end_ms)}


def _stamps(times: Ints) -> pa.Array:
    return pa.Array.from_buffers(
        pa.timestamp("ms", tz="UTC"), len(times), [None, pa.py_buffer(np.ascontiguousarray(times))]
    )


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


def _coded(codes: NDArray[np.int8], texts: Sequence[str]) -> pa.Array:
    """Words by their numbers."""
    indices = pa.Array.from_buffers(pa.int8(), len(codes), [None, pa.py_buffer(np.ascontiguousarray(codes))])
    return pa.DictionaryArray.from_arrays(indices, _texts(texts))


def _texts(texts: Sequence[str]) -> pa.Array:
    coded = [word.encode() for word in texts]
    ends = np.cumsum([0, *(len(word) for word in coded)]).astype(np.int32)
    return pa.StringArray.from_buffers(len(coded), pa.py_buffer(ends), pa.py_buffer(b"".join(coded)))


def _repeated(texts: Sequence[str]) -> pa.Array:
    """Texts of which most are the same. (`dictionary_encode` loads all functions of the library: 20 ms.)"""
    places: dict[str, int] = {}
    codes = np.array([places.setdefault(word, len(places)) for word in texts], dtype=np.int32)
    indices = pa.Array.from_buffers(pa.int32(), len(texts), [None, pa.py_buffer(codes)])
    return pa.DictionaryArray.from_arrays(indices, _texts(list(places)))


def _flags(values: Bools) -> pa.Array:
    bits = pa.py_buffer(np.packbits(values, bitorder="little"))
    return pa.Array.from_buffers(pa.bool_(), len(values), [None, bits])


def _balance_table(table: Table, result: Balance, estimated: Bools) -> pa.Table:
    rows = range(len(table.start_ms))
    missing = [", ".join(result.missing_points(i)) for i in rows] if result.missing.any() else [""] * len(rows)
    results = {
        "feed_mwh": _masked(result.feed, result.feed_present),
        "outgoing_mwh": _masked(result.outgoing, result.outgoing_present),
        "residual_mwh": _masked(result.residual, result.computable),
        "band_mwh": _masked(result.band, result.computable),
        "verdict": _coded(result.verdict, [verdict.word for verdict in Verdict]),
        "estimated": _flags(estimated & result.computable),
        "missing": _repeated(missing),
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


def _write_all(tables: Iterable[tuple[str, pa.Table]], folder: Path, kind: str) -> None:
    """Write each table while the next one is made."""
    with ThreadPoolExecutor(1) as writer:
        written: list[Future[None]] = []
        for name, table in tables:
            written.append(writer.submit(_write, table, folder / f"{name}.{kind}", kind))
            if written[0].done():  # a full disk is said before everything is computed
                written.pop(0).result()
        for each in written:
            each.result()


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
