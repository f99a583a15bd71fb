"""Cells of a file as text, column by column, with the number of each row: CSV in any dress, workbooks, Parquet.

A cell that a workbook or Parquet holds as a number or a date is written in one way (point, ISO date) and remembered as
such, so that nobody takes its decimal point for a thousands separator.
"""

import codecs
import csv
import datetime as dt
import io
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from meterd.adapters.sources.old_readings.container import Content
from meterd.core.errors import SourceError

SEPARATORS = (";", "\t", "|", ",")  # in this order: a semicolon is there because the comma is a decimal sign
SAMPLE_ROWS = 200  # by which separator and width are judged
ENCODINGS = ("utf-8", "utf-16", "windows-1252", "iso-8859-1")
_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
csv.field_size_limit(1_000_000)

Texts = NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class OddRow:
    """A row that is left out whole: its number, why, and how it begins."""

    row: int
    reason: str
    shown: str


@dataclass(slots=True)
class Grid:
    """A table of texts. `rows` are numbers as an editor or spreadsheet shows them; `typed` marks numbers and dates."""

    name: str
    cells: list[Texts]  # by column
    rows: NDArray[np.int64]
    encoding: str = ""
    separator: str = ""
    sheet: str = ""
    others: tuple[str, ...] = ()  # other sheets that hold something
    odd: list[OddRow] = field(default_factory=list)
    short: dict[int, OddRow] = field(default_factory=dict)  # rows with fewer cells: titles may have, values may not
    typed: list[NDArray[np.bool_]] = field(default_factory=list)

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.cells)

    def is_typed(self, column: int) -> NDArray[np.bool_]:
        """Which cells of a column the file itself holds as number or date."""
        return self.typed[column] if self.typed else np.zeros(len(self.rows), dtype=bool)


def grid_of(content: Content, *, encoding: str = "", separator: str = "", sheet: str = "") -> Grid:
    """The cells of a file; what is not said is recognised. SourceError if it is no table."""
    if content.is_workbook:
        return _workbook(content, sheet)
    if content.is_parquet:
        return _parquet(content)
    return _text(content, encoding, separator)


def decoded(content: Content, encoding: str = "") -> tuple[str, str]:
    """The text of a file and its encoding. SourceError with the line where it does not fit."""
    data = content.data
    chosen = encoding or _encoding(data)
    if encoding.lower() in ("utf-8", "utf-16"):
        chosen = next((name for mark, name in _MARKS if data.startswith(mark)), chosen)
    try:
        return data.decode(chosen), chosen.removesuffix("-sig")
    except LookupError as exc:
        raise SourceError(f"unknown encoding {encoding!r}; known are {', '.join(ENCODINGS)}") from exc
    except UnicodeDecodeError as exc:
        line = data[: exc.start].count(b"\n") + 1
        shown = data[max(0, exc.start - 20) : exc.end].decode("latin-1").encode("unicode_escape").decode()
        what = f"cannot read {content.name}, row {line}: {shown!r} is not {chosen}"
        raise SourceError(f'{what}; try encoding = "windows-1252", or save the file as UTF-8') from exc


def _encoding(data: bytes) -> str:
    for mark, name in _MARKS:
        if data.startswith(mark):
            return name
    start = data[:4000]
    zeros = start[1::2].count(0), start[0::2].count(0)  # UTF-16 of European text has a zero in every second byte
    if max(zeros) > len(start) // 4:
        return "utf-16-le" if zeros[0] > zeros[1] else "utf-16-be"
    for name in ("utf-8", "windows-1252"):
        try:
            data.decode(name)
        except UnicodeDecodeError:
            continue
        return name
    return "iso-8859-1"


def _text(content: Content, encoding: str, separator: str) -> Grid:
    text, used = decoded(content, encoding)
    if "\0" in text:
        raise SourceError(f"cannot read {content.name}: it is no text; give CSV, a workbook (.xlsx, .ods) or Parquet")
    separator = separator or _separator(content.name, text)
    read = [(row, cells) for row, cells in _rows(content.name, text, separator) if any(map(str.strip, cells))]
    if not read:
        raise SourceError(f"cannot read {content.name}: the file has no row")
    width = _width(cells for _, cells in read[-SAMPLE_ROWS:])
    accepted, odd, short = [], [], {}
    for row, cells in read:
        wrong = OddRow(row, f"{len(cells)} cells where the other rows have {width}", separator.join(cells)[:100])
        if _filled(cells) > width:
            odd.append(wrong)
            continue
        if len(cells) < width:
            short[row] = wrong
        accepted.append((row, (*cells[:width], *[""] * (width - len(cells)))))
    rows = np.array([row for row, _ in accepted], dtype=np.int64)
    columns = _columns([cells for _, cells in accepted], width)
    return Grid(content.name, columns, rows, used, separator, odd=odd, short=short)


