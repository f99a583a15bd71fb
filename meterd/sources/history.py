"""History from files for the replay: one register of one point at a time, in bounded memory.

A wide Parquet file with real time stamps is read column by column. Everything else (CSV, long tables, times as text) is
gone through once and spread to one small file per register in a temporary folder.
"""

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from meterd.errors import ConfigError, SourceError
from meterd.reading import REGISTERS
from meterd.site import Input, Site
from meterd.site import Source as SourceRow
from meterd.sources import inputs_of, settings_from
from meterd.sources.cells import EPOCH_PER_MS, Array, Cells, TimeRule
from meterd.sources.spread import SAMPLES_LIMIT, Channel, Part, Refusals, Spreader
from meterd.sources.tables import Table, chunks, open_table


@dataclass(frozen=True, slots=True)
class FileSettings:
    """Options of a file source."""

    protocol: Literal["file"] = "file"
    path: str = ""  # folder that the daemon watches; relative to the plan's folder
    time_column: str = "time"
    time_unit: str = ""  # of times that are numbers: s, ms, us or ns; empty = times are text or time stamps
    zone: str = ""  # IANA zone of times without offset; empty = every time names its offset
    delimiter: str = ","
    poll_s: float = 5.0  # how often the folder is looked at; files of loggers grow by the minute


def settings_for(row: SourceRow) -> FileSettings:
    """The options of a file source, checked. ConfigError names every fault."""
    settings = settings_from(FileSettings, row, {})
    if settings.time_unit and settings.time_unit not in EPOCH_PER_MS:
        raise ConfigError(f"source {row.name}: time_unit must be one of {', '.join(EPOCH_PER_MS)}")
    if len(settings.delimiter) != 1 or settings.poll_s <= 0:
        raise ConfigError(f"source {row.name}: delimiter is one character, poll_s is above 0")
    time_rule(settings)
    return settings


def time_rule(settings: FileSettings) -> TimeRule:
    """How the times of a source are read; ConfigError for an unknown zone."""
    if not settings.zone:
        return TimeRule(settings.time_unit)
    try:
        return TimeRule(settings.time_unit, ZoneInfo(settings.zone))
    except (ZoneInfoNotFoundError, ValueError) as exc:
        raise ConfigError(f"zone {settings.zone!r} is unknown; write an IANA name such as Europe/Berlin") from exc


def columns_of(site: Site, source: str, explicit: Mapping[str, Channel] | None) -> dict[str, Input]:
    """Which input each column of a wide file belongs to: by its address, or as `explicit` says."""
    inputs = inputs_of(site.inputs, source)
    if explicit is None:
        return {one.address: one for one in inputs}
    by_channel = {(one.point, one.register): one for one in inputs}
    base = {name: REGISTERS[register].unit for name, (_, register) in explicit.items()}
    return {
        name: by_channel.get(channel) or Input(*channel, source, name, unit=base[name])
        for name, channel in explicit.items()
    }


