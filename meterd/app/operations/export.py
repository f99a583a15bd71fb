"""`meterd export`: readings and figures of a store as Parquet or CSV, one file per local month, with a description.

    FOLDER/description.json
    FOLDER/readings/year=2026/month=03/part.parquet     and energy/, balance/, pv/ alike

The folder appears when everything in it is written. Months are those of the site's zone; a figure belongs to the month in
which it starts.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from meterd import __version__
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.dump import ArchiveReader
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import Period, bounds, from_ms, text
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import Channel, consumed
from meterd.core.registers.register_line import Flag

ROWS = 100_000  # in memory at a time, and of one row group
DESCRIPTION = "description.json"
_TIME = pa.timestamp("ms", tz="UTC")
_MARKS = (1, 2)  # of a reading: its time is the device's; it was a retained message, not a new one


@dataclass(frozen=True, slots=True)
class Column:
    """One column: type, unit and meaning, for the file and its description."""

    name: str
    kind: pa.DataType
    unit: str
    meaning: str


def _energies(*names: str) -> tuple[Column, ...]:
    return tuple(
        Column(f"{name}_mwh", pa.int64(), "mWh", f"{name.replace('_', ' ')}; empty = missing") for name in names
    )


_START = Column("start", _TIME, "UTC", "start of the period, inclusive")
_END = Column("end", _TIME, "UTC", "end of the period, exclusive")
_PERIOD = Column("period", pa.string(), "", "interval, hour, day, week, month or year, local to the site")
_POINT = Column("point", pa.string(), "", "metering point of the plan")
_REGISTER = Column("register", pa.string(), "", "trade name of the register")
_ESTIMATED = Column("estimated", pa.bool_(), "", "whether a part of it is estimated")
_VERSIONS = (
    Column("version", pa.int64(), "", "1, and one more for each correction; only the newest is in the file"),
    Column("written", _TIME, "UTC", "when this version was written"),
    Column("reason", pa.string(), "", "why this version was written"),
)
COLUMNS: dict[str, tuple[Column, ...]] = {
    "readings": (
        Column("time", _TIME, "UTC", "when the value was true"),
        _POINT,
        _REGISTER,
        Column("obis", pa.string(), "", "code of the register, groups C.D.E of IEC 62056-6-1"),
        Column("unit", pa.string(), "", "of value: Wh, varh, W, ...; imp = pulses"),
        Column("value", pa.float64(), "see unit", "as the instrument shows it, before transformer ratio and pulse weight"),
        Column("count", pa.int64(), "1/1000 of unit", "the same exactly, of registers that count; empty for others"),
        Column("received", _TIME, "UTC", "when it came in"),
        Column("device_time", pa.bool_(), "", "whether time came with the value, else it is the time of arrival"),
        Column("old", pa.bool_(), "", "whether the broker had retained the message"),
    ),
    "energy": (
        _PERIOD, _START, _END, _POINT, _REGISTER, *_energies("energy"),
        Column("quality", pa.string(), "", "good; estimated: a boundary lies in a gap, sums over it are exact; bound: at"
               " least so much; missing"),
        *_VERSIONS,
    ),
    "balance": (
        _PERIOD, _START, _END, Column("board", pa.string(), "", "board of the plan"),
        *_energies("feed", "outgoing", "residual", "band"),
        Column("verdict", pa.string(), "", "inside or outside the band, or not computable"), _ESTIMATED,
        Column("missing", pa.string(), "", "points without energy in the period, a JSON list"),
        Column("uncovered", pa.string(), "", "points whose accuracy is not in the plan, a JSON list"),
        Column("covered", pa.int64(), "", "how many points have an accuracy"),
        Column("of", pa.int64(), "", "of how many"),
        Column("reconciled", pa.string(), "mWh", "flows that close the balance of an interval, a JSON list of pairs"),
        *_VERSIONS,
    ),
    "pv": (
        _PERIOD, _START, _END,
        *_energies("production", "grid_import", "grid_export", "self_use"),
        Column("consumption_mwh", pa.int64(), "mWh", "empty = missing, also where it would be below zero"),
        _ESTIMATED, *_VERSIONS,
    ),
}  # fmt: skip
Rows = Iterator[tuple[Any, ...]]


@dataclass(frozen=True, slots=True)
class Span:
    """From when until when (exclusive), in ms UTC."""

    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class File:
    """One written file, for the description."""

    table: str
    path: str
    rows: int
    sha256: str


@dataclass(frozen=True, slots=True)
class ExportRequest:
    """What to export. `cut` limits the readings of a register to those before a moment."""

    tables: tuple[str, ...] = tuple(COLUMNS)
    span: Span | None = None
    kind: str = "parquet"
    cut: Callable[[Channel], int] | None = None


def export(plan: Plan, store: Path, folder: Path, wanted: ExportRequest, now_ms: int) -> list[File]:
    """Write the folder. ConfigError if it is already there with something in it; StoreError if it cannot be written."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise ConfigError(f"{folder} is not empty; name a new folder, so that nothing old is mixed in")
    partial = folder.with_name(folder.name + ".partial")
    reader = ArchiveReader(store)
    try:
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir(parents=True)
        span = wanted.span or Span(*(reader.span() or (0, 0)))
        files = list(_files(plan, reader, partial, wanted=wanted, span=span))
        description = _description(plan, reader, files, span=span, now_ms=now_ms)
        (partial / DESCRIPTION).write_text(json.dumps(description, indent=1) + "\n", encoding="utf-8")
        with suppress(FileNotFoundError):
            folder.rmdir()
        os.replace(partial, folder)
    except OSError as exc:
        raise StoreError(f"cannot write {folder}: {exc}") from exc
    finally:
        reader.close()
        shutil.rmtree(partial, ignore_errors=True)
    return files


