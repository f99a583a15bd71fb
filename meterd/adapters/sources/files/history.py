"""History from files for the replay: one register of one point at a time, in bounded memory.

A wide Parquet file with real time stamps is read column by column. Everything else (CSV, long tables, times as text) is
gone through once and spread to one small file per register in a temporary folder.
"""

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa

from meterd.adapters.sources import inputs_of
from meterd.adapters.sources.files.cells import Array, Cells
from meterd.adapters.sources.files.columns import SAMPLES_LIMIT, Channel, Part, Spreader
from meterd.adapters.sources.files.settings import FileSettings, TimeRule, settings_for, time_rule
from meterd.adapters.sources.files.tables import PARQUET, OpenFiles, Table, chunks, open_table, parquet_schema
from meterd.adapters.sources.timestamps import rfc3339_ms
from meterd.core.errors import SourceError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import REGISTERS, LeftOut, Refusal, Refusals

FIRST_TIMES = 20  # by which a file is taken as plain
LISTED = 1_000_000  # refused cells of a register that are listed; the rest is counted


def columns_of(site: Site, source: str, explicit: Mapping[str, Channel] | None) -> dict[str, Input]:
    """Which input each column of a wide file belongs to: by its address, or as `explicit` says."""
    inputs = inputs_of(site.inputs, source)
    if explicit is None:
        return {meter_input.address: meter_input for meter_input in inputs}
    by_channel = {(meter_input.point, meter_input.register): meter_input for meter_input in inputs}
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
        self.mappings: list[str] = []  # how files of other shapes are read, in words
        self._site, self._inputs = site, inputs_of(site.inputs, source)
        self._rule, self._columns = rule, columns
        self._direct = [table for table in tables if _is_direct(table)]
        self._files = OpenFiles()
        self._times: dict[Path, Cells] = {}  # of wide files that are read column by column
        self._refusals: dict[Channel, Refusals] = {}
        self._slots: dict[Channel, int] = {}
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self.left_out: list[LeftOut] = []  # whole rows, which belong to no register
        self.odd_rows = 0  # rows of CSV files left out whole: their number of cells is not that of the header
        self.strangers: dict[str, int] = {}  # rows per point or register of long files that the plan does not know
        try:
            for table in tables:
                if table not in self._direct:
                    self._spread(table)
        except BaseException:  # nobody else can remove the temporary folder of what was read so far
            self.close()
            raise

    def __enter__(self) -> "History":
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the files and remove the temporary folder."""
        self._files.close()
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
        return Spreader(self._site, self._inputs, self._columns, self._rule, table, listed=LISTED)

    def _read_direct(self, table: Table, channel: Channel, refusals: Refusals) -> list[Part]:
        spreader = self._spreader(table)
        name = spreader.column_of(channel)
        if name is None:
            return []
        at = self._times_of(table, spreader)
        parts = [spreader.part(chunk, channel, at) for chunk in chunks(table, [name], [], self._files)]
        _add(refusals, spreader.refusals.get(channel))
        return parts

    def _times_of(self, table: Table, spreader: Spreader) -> Cells:
        """Times of a wide file: read once, since they take as long to read as the values of a register."""
        known = self._times.get(table.path)
        if known is None:
            known = self._times[table.path] = spreader.all_times(chunks(table, [table.time_column], [], self._files))
        return known

    def _spread(self, table: Table) -> None:
        spreader = self._spreader(table)
        odd: list[tuple[int, str]] = []
        for chunk in chunks(table, spreader.wanted(), odd):
            for part in spreader.parts(chunk):
                self.append(part)
        self.odd_rows += len(odd)
        self.left_out += [LeftOut(table.path.name, row, "", "", reason) for row, reason in odd]
        for channel, refusals in spreader.refusals.items():
            _add(self._refusals.setdefault(channel, Refusals()), refusals)
        for name, rows in spreader.strangers.items():
            self.strangers[name] = self.strangers.get(name, 0) + rows

    def leave_out(self, cell: LeftOut) -> None:
        """List a cell or a row of a file of another shape."""
        if not cell.point:
            self.left_out.append(cell)
            return
        refusals = self._refusals.setdefault((cell.point, cell.register), Refusals())
        place = f"{cell.file}, row {cell.row}, column {cell.column}"
        _add(refusals, Refusals(1, [Refusal(cell.point, cell.register, f"{place}: {cell.reason}", cell.value)], [cell]))

    def append(self, part: Part) -> None:
        """Add values of a register after those that are there."""
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
        to.cells.extend(more.cells[: LISTED - len(to.cells)])


def _one_after_the_other(parts: Sequence[Array]) -> Array:
    """The parts as one array; a single one is not copied."""
    filled = [part for part in parts if len(part)]
    return filled[0] if len(filled) == 1 else np.concatenate(parts)


def _value_type(register: str) -> "np.dtype[np.int64] | np.dtype[np.float64]":
    return np.dtype(np.int64) if REGISTERS[register].cumulative else np.dtype(np.float64)


def _is_direct(table: Table) -> bool:
    if not table.is_parquet or table.is_long:
        return False
    kind = parquet_schema(table.path).field(table.time_column).type
    return bool(pa.types.is_timestamp(kind) or pa.types.is_integer(kind))


def open_history(
    paths: Sequence[str | Path], site: Site, source_name: str, *, columns: Mapping[str, Channel] | None = None
) -> History:
    """Open history files of one source of the plan.

    `columns` maps columns of wide files to (point, register) where their names are not the inputs' addresses. Raises
    SourceError for a file that cannot be read, ConfigError for options that cannot work.
    """
    if not paths:
        raise SourceError("no history file given")
    settings = _settings(site, source_name)
    tables = [open_table(Path(path), settings.time_column, settings.delimiter) for path in paths]
    by_column = columns_of(site, source_name, columns)
    for table in tables:
        if not table.is_long and not set(by_column) & set(table.columns):
            raise SourceError(
                f"cannot use {table.path}: none of its columns is the address of an input of source {source_name}; "
                "name the columns, or write columns point, register and value"
            )
    return History(tables, site, source_name, rule=time_rule(settings), columns=by_column)


def empty_history(site: Site, source_name: str) -> History:
    """A history without files, to which parts are added."""
    return History((), site, source_name, rule=TimeRule(), columns={})


def _settings(site: Site, source_name: str) -> FileSettings:
    row = next((source for source in site.sources if source.name == source_name), SourceRow(source_name, "file"))
    return settings_for(row if row.protocol == "file" else SourceRow(source_name, "file"))


def is_plain(path: Path, site: Site, source_name: str, columns: Mapping[str, Channel] | None = None) -> bool:
    """Whether a file has the shape that `open_history` reads: its column of times, and columns of the plan or a long table.

    True as well for a file that cannot be opened: that is said where it is read.
    """
    settings = _settings(site, source_name)
    if path.suffix.lower() not in (*PARQUET, ".csv", ".gz"):
        return not path.exists()
    try:
        table = open_table(path, settings.time_column, settings.delimiter)
    except SourceError as exc:
        damaged = path.suffix.lower() in PARQUET and exc.__cause__ is not None
        return damaged or isinstance(exc.__cause__, OSError)
    known = table.is_long or bool(set(columns_of(site, source_name, columns)) & set(table.columns))
    return known and (table.is_parquet or bool(settings.zone or settings.time_unit) or _has_plain_times(table))


def _has_plain_times(table: Table) -> bool:
    """Whether the first time of a CSV file names its offset, as plain files do."""
    chunk = next(chunks(table, [table.time_column], []), None)
    first = [] if chunk is None else chunk.data.column(0).slice(0, FIRST_TIMES).to_pylist()
    return not first or any(_is_stamp(str(text)) for text in first)


def _is_stamp(text: str) -> bool:
    try:
        rfc3339_ms(text)
    except ValueError:
        return False
    return True
