"""The mapping of a file as it is recognised: header, times, number style, registers or intervals, which column is what.

What can be read in two ways is not guessed: it becomes a `Question` with both readings, and the file is refused until the
mapping or an option answers it.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from meterd.adapters.sources.old_readings.column_names import Meaning, PointNames, unit_in
from meterd.adapters.sources.old_readings.grid import Grid, Texts
from meterd.adapters.sources.old_readings.mapping import (
    INTERVAL_VALUES,
    REGISTER_VALUES,
    ColumnRule,
    FileMapping,
    Remark,
)
from meterd.adapters.sources.old_readings.number_cells import NumberStyle, number_style, read_numbers
from meterd.adapters.sources.old_readings.time_cells import DMY, MDY, date_order, read_times
from meterd.core.errors import SourceError
from meterd.core.model.names import spelled
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS

SAMPLE_ROWS = 50_000  # by which a file is judged: 17 months of quarter hours, a month of minutes
NUMBER_ROWS = 5_000  # by which numbers are judged
FIRST_ROWS = 60  # among which the values begin
FALLS = 0.01  # part of the steps of a register that may fall: exchanges and resets, not a load that comes and goes
MOST_NAMES = 5_000  # different meters of a long file
_CLOCK = r"^\s*\d{1,2}:\d{2}(:\d{2})?([.,]\d+)?\s*([AaPp]\.?[Mm]\.?)?\s*$"


@dataclass(frozen=True, slots=True)
class Question:
    """What can be read in two ways: the key that decides, and both readings."""

    key: str
    text: str


@dataclass(frozen=True, slots=True)
class UnreadColumn:
    """A column that is not read, and why."""

    name: str
    why: str


@dataclass(slots=True)
class Proposal:
    """The mapping of a file, what must still be answered, and what is left out."""

    mapping: FileMapping
    questions: list[Question] = field(default_factory=list)
    unread: list[UnreadColumn] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Layout:
    """A grid with its header applied: titles of the columns, and where the values begin."""

    titles: tuple[str, ...]
    first: int  # index of the first row of values
    header: tuple[int, ...]  # row numbers

    def place(self, name: str) -> int | None:
        """The column of that title; None if there is none."""
        return self.titles.index(name) if name in self.titles else None


def layout_of(grid: Grid, mapping: FileMapping) -> Layout:
    """Titles by the header rows of the mapping, else by the rows before the first time. SourceError without a time."""
    if mapping.header:
        header = [int(np.searchsorted(grid.rows, row)) for row in mapping.header]
        first = max(header) + 1
    else:
        first = _first_values(grid)
        header = [row for row in range(first) if _is_header(grid, row, first)]
    titles = [_title([str(column[row]) for row in header if row < len(column)]) for column in grid.cells]
    seen: dict[str, int] = {}
    for place, title in enumerate(titles):
        seen[title] = seen.get(title, 0) + 1
        titles[place] = (title or f"column {place + 1}") + (f" ({seen[title]})" if title and seen[title] > 1 else "")
    return Layout(tuple(titles), first, tuple(int(grid.rows[row]) for row in header))


def _title(parts: Sequence[str]) -> str:
    return " ".join(" ".join(part.split()) for part in parts if part.strip())


def _first_values(grid: Grid) -> int:
    """The first row with a time, where the next row has one in the same column, and a number beside it."""
    for row in range(min(FIRST_ROWS, len(grid.rows))):
        timed = [place for place, column in enumerate(grid.cells) if _is_time(str(column[row]))]
        again = [place for place in timed if row + 1 == len(grid.rows) or _is_time(str(grid.cells[place][row + 1]))]
        if again and any(
            place not in timed and _has_digit(str(column[row])) for place, column in enumerate(grid.cells)
        ):
            return row
    shown = " | ".join(str(column[0]) for column in grid.cells[:6])[:100] if len(grid.rows) else ""
    what = f"cannot read {grid.name}: no row of the first {FIRST_ROWS} has a date; the first one is {shown!r}"
    raise SourceError(f"{what}; write dates like 31.12.2025 23:45 or 2025-12-31 23:45, or set time_unit")


def _is_time(cell: str) -> bool:
    if not _has_digit(cell):
        return False
    cells = np.array([cell], dtype=object)
    order = date_order(cells)
    return order is not None and any(
        read_times(cells, candidate).local.good[0] for candidate in (order.order, MDY) if candidate
    )


def _has_digit(cell: str) -> bool:
    return any(sign.isdigit() for sign in cell)


def _is_header(grid: Grid, row: int, first: int) -> bool:
    """Whether a row before the values has names: for half of the columns at least (others are remarks of the exporter)."""
    filled = sum(bool(str(column[row]).strip()) for column in grid.cells)
    return filled >= max(2, (grid.width + 1) // 2) or (row == first - 1 and filled > 0)


def propose(grid: Grid, site: Site, stated: FileMapping) -> Proposal:
    """The mapping of a file; what `told` says is taken as said. SourceError if there are no times or values at all."""
    if stated.time_unit and not stated.header:
        stated = replace(stated, header=(int(grid.rows[0]),))  # numbers in every row: only the first one can be names
    layout = layout_of(grid, stated)
    result = Proposal(replace(stated, header=layout.header))
    result.mapping = replace(
        result.mapping, encoding=stated.encoding or grid.encoding, sheet=stated.sheet or grid.sheet
    )
    result.mapping = replace(result.mapping, separator=stated.separator or grid.separator)
    _propose_time(grid, layout, result)
    names = PointNames(site)
    if not result.mapping.columns:
        if not result.mapping.is_long:
            _propose_long(grid, layout, names, result)
        _propose_columns(grid, layout, names, site=site, result=result)
    _propose_style(grid, layout, result)
    _propose_values(grid, layout, result)
    return result


def sample(grid: Grid, layout: Layout, column: int) -> Texts:
    """The first values of a column."""
    return grid.cells[column][layout.first : layout.first + SAMPLE_ROWS]


def _propose_time(grid: Grid, layout: Layout, result: Proposal) -> None:
    mapping = result.mapping
    time = mapping.time or _time_columns(grid, layout, mapping)
    for name in time:
        if layout.place(name) is None:
            raise SourceError(f"cannot read {grid.name}: no column {name!r} of times; it has {_listed(layout.titles)}")
    result.mapping = replace(mapping, time=time)
    if mapping.date_order or mapping.time_unit:
        return
    order = date_order(sample(grid, layout, layout.titles.index(time[0])))
    if order is None:
        raise SourceError(
            f"cannot read {grid.name}: column {time[0]!r} holds no dates; name the column of times (time)"
        )
    result.mapping = replace(result.mapping, date_order=order.order)
    if not order.order:
        first, second = order.readings
        text = f'{order.example} is {first} ("{DMY}") or {second} ("{MDY}")'
        result.questions.append(Question("date_order", text))


def _listed(titles: Sequence[str]) -> str:
    return ", ".join(repr(title) for title in titles[:12])


def _time_columns(grid: Grid, layout: Layout, mapping: FileMapping) -> tuple[str, ...]:
    cells = [str(column[layout.first]) for column in grid.cells]
    if mapping.time_unit:
        return (layout.titles[0],)
    place = next((place for place, cell in enumerate(cells) if _is_time(cell)), None)
    if place is None:
        raise SourceError(f"cannot read {grid.name}, row {grid.rows[layout.first]}: no column holds a date")
    following = place + 1
    if ":" not in cells[place] and following < len(cells):
        clock = read_clock(sample(grid, layout, following))
        if clock.all():
            return (layout.titles[place], layout.titles[following])
    return (layout.titles[place],)


def read_clock(texts: Texts) -> NDArray[np.bool_]:
    """Which cells are a time of day alone."""
    return np.asarray(pd.Series(texts[:1000], dtype=object).str.match(_CLOCK))


def _value_places(layout: Layout, mapping: FileMapping) -> list[int]:
    if mapping.is_long:
        return [layout.titles.index(mapping.value)] if mapping.value in layout.titles else []
    taken = {*mapping.time, mapping.meter, mapping.register, mapping.unit}
    named = {rule.name for rule in mapping.columns}
    return [p for p, title in enumerate(layout.titles) if title not in taken and (not named or title in named)]


def _is_empty(grid: Grid, layout: Layout, place: int) -> bool:
    """Whether a column without a title holds nothing, as behind a separator at the end of each row."""
    return layout.titles[place] == f"column {place + 1}" and not any(map(str.strip, sample(grid, layout, place)))


def _propose_style(grid: Grid, layout: Layout, result: Proposal) -> None:
    mapping = result.mapping
    if mapping.decimal:
        return
    texts = [
        sample(grid, layout, place)[:NUMBER_ROWS][~grid.is_typed(place)[layout.first :][:NUMBER_ROWS]]
        for place in _value_places(layout, mapping)
    ]
    style = number_style(np.concatenate(texts)) if texts else NumberStyle(".")
    if style.decimal:
        result.mapping = replace(mapping, decimal=style.decimal, thousands=mapping.thousands or style.thousands)
        return
    mark = "," if "," in style.example else "."
    plain = style.example.replace(mark, "")
    other = "," if mark == "." else "."
    text = f'{style.example} is {plain} (decimal = "{other}") or {style.example.replace(",", ".")} with a fraction'
    result.questions.append(Question("decimal", f'{text} (decimal = "{mark}")'))


# -- which column is what ----------------------------------------------------------------------------------------------

_METER_WORDS = (
    "meter",
    "zaehler",
    "point",
    "messstelle",
    "zaehlpunkt",
    "serial",
    "geraet",
    "device",
    "kanal",
    "channel",
)
_REGISTER_WORDS = ("register", "obis", "kennzahl", "kennziffer", "zaehlwerk")
_VALUE_WORDS = ("value", "wert", "stand", "reading", "messwert", "zaehlerstand", "verbrauch", "energy", "energie")
_UNIT_WORDS = ("unit", "einheit")


def _propose_long(grid: Grid, layout: Layout, names: PointNames, result: Proposal) -> None:
    """Take a file as long if a column holds names of points in its rows, and another one the values."""
    keys = {place: spelled(title) for place, title in enumerate(layout.titles) if title not in result.mapping.time}

    def by_words(tokens: Sequence[str], taken: set[int]) -> int | None:
        return next((p for p, key in keys.items() if p not in taken and any(word in key for word in tokens)), None)

    meter = _meter_column(grid, layout, names, keys)
    if meter is None:
        return
    register, taken = by_words(_REGISTER_WORDS, {meter}), {meter}
    taken |= {register} if register is not None else set()
    unit = by_words(_UNIT_WORDS, taken)
    taken |= {unit} if unit is not None else set()
    value = by_words(_VALUE_WORDS, taken)
    rest = [place for place in keys if place not in taken]
    value = rest[-1] if value is None and len(rest) == 1 else value
    if value is None:
        return
    title = layout.titles
    result.mapping = replace(
        result.mapping,
        meter=title[meter],
        value=title[value],
        register="" if register is None else title[register],
        unit="" if unit is None else title[unit],
    )


def _meter_column(grid: Grid, layout: Layout, names: PointNames, keys: dict[int, str]) -> int | None:
    for place, key in keys.items():
        texts = {str(text).strip() for text in sample(grid, layout, place)[:5000].tolist()} - {""}
        named = sum(len(names.meaning(text).points) == 1 for text in list(texts)[:200])
        tokens = any(word in key for word in _METER_WORDS)
        if texts and len(texts) <= MOST_NAMES and (named * 2 >= min(len(texts), 200) or (tokens and named)):
            return place
    return None


def row_names(grid: Grid, layout: Layout, mapping: FileMapping) -> Texts:
    """What each row of a long file is about: its meter, with its register behind it where a column names one."""
    places = [layout.titles.index(name) for name in (mapping.meter, mapping.register) if name]
    parts = [pd.Series(grid.cells[place][layout.first :], dtype=object) for place in places]
    whole = parts[0] if len(parts) == 1 else parts[0] + " " + parts[1]
    known = {name: " ".join(name.split()) for name in whole.unique()}
    return np.asarray(whole.map(known), dtype=object)


def _propose_columns(grid: Grid, layout: Layout, names: PointNames, *, site: Site, result: Proposal) -> None:
    mapping = result.mapping
    if mapping.is_long:
        written = dict.fromkeys(row_names(grid, layout, mapping).tolist())
        titles = [(name, f"{name} {mapping.value}") for name in written if name.strip()][:MOST_NAMES]
    else:
        places = [place for place in _value_places(layout, mapping) if not _is_empty(grid, layout, place)]
        titles = [(layout.titles[place], layout.titles[place]) for place in places]
    read = {(row.point, row.register) for row in site.inputs}
    rules: list[ColumnRule] = []
    for name, title in titles:
        meaning = names.meaning(title)
        why = _not_read(meaning, read, {(rule.point, rule.register): rule.name for rule in rules})
        if why:
            result.unread.append(UnreadColumn(name, why))
        else:
            unit = meaning.unit or ("" if mapping.is_long else _unit_in_cells(grid, layout, name))
            rules.append(ColumnRule(name, meaning.points[0], meaning.register, unit))
    result.mapping = replace(mapping, columns=tuple(rules))


def _unit_in_cells(grid: Grid, layout: Layout, title: str) -> str:
    """The unit that stands behind the numbers of a column, if all that have one have the same; else empty."""
    cells = sample(grid, layout, layout.titles.index(title))[:100].tolist()
    units = {unit_in(cell) for cell in cells if _has_digit(cell)} - {""}
    return units.pop() if len(units) == 1 else ""


def _not_read(meaning: Meaning, read: set[tuple[str, str]], taken: dict[tuple[str, str], str]) -> str:
    """Why a column is left out; empty if it is read."""
    if not meaning.points:
        return "no name of the plan is in its title"
    if len(meaning.points) > 1:
        return f"its title fits {' and '.join(meaning.points)}"
    point, register = meaning.points[0], meaning.register
    if not register:
        return f"of {point}, but in {meaning.unit}: no register"
    if not REGISTERS[register].cumulative:
        return f"{REGISTERS[register].name} of {point}: only energies are imported"
    if (point, register) not in read:
        return f"the plan reads no {register} of {point}"
    if (point, register) in taken:
        return f"{point} {register} is already read from {taken[point, register]!r}"
    return ""


# -- registers or intervals --------------------------------------------------------------------------------------------


def _propose_values(grid: Grid, layout: Layout, result: Proposal) -> None:
    mapping = result.mapping
    if not mapping.values and mapping.columns and mapping.decimal:
        rows = rows_of(row_names(grid, layout, mapping)[:SAMPLE_ROWS]) if mapping.is_long else {}
        values = [values_of(grid, layout, mapping, rule, rows) for rule in mapping.columns]
        rising = [_rises(some) for some in values]
        counts = [item for item in rising if item is not None]
        kind = REGISTER_VALUES if not counts or 2 * sum(counts) >= len(counts) else INTERVAL_VALUES
        result.mapping = mapping = replace(mapping, values=kind)
        if kind == REGISTER_VALUES:
            rules = tuple(_with_sign(rule, some) for rule, some in zip(mapping.columns, values, strict=True))
            result.mapping = mapping = replace(mapping, columns=rules)
    if mapping.values == INTERVAL_VALUES and not mapping.label:
        result.mapping = mapping = replace(mapping, label=_label_in(mapping.time[0]))
    if mapping.values == INTERVAL_VALUES and not mapping.label:
        place = layout.titles.index(mapping.time[0])
        shown = str(grid.cells[place][layout.first]).strip()
        if len(mapping.time) == 2:
            shown += " " + str(grid.cells[layout.titles.index(mapping.time[1])][layout.first]).strip()
        text = f'values are energies of intervals; {shown} is where the interval begins ("start") or ends ("end")'
        result.questions.append(Question("label", text))


_START_WORDS = {"from", "start", "begin", "beginn", "von", "ab", "anfang"}
_END_WORDS = {"until", "to", "end", "ende", "bis"}


def _label_in(title: str) -> str:
    """What the title of the times says of them: "start", "end", or nothing."""
    tokens = {spelled(word) for word in re.findall(r"\w+", title)}
    return "start" if tokens & _START_WORDS else "end" if tokens & _END_WORDS else ""


def _rises(values: NDArray[np.float64]) -> bool | None:
    """Whether the values of a rule only rise (or only fall, newest first); None if nothing changes."""
    steps = np.diff(values)
    up, down = int((steps > 0).sum()), int((steps < 0).sum())
    return None if not up + down else min(up, down) <= FALLS * (up + down)


def _with_sign(rule: ColumnRule, values: NDArray[np.float64]) -> ColumnRule:
    """The rule with sign -1 if all values are negative: a register that is shown as what goes out."""
    negative = len(values) > 1 and bool((values <= 0).all()) and bool((values < 0).any())
    return replace(rule, sign=-1) if negative else rule


def rows_of(names: Texts) -> dict[str, NDArray[np.int64]]:
    """The rows of each name, in their order."""
    codes, known = pd.factorize(names)
    order = np.argsort(codes, kind="stable")
    ends = np.searchsorted(codes[order], np.arange(len(known) + 1))
    return {str(name): order[ends[place] : ends[place + 1]] for place, name in enumerate(known)}


def values_of(
    grid: Grid, layout: Layout, mapping: FileMapping, rule: ColumnRule, rows: Mapping[str, NDArray[np.int64]]
) -> NDArray[np.float64]:
    """The first readable values of a rule, in the order of the file; `rows` are those of each meter of a long file."""
    title = mapping.value if mapping.is_long else rule.name
    place = layout.place(title)
    if place is None:
        return np.zeros(0)
    texts, typed = sample(grid, layout, place), grid.is_typed(place)[layout.first : layout.first + SAMPLE_ROWS]
    if mapping.is_long:
        mine = rows.get(rule.name, np.zeros(0, dtype=np.int64))
        texts, typed = texts[mine], typed[mine]
    texts, typed = texts[:NUMBER_ROWS], typed[:NUMBER_ROWS]
    style = NumberStyle(mapping.decimal, mapping.thousands)
    cells = read_numbers(texts, typed, style, rule.unit or unit_in(title))
    return np.asarray(cells.values[cells.good], dtype=np.float64)
