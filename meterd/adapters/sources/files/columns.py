"""Chunks of a history file to columns of registers: which cell belongs to which point, in milli-units or base unit."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from meterd.adapters.sources import sample
from meterd.adapters.sources.files.cells import (
    Array,
    Cells,
    LocalOrder,
    cut,
    joined,
    numbers,
    plain_array,
    scaled,
    times,
)
from meterd.adapters.sources.files.settings import TimeRule
from meterd.adapters.sources.files.tables import Chunk, Table
from meterd.core.model.plan import Input, Site, base_scale
from meterd.core.model.reading import REGISTERS, UNITS, LeftOut, Refusal, Refusals

Channel = tuple[str, str]  # point and OBIS code of the register
SAMPLES_LIMIT = 20  # refusals kept in full per channel; the rest is counted
STRANGERS_LIMIT = 1000  # names that the plan does not know, remembered with their rows


@dataclass(frozen=True, slots=True)
class Part:
    """Some values of one channel: times in ms UTC (int64), and milli-units (int64) or base units (float64)."""

    channel: Channel
    at_ms: Array
    values: Array


class Spreader:
    """Turns chunks of one file into parts. `columns` maps a column of a wide file to its input."""

    def __init__(
        self,
        site: Site,
        inputs: tuple[Input, ...],
        columns: Mapping[str, Input],
        rule: TimeRule,
        table: Table,
        *,
        listed: int = 0,
    ) -> None:
        self.table = table
        self._listed = listed  # so many refused cells of a channel are listed
        self._columns = {name: meter_input for name, meter_input in columns.items() if name in table.columns}
        self._rule = rule
        self._inputs = {(meter_input.point, meter_input.register): meter_input for meter_input in inputs}
        self._points = {name: point.name for point in site.points for name in (point.name, *point.aliases)}
        self._registers = {name: kind.obis for kind in REGISTERS.values() for name in (kind.obis, kind.name)}
        self._orders: dict[Channel | None, LocalOrder] = {}
        self.refusals: dict[Channel, Refusals] = {}
        self.strangers: dict[str, int] = {}

    def wanted(self) -> list[str]:
        """Columns to read."""
        if self.table.is_long:
            unit = ["unit"] if "unit" in self.table.columns else []
            return [self.table.time_column, "point", "register", "value", *unit]
        return [self.table.time_column, *self._columns]

    def channels(self) -> list[Channel]:
        """Channels a wide file can hold; a long one tells by its rows."""
        return [(meter_input.point, meter_input.register) for meter_input in self._columns.values()]

    def parts(self, chunk: Chunk) -> Iterator[Part]:
        """All channels of a chunk."""
        if self.table.is_long:
            yield from self._long(chunk)
        else:
            at = self._times(chunk.data.column(self.table.time_column), None)
            for name, meter_input in self._columns.items():
                yield self._part(chunk, name, meter_input, at)

    def all_times(self, chunks: Iterable[Chunk]) -> Cells:
        """The column of times of a whole wide file."""
        parts = [self._times(chunk.data.column(self.table.time_column), None) for chunk in chunks]
        return joined(parts)

    def part(self, chunk: Chunk, channel: Channel, at: Cells) -> Part:
        """One channel of a chunk of a wide file that was read with its column only; `at` are all times of the file."""
        name = next(
            name for name, meter_input in self._columns.items() if (meter_input.point, meter_input.register) == channel
        )
        first = chunk.first_row - 1
        return self._part(chunk, name, self._columns[name], cut(at, first, first + chunk.data.num_rows))

    def column_of(self, channel: Channel) -> str | None:
        """Name of the column of a channel in a wide file."""
        return next(
            (
                name
                for name, meter_input in self._columns.items()
                if (meter_input.point, meter_input.register) == channel
            ),
            None,
        )

    def _times(self, column: Any, series: Channel | None) -> Cells:
        order = self._orders.setdefault(series, LocalOrder())
        return times(column, self._rule, order, f"{self.table.path}, column {self.table.time_column}")

    def _part(self, chunk: Chunk, name: str, meter_input: Input, at: Cells) -> Part:
        channel = (meter_input.point, meter_input.register)
        column = chunk.data.column(name)
        cells = numbers(column, f"{self.table.path}, column {name}")
        cells = scaled(cells, base_scale(meter_input), cumulative=REGISTERS[meter_input.register].cumulative)
        rows = range(chunk.first_row, chunk.first_row + len(cells.good))
        return self._accepted(channel, at, cells, _Where(rows, name, column))

    def _accepted(self, channel: Channel, at: Cells, cells: Cells, where: "_Where") -> Part:
        if cells.good.all() and at.good.all():
            return Part(channel, at.values, cells.values)
        bad = cells.bad | (~cells.missing & ~at.good)
        if bad.any():
            self._refuse(channel, np.flatnonzero(bad), at, cells=cells, where=where)
        keep = cells.good & at.good
        return Part(channel, at.values[keep], cells.values[keep])

    def _refuse(self, channel: Channel, bad: Array, at: Cells, *, cells: Cells, where: "_Where") -> None:
        known = self.refusals.setdefault(channel, Refusals())
        known.count += len(bad)
        header = 0 if self.table.is_parquet else 1
        for row in bad[: SAMPLES_LIMIT - len(known.samples)].tolist():
            reason = _reason(row, at, cells)
            place = f"{self.table.path.name}, row {where.rows[row] + header}, column {where.column}"
            known.samples.append(Refusal(*channel, f"{place}: {reason}", sample(str(where.cells[row].as_py()))))
        for row in bad[: max(0, self._listed - len(known.cells))].tolist():
            shown = sample(str(where.cells[row].as_py()))
            reason = _reason(row, at, cells)
            known.cells.append(
                LeftOut(self.table.path.name, int(where.rows[row]) + header, where.column, shown, reason, *channel)
            )

    # -- long ----------------------------------------------------------------------------------------------------------

    def _long(self, chunk: Chunk) -> Iterator[Part]:
        points, point_names = _encoded(chunk.data.column("point"))
        registers, register_names = _encoded(chunk.data.column("register"))
        at = None if self._rule.zone else self._times(chunk.data.column(self.table.time_column), None)
        codes = points * (len(register_names) + 1) + registers
        order = np.argsort(codes, kind="stable")
        cuts = np.flatnonzero(np.diff(codes[order])) + 1
        for rows in np.split(order, cuts) if len(order) else []:
            names = (point_names[points[rows[0]]], register_names[registers[rows[0]]])
            channel = self._channel(names, len(rows))
            if channel is not None:
                yield self._long_part(chunk, channel, rows, at)

    def _channel(self, names: tuple[str, str], rows: int) -> Channel | None:
        point, register = self._points.get(names[0]), self._registers.get(names[1])
        if point is not None and register is not None:
            return point, register
        stranger = names[0] if point is None else f"{names[0]} register {names[1]}"
        if stranger in self.strangers or len(self.strangers) < STRANGERS_LIMIT:
            self.strangers[stranger] = self.strangers.get(stranger, 0) + rows
        return None

    def _long_part(self, chunk: Chunk, channel: Channel, rows: Array, at: Cells | None) -> Part:
        taken = chunk.data.take(pa.array(rows))
        times_ = _picked(at, rows) if at else self._times(taken.column(self.table.time_column), channel)
        column = taken.column("value")
        cells = numbers(column, f"{self.table.path}, column value")
        if "unit" in self.table.columns:
            cells = self._with_units(channel, cells, taken.column("unit"))
        else:
            cells = scaled(cells, self._own_scale(channel), cumulative=REGISTERS[channel[1]].cumulative)
        return self._accepted(channel, times_, cells, _Where(rows + chunk.first_row, "value", column))

    def _own_scale(self, channel: Channel) -> float:
        meter_input = self._inputs.get(channel)
        return base_scale(meter_input) if meter_input else 1.0

    def _with_units(self, channel: Channel, cells: Cells, column: Any) -> Cells:
        """Each row by its own unit; the input of the plan, if there is one, still gives the factor of its scale."""
        kind = REGISTERS[channel[1]]
        codes, names = _encoded(column)
        meter_input = self._inputs.get(channel)
        out = Cells(
            np.zeros(len(codes), np.int64 if kind.cumulative else np.float64), cells.good & False, cells.missing
        )
        for code, name in enumerate(names):
            mine = codes == code
            if name and (name not in UNITS or kind.unit not in UNITS[name][0]):
                reason = f"unit {name!r} does not fit a register in {kind.unit}"
                out.reasons |= {int(row): reason for row in np.flatnonzero(mine)[:SAMPLES_LIMIT]}
                continue
            scale = UNITS[name][1] * (meter_input.scale if meter_input else 1.0) if name else self._own_scale(channel)
            part = scaled(cells, scale, cumulative=kind.cumulative)
            out.values = np.where(mine, part.values, out.values)
            out.good = np.where(mine, part.good, out.good)
            out.reasons |= {row: reason for row, reason in part.reasons.items() if mine[row]}
        return out


def _reason(row: int, at: Cells, cells: Cells) -> str:
    return cells.reasons.get(row) or at.reasons.get(row) or ("no time" if at.missing[row] else "time refused")


@dataclass(frozen=True, slots=True)
class _Where:
    """Row numbers, name and text of a column, for messages."""

    rows: Array | range
    column: str
    cells: Any


def _picked(cells: Cells, rows: Array) -> Cells:
    reasons = {place: cells.reasons[row] for place, row in enumerate(rows.tolist()) if row in cells.reasons}
    return Cells(cells.values[rows], cells.good[rows], cells.missing[rows], reasons)


def _encoded(column: Any) -> tuple[Array, list[str]]:
    """A column of names as codes and the names they stand for; blanks around a name do not count."""
    import pyarrow.compute as pc

    trimmed = pc.fill_null(pc.utf8_trim_whitespace(plain_array(column).cast(pa.string())), "")
    encoded = trimmed.dictionary_encode()
    return np.asarray(encoded.indices).astype(np.int64), [str(name) for name in encoded.dictionary.to_pylist()]
