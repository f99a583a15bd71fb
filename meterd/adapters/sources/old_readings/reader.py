"""A file of old readings with its mapping, to parts of registers; what cannot be read is listed with row, column and value."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from meterd.adapters.sources import sample
from meterd.adapters.sources.files.cells import Cells, scaled
from meterd.adapters.sources.files.columns import Part
from meterd.adapters.sources.old_readings.column_names import unit_in
from meterd.adapters.sources.old_readings.container import contents
from meterd.adapters.sources.old_readings.grid import Grid, grid_of
from meterd.adapters.sources.old_readings.interval_line import Spans, register_of, spans_of, usual_step_ms
from meterd.adapters.sources.old_readings.mapping import INTERVAL_VALUES, ColumnRule, FileMapping
from meterd.adapters.sources.old_readings.number_cells import NumberStyle, read_numbers
from meterd.adapters.sources.old_readings.proposal import Layout, Proposal, layout_of, propose, row_names, rows_of
from meterd.adapters.sources.old_readings.time_cells import Moments, in_utc, read_times
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import Input, Site, base_scale
from meterd.core.model.reading import UNITS, LeftOut

MOST_LISTED = 1_000_000  # left-out cells that are listed; the rest is counted


@dataclass(frozen=True, slots=True)
class OpenedFile:
    """A file with the mapping it is read by."""

    grid: Grid
    layout: Layout
    proposal: Proposal

    @property
    def mapping(self) -> FileMapping:
        """The mapping, complete."""
        return self.proposal.mapping


@dataclass(slots=True)
class ReadFile:
    """What a file holds: parts, and everything left out."""

    parts: list[Part] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)

    def leave_out(self, cell: LeftOut) -> None:
        """List a cell, within the limit."""
        if len(self.left_out) < MOST_LISTED:
            self.left_out.append(cell)


def open_files(path: Path, site: Site, stated: FileMapping) -> list[OpenedFile]:
    """The tables of a file with their mappings: what `told` says, the rest as recognised."""
    results = []
    for content in contents(path):
        grid = grid_of(content, encoding=stated.encoding, separator=stated.separator, sheet=stated.sheet)
        if not len(grid.rows):
            raise SourceError(f"cannot read {content.name}: the file has no row")
        proposal = propose(grid, site, stated)
        results.append(OpenedFile(grid, layout_of(grid, proposal.mapping), proposal))
    return results


def read_file(file: OpenedFile, site: Site) -> ReadFile:
    """All registers of a file. ConfigError while a question is open; SourceError for a file whose columns are others."""
    _refuse_questions(file)
    result = ReadFile()
    for odd in file.grid.odd:
        result.leave_out(LeftOut(Path(file.grid.name).name, odd.row, "", sample(odd.shown), odd.reason))
    at = _times(file, site)
    for rows, rule in _series(file):
        _read_series(file, site, rule, rows=rows, at=at, result=result)
    return result


def _refuse_questions(file: OpenedFile) -> None:
    questions = file.proposal.questions
    if not questions:
        return
    lines = [f"{file.grid.name}: {question.text}; say which: --set {question.key}=..." for question in questions]
    raise ConfigError("\n".join([*lines, "or write it into the mapping file, which `meterd columns` proposes"]))


class _Times:
    """The times of all rows of a file; the zone is applied to each series in its own order."""

    def __init__(self, moments: Moments, zone: ZoneInfo) -> None:
        self.zone = zone
        self._moments = moments
        self._all: Cells | None = None

    def of(self, rows: NDArray[np.int64]) -> Cells:
        """Times of some rows in UTC, those of all rows only once."""
        if len(rows) < len(self._moments.offset_ms):
            return in_utc(self._moments.picked(rows), self.zone)
        self._all = self._all or in_utc(self._moments, self.zone)
        return self._all


def _times(file: OpenedFile, site: Site) -> _Times:
    mapping, layout = file.mapping, file.layout
    columns = [file.grid.cells[_place(file, name)][layout.first :] for name in mapping.time]
    texts = columns[0]
    if len(columns) == 2:
        # a workbook gives a day as midnight
        days = [str(day).removesuffix(" 00:00:00") for day in columns[0]]
        texts = np.array([f"{day} {clock}" for day, clock in zip(days, columns[1], strict=True)], dtype=object)
    moments = read_times(texts, mapping.date_order, mapping.time_unit)
    return _Times(moments, ZoneInfo(mapping.zone or site.zone))


def _place(file: OpenedFile, name: str) -> int:
    place = file.layout.place(name)
    if place is None:
        shown = ", ".join(repr(title) for title in file.layout.titles[:12])
        raise SourceError(f"cannot read {file.grid.name}: no column {name!r}; it has {shown}")
    return place


def _series(file: OpenedFile) -> Iterator[tuple[NDArray[np.int64], ColumnRule]]:
    """The rows of each rule, in the order of the file."""
    count = len(file.grid.rows) - file.layout.first
    if not file.mapping.is_long:
        for rule in file.mapping.columns:
            yield np.arange(count), rule
        return
    rows = rows_of(row_names(file.grid, file.layout, file.mapping))
    for rule in file.mapping.columns:
        if rule.name in rows:
            yield rows[rule.name], rule


def _read_series(
    file: OpenedFile, site: Site, rule: ColumnRule, *, rows: NDArray[np.int64], at: _Times, result: ReadFile
) -> None:
    mapping = file.mapping
    title = mapping.value if mapping.is_long else rule.name
    place = _place(file, title)
    texts = file.grid.cells[place][file.layout.first :][rows]
    typed = file.grid.is_typed(place)[file.layout.first :][rows]
    unit = rule.unit or unit_in(title)
    style = NumberStyle(mapping.decimal, mapping.thousands)
    cells = scaled(read_numbers(texts, typed, style, unit), _scale(site, rule, unit) * rule.sign, cumulative=True)
    moments = at.of(rows)
    numbers = file.grid.rows[file.layout.first :][rows]
    good = cells.good & moments.good & ~_short(file, numbers)
    if mapping.values == INTERVAL_VALUES:
        good &= cells.values >= 0
    series = _Series(file, rule, title, numbers, texts)
    for row in np.flatnonzero(~good & ~(cells.missing & moments.good)).tolist():
        result.leave_out(series.left_out(row, series.reason(row, cells, moments)))
    times, values = moments.values[good], cells.values[good]
    if mapping.values == INTERVAL_VALUES:
        times, values = _from_intervals(
            series, site, np.flatnonzero(good), column=(times, values), zone=at.zone, result=result
        )
    result.parts.append(Part((rule.point, rule.register), times, values))


def _short(file: OpenedFile, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
    return np.isin(numbers, list(file.grid.short)) if file.grid.short else np.zeros(len(numbers), dtype=bool)


def _scale(site: Site, rule: ColumnRule, unit: str) -> float:
    """Factor to the base unit: of the unit that is named; without one unit and scale of the plan's input."""
    channel = (rule.point, rule.register)
    row = next((row for row in site.inputs if (row.point, row.register) == channel), Input(*channel, "", ""))
    if not unit:
        return base_scale(row)
    if (row.unit == "imp") != (unit == "imp"):
        what = f"column {rule.name!r} is in {unit}, and the plan reads {rule.point} in {row.unit}"
        raise ConfigError(
            f"{what}; pulses and energies are not converted: give the instrument of that time its own input"
        )
    return UNITS[unit][1]