def months(span: Span, zone: ZoneInfo) -> Iterator[tuple[str, Span]]:
    """Local months that overlap a span, as partition and part of the span."""
    start = span.from_ms
    while start < span.until_ms:
        low, high = bounds(Period.MONTH, start, zone, 900_000)
        local = from_ms(low + (high - low) // 2).astimezone(zone)
        yield f"year={local.year:04d}/month={local.month:02d}", Span(start, min(high, span.until_ms))
        start = high


def _files(plan: Plan, reader: ArchiveReader, folder: Path, *, wanted: ExportRequest, span: Span) -> Iterator[File]:
    tables = _Tables(plan, reader, wanted.cut)
    for partition, part in months(span, tables.zone):
        for table in wanted.tables:
            path = folder / table / partition / f"part.{wanted.kind}"
            rows = write(path, COLUMNS[table], tables.rows(table, part), wanted.kind)
            if rows:
                yield File(table, str(path.relative_to(folder)), rows, _digest(path))


def write(path: Path, columns: Iterable[Column], rows: Iterable[tuple[Any, ...]], kind: str) -> int:
    """Write rows to one file, some at a time; no file for no rows. Returns how many there were."""
    schema = pa.schema([(column.name, column.kind) for column in columns])
    writer, count, held = None, 0, []
    try:
        for row in rows:
            held.append(row)
            if len(held) == ROWS:
                writer = writer or _writer(path, schema, kind)
                writer.write_table(_arrow(held, schema))
                count, held = count + ROWS, []
        if held:
            writer = writer or _writer(path, schema, kind)
            writer.write_table(_arrow(held, schema))
    finally:
        if writer is not None:
            writer.close()
    return count + len(held)


def _writer(path: Path, schema: pa.Schema, kind: str) -> Any:
    path.parent.mkdir(parents=True, exist_ok=True)
    if kind == "csv":
        return pa.csv.CSVWriter(path, schema)
    return pa.parquet.ParquetWriter(path, schema, compression="zstd", write_page_checksum=True)


def _arrow(rows: list[tuple[Any, ...]], schema: pa.Schema) -> pa.Table:
    arrays = [pa.array(column, field.type) for column, field in zip(zip(*rows, strict=True), schema, strict=True)]
    return pa.Table.from_arrays(arrays, schema=schema)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class _Tables:
    """Rows of each table in a span, in the order of its columns."""

    def __init__(self, plan: Plan, reader: ArchiveReader, cut: Callable[[Channel], int] | None) -> None:
        site = plan.site
        self.zone, self._interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
        self._reader, self._cut = reader, cut
        self._pulses = {(row.point, row.register) for row in site.inputs if row.unit == "imp"}

    def rows(self, table: str, part: Span) -> Rows:
        made = {"readings": self._readings, "energy": self._energy, "balance": self._balance, "pv": self._pv}[table]
        return made(part)

    def _readings(self, part: Span) -> Rows:
        device, old = _MARKS
        for channel in self._reader.channels:
            point, register = channel
            kind = REGISTERS.get(register)
            name, unit = (kind.name, kind.unit) if kind else (register, "")
            unit = "imp" if channel in self._pulses else unit
            counts = kind is not None and kind.cumulative
            until = part.until_ms if self._cut is None else min(part.until_ms, self._cut(channel))
            for at, value, received, marks in self._reader.readings(channel, part.from_ms, until):
                assert isinstance(value, int | float), "the journal holds numbers"
                assert isinstance(marks, int), "marks are bits"
                shown = (value / 1000, value) if counts else (float(value), None)
                yield (at, point, name, register, unit, *shown, received, bool(marks & device), bool(marks & old))

    def _end(self, period: Period, start: int) -> int:
        return bounds(period, start, self.zone, self._interval_ms)[1]

    def _energy(self, part: Span) -> Rows:
        for channel in self._reader.channels:
            point, register = channel
            name = REGISTERS[register].name if register in REGISTERS else register
            for period in Period:
                rows = self._reader.figures(channel, period, part.from_ms, part.until_ms)
                for start, energy, flags, *version in rows:
                    assert isinstance(start, int), "starts are times"
                    assert isinstance(flags, int), "flags are bits"
                    yield (
                        period, start, self._end(period, start), point, name, energy, quality(energy is None, flags),
                        *version,
                    )  # fmt: skip

    def _balance(self, part: Span) -> Rows:
        for board in self._reader.boards():
            for period in Period:
                rows = self._reader.balances(board, period, part.from_ms, part.until_ms)
                for start, end, feed, out, residual, band, verdict, estimated, *rest in rows:
                    yield (period, start, end, board, feed, out, residual, band, verdict, bool(estimated), *rest)

    def _pv(self, part: Span) -> Rows:
        for period in Period:
            for row in self._reader.pv(period, part.from_ms, part.until_ms):
                consumption = row[6]
                assert consumption is None or isinstance(consumption, int), "the store holds energies"
                yield (period, *row[:6], consumed(consumption), bool(row[7]), *row[8:])


def quality(missing: bool, flags: int) -> str:
    """The word for the quality of a figure."""
    if missing:
        return "missing"
    if flags & Flag.BOUND:
        return "bound"
    return "estimated" if flags else "good"


def _description(plan: Plan, reader: ArchiveReader, files: list[File], *, span: Span, now_ms: int) -> dict[str, object]:
    site = plan.site
    tables = {
        table: {
            "columns": [
                {"name": c.name, "type": str(c.kind), "unit": c.unit, "meaning": c.meaning} for c in COLUMNS[table]
            ],
            "rows": sum(file.rows for file in files if file.table == table),
        }
        for table in COLUMNS
        if any(file.table == table for file in files)
    }
    return {
        "site": site.name,
        "title": site.title,
        "zone": site.zone,
        "interval_s": site.interval_s,
        "partitions": "local months of the zone; a figure lies in the month in which it starts",
        "times": "UTC, labels are starts, ends are exclusive",
        "energies": "whole milliwatt-hours; a sum with a missing term is missing",
        "source": {"program": "meterd", "version": __version__, "plan": plan.fingerprint, "schema": reader.schema},
        "made": text(now_ms),
        "from": text(span.from_ms),
        "until": text(span.until_ms),
        "tables": tables,
        "files": [{"path": f.path, "rows": f.rows, "sha256": f.sha256} for f in files],
    }
