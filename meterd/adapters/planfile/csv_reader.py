"""Spreadsheet text (CSV) as rows with places."""

import csv
import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import accumulate

from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.name_rules import SECRET_RULE, instead, is_secret, nearest
from meterd.adapters.planfile.row import Cell, Row


def read_csv_file(text: str, name: str, columns: Iterable[str], notes: Notes) -> list[Row]:
    """Rows of a CSV text: comma, semicolon or tab, LF or CRLF, quotes after RFC 4180, `#` lines are comments.

    The first line that is not a comment names the columns; unknown and doubled ones are noted. Empty cells are left
    out.
    """
    known = tuple(columns)
    records = _records(text, name, notes)
    if not records:
        notes.fault(Place(name, 1, 1), "the file has no line with the names of the columns", f"write {','.join(known)}")
        return []
    header, *rows = records
    if not any(cell.lower() in known or nearest(cell.lower(), known) for cell in header.cells):
        what = f"the line with the names of the columns is missing; the first one begins with {header.cells[0][:40]!r}"
        notes.fault(header.place, what, f"write {','.join(known)} above it, or some of these")
        return []
    names = _header(header, known, notes)
    return [row for row in (_row(names, record, notes) for record in rows) if row is not None]


_HINT = re.compile(r'"?sep=([,;\t]?)"?', re.IGNORECASE)  # the first line some spreadsheets write or want


@dataclass(frozen=True, slots=True)
class _Record:
    cells: tuple[str, ...]
    places: tuple[Place, ...]
    place: Place

    def at(self, index: int) -> Place:
        return self.places[index] if index < len(self.places) else self.place


class _Lines:
    """Lines for the csv module; comments between records are given as blank lines, so that line numbers stay."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines
        self.at = 0
        self.between = True  # set before each record; a line inside a quoted cell is never a comment

    def __iter__(self) -> "_Lines":
        return self

    def __next__(self) -> str:
        if self.at >= len(self.lines):
            raise StopIteration
        line = self.lines[self.at]
        self.at += 1
        if self.between and is_comment(line):
            line = ""
        self.between = False
        return line + "\n"


def is_comment(line: str) -> bool:
    """Whether a line between records is a comment."""
    return line.lstrip(" \t\"'").startswith("#")


def _records(text: str, name: str, notes: Notes) -> list[_Record]:
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    delimiter = delimiter_of(lines)
    source = _Lines(lines)
    reader = csv.reader(source, delimiter=delimiter, strict=True)
    records: list[_Record] = []
    while True:
        before = source.at
        source.between = True
        try:
            cells = next(reader)
        except StopIteration:
            return records
        except csv.Error as error:
            notes.fault(
                Place(name, before + 1), f"cannot split the row into cells: {error}", 'double a quote inside quotes: ""'
            )
            continue
        if any(cell.strip() for cell in cells) and not (before == 0 and _HINT.fullmatch(lines[0])):
            row = Place(name, before + 1, 1)
            places = _cell_places("\n".join(lines[before : source.at]), delimiter, row, len(cells))
            records.append(_Record(tuple(cell.strip() for cell in cells), places, row))


def is_hint(line: str) -> bool:
    """Whether the first line only tells a spreadsheet the separator."""
    return _HINT.fullmatch(line) is not None


def delimiter_of(lines: list[str]) -> str:
    """The separator of the CSV file: by hint, or the most frequent one in the line that names the columns."""
    hint = _HINT.fullmatch(lines[0])
    if hint is not None and hint[1]:
        return hint[1]
    header = next((line for line in lines if line.strip() and not is_comment(line)), "")
    return max(",;\t", key=header.count)


def _cell_places(raw: str, delimiter: str, row: Place, count: int) -> tuple[Place, ...]:
    assert row.line is not None, "a row of a sheet has a line"
    if '"' not in raw:
        starts = accumulate((len(cell) + 1 for cell in raw.split(delimiter)[: count - 1]), initial=1)
        return tuple(Place(row.file, row.line, at) for at in starts)
    cell = re.compile(rf'[ \t]*"(?:[^"]|"")*"[^{delimiter}]*|[^{delimiter}]*')
    places: list[Place] = []
    at = 0
    while at <= len(raw) and len(places) < count:
        before = raw[:at]
        places.append(Place(row.file, row.line + before.count("\n"), at - (before.rfind("\n") + 1) + 1))
        match = cell.match(raw, at)
        at = match.end() + 1 if match else len(raw) + 1
    return tuple(places)


def _header(header: _Record, known: tuple[str, ...], notes: Notes) -> tuple[str | None, ...]:
    names: list[str | None] = []
    cells = [cell.lower() for cell in header.cells]
    for index, cell in enumerate(header.cells):
        column = cell.lower()
        place = header.at(index)
        if not column:
            names.append(None)
        elif is_secret(column):
            notes.fault(place, f"{column} in the plan", SECRET_RULE)
            names.append("")
        elif column not in known:
            notes.fault(place, f"unknown column {cell[:60]!r}", instead(column, known))
            # the cells are taken for what was meant, so that no row is said to lack them
            near = nearest(column, known)
            names.append(near if near and near not in (*cells, *names) else "")
        elif column in names:
            notes.fault(place, f"column {column} appears twice", "keep one of the two")
            names.append("")
        else:
            names.append(column)
    return tuple(names)


def _row(names: tuple[str | None, ...], record: _Record, notes: Notes) -> Row | None:
    values: dict[str, object] = {}
    places: dict[str, Place] = {}
    for index, cell in enumerate(record.cells):
        column = names[index] if index < len(names) else None
        if column:
            places[column] = record.at(index)
        if not cell or column == "":
            continue
        if column is None:
            what = f"the row has {len(record.cells)} cells, the first line names {sum(n is not None for n in names)}"
            right = "put a cell that holds the separator in quotes, write 12.5 and not 12,5, or name the column"
            notes.fault(record.at(index), what, right)
            return None
        values[column] = Cell(cell)
    return Row(values, record.place, places)
