"""The tables of an archive: columns with type, unit and meaning, and files of them."""

import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from meterd.adapters.store.month_rows import READINGS, STATE, Row
from meterd.app.operations.export import Column
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period

ROWS = 100_000  # in memory at a time, and of one row group
_NAMES = ("point", "register", "period")  # few different ones in many rows
_TIME = pa.timestamp("ms", tz="UTC")
_POINT = Column("point", pa.string(), "", "metering point")
_REGISTER = Column("register", pa.string(), "", "groups C.D.E of IEC 62056-6-1")
_PERIOD = Column("period", pa.string(), "", "interval, hour, day, week, month or year, local to the site")
_START = Column("start", _TIME, "UTC", "start of the period, inclusive")
_END = Column("end", _TIME, "UTC", "end of the period, exclusive")
_VERSIONS = (
    Column("version", pa.int64(), "", "1, and one more for each change"),
    Column("written", _TIME, "UTC", "when this version was written"),
    Column("reason", pa.string(), "", "why this version was written"),
)


def _energies(*names: str) -> tuple[Column, ...]:
    return tuple(Column(f"{name}_mwh", pa.int64(), "mWh", f"{name}; empty = missing") for name in names)


_FIGURE = (
    _PERIOD, _START, _POINT, _REGISTER, *_energies("energy"),
    Column("flags", pa.int64(), "bits", "0 = good; 1, 2: an end is estimated; others: a bound"),
    Column("anchor", _TIME, "UTC", "of an interval: the reading from which the register is followed on"),
    Column("anchor_shown", pa.int64(), "1/1000 of unit", "what the register showed there"),
    Column("anchor_plateau", _TIME, "UTC", "since when it had shown that"),
    *_VERSIONS,
)  # fmt: skip
_BALANCE = (
    _PERIOD, _START, _END, Column("board", pa.string(), "", "board of the plan"),
    *_energies("feed", "outgoing", "residual", "band"),
    Column("verdict", pa.string(), "", "inside or outside the band, or not computable"),
    Column("estimated", pa.int64(), "", "1 = a part of it is estimated"),
    Column("missing", pa.string(), "", "points without energy, a JSON list"),
    Column("uncovered", pa.string(), "", "points without a known accuracy, a JSON list"),
    Column("covered", pa.int64(), "", "how many points have an accuracy"),
    Column("of", pa.int64(), "", "of how many"),
    Column("reconciled", pa.string(), "mWh", "flows that close the balance, a JSON list of pairs"),
    *_VERSIONS,
)  # fmt: skip
_PV = (
    _PERIOD, _START, _END, *_energies("production", "grid_import", "grid_export", "self_use", "consumption"),
    Column("estimated", pa.int64(), "", "1 = a part of it is estimated"), *_VERSIONS,
)  # fmt: skip
TABLES: Mapping[str, tuple[Column, ...]] = {
    READINGS: (
        Column("time", _TIME, "UTC", "when the value was true"), _POINT, _REGISTER,
        Column("value", pa.float64(), "base unit", "as shown, of registers that do not count in whole steps"),
        Column("count", pa.int64(), "1/1000 of unit", "as shown, exactly, before transformer ratio and pulse weight"),
        Column("received", _TIME, "UTC", "when it came in"),
        Column("marks", pa.int64(), "bits", "1 = the time came with the value; 2 = the broker had kept the message"),
    ),
    "energy": _FIGURE,
    "energy_old": _FIGURE,  # versions that were replaced
    "balance": _BALANCE,
    "balance_old": _BALANCE,
    "pv": _PV,
    "pv_old": _PV,
    STATE: (
        Column("table", pa.string(), "", "correction, record, issued, finding, fact and others"),
        Column("row", pa.string(), "", "its row as a JSON object, when the month was archived"),
    ),
}  # fmt: skip


def write_rows(path: Path, table: str, rows: Iterable[Row], about: Mapping[str, str]) -> int:
    """Write rows of a table as Parquet; returns how many. No file for none. `about` goes into the file."""
    schema, count, some = _schema(table, about), 0, iter(rows)
    writer = None
    try:
        while batch := list(islice(some, ROWS)):
            if writer is None:
                writer = pq.ParquetWriter(path, schema, compression="zstd", write_page_checksum=True)
            columns = zip(zip(*batch, strict=True), schema, strict=True)
            writer.write_table(pa.Table.from_arrays([pa.array(c, field.type) for c, field in columns], schema=schema))
            count += len(batch)
    except (OSError, pa.ArrowException) as exc:
        raise StoreError(f"cannot write {table} for the archive into {path.parent}: {exc}; make room there") from exc
    finally:
        if writer is not None:
            writer.close()
    return count


def _schema(table: str, about: Mapping[str, str]) -> pa.Schema:
    columns = [pa.field(c.name, c.kind, metadata={"unit": c.unit, "meaning": c.meaning}) for c in TABLES[table]]
    return pa.schema(columns, metadata={f"meterd.{key}": text for key, text in about.items()})


def read_rows(path: Path, table: str) -> Iterator[Row]:
    """The rows of such a file as they were written; StoreError if it is damaged or has other columns."""
    names = [column.name for column in TABLES[table]]
    for batch in _batches(path, table, names):
        yield from zip(*(column.to_pylist() for column in batch.columns), strict=True)


def read_columns(path: Path, table: str, names: Sequence[str], period: Period | None = None) -> pa.Table:
    """Some columns of such a file, times as milliseconds, names as dictionaries; of figures those of one kind of period, if it
    is given.
    """
    wanted = list(names) if period is None else [*names, "period"]
    batches = list(_batches(path, table, wanted, named=[name for name in _NAMES if name in wanted]))
    result = pa.Table.from_batches(batches).unify_dictionaries().combine_chunks()
    return result if period is None else _of_period(result, str(period)).select(list(names))


def _of_period(table: pa.Table, period: str) -> pa.Table:
    """The rows of a kind of period: without a copy where they stand together."""
    kinds = table["period"].combine_chunks()
    rows = np.flatnonzero(kinds.indices.to_numpy() == pc.index(kinds.dictionary, period).as_py())
    if len(rows) and rows[-1] - rows[0] + 1 == len(rows):
        return table.slice(rows[0], len(rows))
    return table.take(rows)


def _batches(path: Path, table: str, names: Sequence[str], named: Sequence[str] = ()) -> Iterator[pa.RecordBatch]:
    """Some columns of a file piece by piece, times as milliseconds; those that are `named` as dictionaries."""
    try:
        with pq.ParquetFile(path, page_checksum_verification=True, read_dictionary=list(named)) as file:
            there = set(file.schema_arrow.names)
            if missing := [name for name in names if name not in there]:
                raise StoreError(
                    f"{path.name} has no column {', '.join(missing)}; it is no table {table} of an archive"
                )
            # a month is small: threads for its columns take more of two cores than they give
            for batch in file.iter_batches(columns=names, use_threads=False):
                columns = [batch.column(name) for name in names]
                plain = [c.cast(pa.int64()) if pa.types.is_timestamp(c.type) else c for c in columns]
                yield pa.RecordBatch.from_arrays(plain, names=list(names))
    except (OSError, pa.ArrowException) as exc:
        raise StoreError(
            f"{path.name} cannot be read: {exc}; restore the file from another copy of the archive"
        ) from exc


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