@dataclass(frozen=True, slots=True)
class _Series:
    """One register of a file, for messages."""

    file: OpenedFile
    rule: ColumnRule
    title: str
    rows: NDArray[np.int64]
    texts: NDArray[np.object_]

    def left_out(self, row: int, reason: str) -> LeftOut:
        """The cell of a row, left out."""
        shown = sample(str(self.texts[row]))
        return LeftOut(
            Path(self.file.grid.name).name,
            int(self.rows[row]),
            self.title,
            shown,
            reason,
            self.rule.point,
            self.rule.register,
        )

    def reason(self, row: int, cells: Cells, moments: Cells) -> str:
        """Why the cell of a row is not read."""
        short = self.file.grid.short.get(int(self.rows[row]))
        if short is not None:
            return short.reason
        if not moments.good[row]:
            return "no time" if moments.missing[row] else f"time: {moments.reasons.get(row, 'not readable')}"
        return cells.reasons.get(row) or "an energy of an interval below zero; export has its own column"


def _from_intervals(
    series: _Series,
    site: Site,
    places: NDArray[np.int64],
    *,
    column: tuple[NDArray[np.int64], NDArray[np.int64]],
    zone: ZoneInfo,
    result: ReadFile,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    mapping, (times, energies) = series.file.mapping, column
    order = np.argsort(times, kind="stable")
    times, energies, places = times[order], energies[order], places[order]
    step_ms = mapping.interval_s * 1000 or usual_step_ms(times)
    if not step_ms:
        if len(times):
            what = f"{series.file.grid.name}, column {series.title!r}: the length of the only interval is not known"
            raise ConfigError(f"{what}; say --set interval_s=900 for a quarter hour")
        return times, energies
    spans = spans_of(times, step_ms, mapping.label, zone)
    overlaps = (
        np.concatenate([[False], spans.start_ms[1:] < spans.end_ms[:-1]]) if len(times) else np.zeros(0, dtype=bool)
    )
    for row in places[overlaps].tolist():
        result.leave_out(series.left_out(row, "its interval overlaps the one before; one of them is given twice"))
    free = Spans(spans.start_ms[~overlaps], spans.end_ms[~overlaps])
    return register_of(free, energies[~overlaps], *_jump(site, series.rule.point, free))


def _jump(site: Site, point: str, spans: Spans) -> tuple[int, int | None]:
    """An advance in milli-units that no feeder makes across the longest hole, and where the register begins again."""
    largest = max((row.register_max_wh for row in site.instruments_of(point) if row.register_max_wh), default=None)
    capacity = None if largest is None else round(largest * 1000)
    longest_ms = int(np.max(spans.start_ms[1:] - spans.end_ms[:-1], initial=0))
    board = max((row.nominal_v for row in site.boards), default=400.0)
    rating = max((row.rating_a or 0.0 for row in site.points), default=0.0)
    power_w = max(site.limits.point_max_w, math.sqrt(3) * board * rating)
    return (capacity // 2 if capacity else math.ceil(4 * power_w * longest_ms / 3600) + 1_000_000), capacity