def _filled(cells: Sequence[str]) -> int:
    """Number of cells up to the last one that is not empty."""
    return max((place for place, cell in enumerate(cells, 1) if cell.strip()), default=0)


def _rows(name: str, text: str, separator: str, *, strict: bool = True) -> Iterator[tuple[int, list[str]]]:
    # not strict, an open quotation mark would swallow all rows behind it
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=strict)
    try:
        for cells in reader:
            yield reader.line_num, cells
    except csv.Error as exc:
        what = f"cannot read {name}, row {reader.line_num} or before: a cell in quotation marks does not end"
        raise SourceError(f"{what}; close the mark, or write a mark inside a cell twice") from exc


def _separator(name: str, text: str) -> str:
    """The separator that splits the most rows into the same number of cells, two at least."""
    end = 0
    for _ in range(SAMPLE_ROWS):
        end = text.find("\n", end) + 1
        if not end:
            break
    sample = text[:end] if end else text
    for separator in SEPARATORS:
        counts = Counter(len(cells) for _, cells in _rows(name, sample, separator, strict=False) if len(cells) > 1)
        if counts and 2 * max(counts.values()) >= max(1, sample.count("\n")):
            return separator
    raise SourceError(f"cannot read {name}: no separator is recognised; its rows have one cell each")


def _width(rows: Iterable[Sequence[str]]) -> int:
    """The number of cells most rows have."""
    return Counter(len(cells) for cells in rows).most_common(1)[0][0]


def _columns(rows: Sequence[Sequence[str]], width: int) -> list[Texts]:
    table = np.array(rows, dtype=object).reshape(len(rows), width)
    return [np.ascontiguousarray(table[:, column]) for column in range(width)]


# -- workbooks and Parquet ---------------------------------------------------------------------------------------------


def _workbook(content: Content, wanted: str) -> Grid:
    try:
        sheets = pd.read_excel(
            io.BytesIO(content.data), engine="calamine", header=None, sheet_name=None, dtype=object, na_filter=False
        )
    except Exception as exc:  # whatever the library stumbles over, the file is no sound workbook
        raise SourceError(
            f"cannot read {content.name}: it is no workbook, or a damaged one; save it as .xlsx or CSV"
        ) from exc
    full = {str(name): frame for name, frame in sheets.items() if frame.shape[0] > 1 and frame.shape[1] > 1}
    if wanted and wanted not in full:
        raise SourceError(f"cannot read {content.name}: no sheet {wanted!r} with a table; it has {_list(full)}")
    if not full:
        raise SourceError(f"cannot read {content.name}: no sheet holds a table")
    name = wanted or max(full, key=lambda key: len(full[key]))
    return _of_frame(content.name, full[name], name, others=tuple(other for other in full if other != name))


def _list(names: Iterable[str]) -> str:
    return ", ".join(repr(name) for name in names) or "none"


def _of_frame(name: str, frame: pd.DataFrame, sheet: str, *, others: tuple[str, ...], first_row: int = 1) -> Grid:
    cells, typed = [], []
    for column in frame.columns:
        values = frame[column].tolist()
        cells.append(np.array([_as_text(value) for value in values], dtype=object))
        typed.append(np.array([not isinstance(value, str) for value in values], dtype=bool))
    rows = np.arange(first_row, first_row + len(frame), dtype=np.int64)
    used = np.zeros(len(frame), dtype=bool)
    for column_cells in cells:
        used |= column_cells != ""
    cells, typed = [column_cells[used] for column_cells in cells], [marks[used] for marks in typed]
    return Grid(name, cells, rows[used], sheet=sheet, others=others, typed=typed)


def _as_text(value: object) -> str:
    """A typed cell as text: numbers with a point, dates by ISO 8601."""
    if isinstance(value, str):
        return value
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, pd.Timestamp | dt.datetime):
        moment = value + dt.timedelta(microseconds=500)  # a workbook counts days: 07:15 may be 07:14:59.9999
        moment = moment.replace(microsecond=moment.microsecond // 1000 * 1000)
        return moment.isoformat(sep=" ")
    if isinstance(value, float):
        return f"{value:.0f}" if value.is_integer() and abs(value) < 2**53 else repr(value)
    return str(value)


def _parquet(content: Content) -> Grid:
    try:
        frame = pd.read_parquet(io.BytesIO(content.data))
    except Exception as exc:  # whatever the library stumbles over, the file is no sound Parquet
        raise SourceError(f"cannot read {content.name}: the Parquet file is damaged; copy or export it again") from exc
    frame = frame.reset_index() if frame.index.name else frame
    grid = _of_frame(content.name, frame.astype(object), "", others=(), first_row=2)
    for place, name in enumerate(frame.columns):
        grid.cells[place] = np.concatenate([np.array([str(name)], dtype=object), grid.cells[place]])
        grid.typed[place] = np.concatenate([[False], grid.typed[place]])
    grid.rows = np.concatenate([[1], grid.rows])
    return grid