class History:
    """Files of one source, opened. Use it in a `with` block: it may keep a temporary folder."""

    def __init__(
        self, tables: Sequence[Table], site: Site, source: str, *, rule: TimeRule, columns: Mapping[str, Input]
    ) -> None:
        self._site, self._inputs = site, inputs_of(site.inputs, source)
        self._rule, self._columns = rule, columns
        self._direct = [table for table in tables if _is_direct(table)]
        self._times: dict[Path, Cells] = {}  # of wide files that are read column by column
        self._refusals: dict[Channel, Refusals] = {}
        self._slots: dict[Channel, int] = {}
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self.odd_rows = 0  # rows of CSV files left out whole: their number of cells is not that of the header
        self.strangers: dict[str, int] = {}  # rows per point or register of long files that the plan does not know
        for table in tables:
            if table not in self._direct:
                self._spread(table)

    def __enter__(self) -> "History":
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Remove the temporary folder."""
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def channels(self) -> list[Channel]:
        """Every (point, register) the files hold, sorted."""
        direct = {channel for table in self._direct for channel in self._spreader(table).channels()}
        return sorted(direct | set(self._slots))

    def column(self, point: str, register: str) -> tuple[Array, Array, Refusals]:
        """Times (int64 ms UTC) and values of one register in the order of the files, and what was refused of it.

        Values are whole milli-units (int64) for registers that count, else float64 in the base unit. Times need not
        ascend and may repeat. Empty for a register the files do not hold.
        """
        channel = (point, register)
        refusals = Refusals()
        _add(refusals, self._refusals.get(channel))
        parts = [part for table in self._direct for part in self._read_direct(table, channel, refusals)]
        at = [*(part.at_ms for part in parts), self._read_slot(channel, "at", np.dtype(np.int64))]
        values = [*(part.values for part in parts), self._read_slot(channel, "value", _value_type(register))]
        return _one_after_the_other(at), _one_after_the_other(values), refusals

    def _spreader(self, table: Table) -> Spreader:
        return Spreader(self._site, self._inputs, self._columns, self._rule, table)

    def _read_direct(self, table: Table, channel: Channel, refusals: Refusals) -> list[Part]:
        spreader = self._spreader(table)
        name = spreader.column_of(channel)
        if name is None:
            return []
        at = self._times_of(table, spreader)
        parts = [spreader.one(chunk, channel, at) for chunk in chunks(table, [name], [])]
        _add(refusals, spreader.refusals.get(channel))
        return parts

    def _times_of(self, table: Table, spreader: Spreader) -> Cells:
        """Times of a wide file: read once, since they take as long to read as the values of a register."""
        known = self._times.get(table.path)
        if known is None:
            known = self._times[table.path] = spreader.all_times(chunks(table, [table.time_column], []))
        return known

    def _spread(self, table: Table) -> None:
        spreader = self._spreader(table)
        odd: list[tuple[int, str]] = []
        for chunk in chunks(table, spreader.wanted(), odd):
            for part in spreader.parts(chunk):
                self._append(part)
        self.odd_rows += len(odd)
        for channel, refusals in spreader.refusals.items():
            _add(self._refusals.setdefault(channel, Refusals()), refusals)
        for name, rows in spreader.strangers.items():
            self.strangers[name] = self.strangers.get(name, 0) + rows

    def _append(self, part: Part) -> None:
        slot = self._slots.setdefault(part.channel, len(self._slots))
        for kind, values in (("at", part.at_ms), ("value", part.values)):
            with self._slot(slot, kind).open("ab") as out:
                values.tofile(out)

    def _slot(self, slot: int, kind: str) -> Path:
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="meterd-history-")
        return Path(self._folder.name) / f"{slot}.{kind}"

    def _read_slot(self, channel: Channel, kind: str, dtype: "np.dtype[np.int64] | np.dtype[np.float64]") -> Array:
        slot = self._slots.get(channel)
        return np.zeros(0, dtype) if slot is None else np.fromfile(self._slot(slot, kind), dtype)


def _add(to: Refusals, more: Refusals | None) -> None:
    if more is not None:
        to.count += more.count
        to.samples.extend(more.samples[: SAMPLES_LIMIT - len(to.samples)])


def _one_after_the_other(parts: Sequence[Array]) -> Array:
    """The parts as one array; a single one is not copied."""
    filled = [part for part in parts if len(part)]
    return filled[0] if len(filled) == 1 else np.concatenate(parts)


def _value_type(register: str) -> "np.dtype[np.int64] | np.dtype[np.float64]":
    return np.dtype(np.int64) if REGISTERS[register].cumulative else np.dtype(np.float64)


def _is_direct(table: Table) -> bool:
    if not table.is_parquet or table.is_long:
        return False
    kind = pq.read_schema(table.path).field(table.time_column).type
    return bool(pa.types.is_timestamp(kind) or pa.types.is_integer(kind))


def open_history(
    paths: Sequence[str | Path], site: Site, source_name: str, *, columns: Mapping[str, Channel] | None = None
) -> History:
    """Open history files of one source of the plan.

    `columns` maps columns of wide files to (point, register) where their names are not the inputs' addresses. Raises
    SourceError for a file that cannot be read, ConfigError for options that cannot work.
    """
    row = next((one for one in site.sources if one.name == source_name), SourceRow(source_name, "file"))
    settings = settings_for(row if row.protocol == "file" else SourceRow(source_name, "file"))
    if not paths:
        raise SourceError("no history file given")
    tables = [open_table(Path(path), settings.time_column, settings.delimiter) for path in paths]
    by_column = columns_of(site, source_name, columns)
    for table in tables:
        if not table.is_long and not set(by_column) & set(table.columns):
            raise SourceError(
                f"cannot use {table.path}: none of its columns is the address of an input of source {source_name}; "
                "name the columns, or write columns point, register and value"
            )
    return History(tables, site, source_name, rule=time_rule(settings), columns=by_column)
