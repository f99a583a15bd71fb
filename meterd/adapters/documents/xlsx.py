"""A `Document` as a workbook: a worksheet of texts and facts, then one worksheet for each table. Numbers stay numbers."""

import io
import math
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from xlsxwriter.format import Format
from xlsxwriter.utility import xl_range
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from meterd.adapters.documents.column_widths import whole_width
from meterd.adapters.documents.fonts import BOLD, PLAIN, printable
from meterd.adapters.documents.model import (
    Bars,
    Cell,
    Column,
    Course,
    Document,
    Facts,
    Heading,
    HoursMap,
    Moment,
    Number,
    Sign,
    Table,
    Text,
)
from meterd.core.energy.load_profile import HOURS
from meterd.core.model.periods import from_ms

CREATED = datetime(2000, 1, 1, tzinfo=UTC)  # no clock in a document; the file format wants some date
LONGEST_NAME = 31  # of a worksheet
TONES = {"type": "2_color_scale", "min_color": "#E8F0F5", "max_color": "#2F72A0"}  # of a table of hours by days
DATES = {"en": "yyyy-mm-dd", "de": "dd.mm.yyyy"}  # as on paper
MM_PER_CHARACTER = 1.9  # of the default font
NARROWEST = 9.0  # characters
FIRST_WIDTHS = (42.0, 60.0)  # of the worksheet of texts and facts
LINE = 15.0  # height of a line in points
LABELS = 10  # below a line of many hours
BESIDE = " beside"  # behind the pattern of a time: there are numbers in the column before it
BOLD_PART = 0.88  # of the characters of a line, when they are bold


def workbook(document: Document) -> bytes:
    """The bytes of the workbook."""
    out = io.BytesIO()
    workbook = Workbook(out, {"in_memory": True, "default_date_format": f"{DATES[document.lang]} hh:mm"})
    workbook.set_properties(
        {"title": document.title, "subject": document.subject, "created": CREATED.replace(tzinfo=None)}
    )
    _Writer(workbook, document).write()
    workbook.close()
    return out.getvalue()


class _Writer:
    """Writes one document into one open workbook."""

    def __init__(self, workbook: Workbook, document: Document) -> None:
        self._workbook, self._document, self._zone = workbook, document, ZoneInfo(document.zone)
        self._date = DATES[document.lang]
        self._formats: dict[tuple[str, bool], Format] = {}
        self._names: set[str] = set()

    def write(self) -> None:
        """All worksheets."""
        tables = list(self._tables())
        subject = self._named(self._document.subject)
        names = [self._named(table.name) for table, _ in tables]
        self._first(subject, iter(names))
        for name, (table, form) in zip(names, tables, strict=True):
            sheet = self._table(name, table)
            if form == TONES:
                sheet.conditional_format(1, 1, len(table.rows), len(table.columns) - 1, TONES)
            elif form is not None:
                self._chart(sheet, table, form)

    def _tables(self) -> Iterator[tuple[Table, dict[str, str] | None]]:
        """The tables in their order, with the kind of chart that is drawn of one, or the tones of its cells."""
        for block in self._document.blocks:
            if isinstance(block, Table):
                yield block, None
            elif isinstance(block, Bars):
                yield _of_bars(block), {"type": "column"}
            elif isinstance(block, Course):
                stacked = {"type": "column", "subtype": "stacked"}
                yield _of_course(block), stacked if block.form == "stacked" else {"type": "line"}
            elif isinstance(block, HoursMap):
                yield _of_hours(block), TONES

    def _chart(self, sheet: Worksheet, table: Table, form: dict[str, str]) -> None:
        """A chart of the columns behind the first one, beside the table."""
        count, name = len(table.rows), sheet.get_name()
        drawn = self._workbook.add_chart(form)
        if drawn is None or not count:
            return
        for j in range(1, len(table.columns)):
            drawn.add_series(
                {"name": [name, 0, j], "categories": [name, 1, 0, count, 0], "values": [name, 1, j, count, j],
                 "gap": 30, "line": {"width": 1.25} if form["type"] == "line" else {"none": True}}
            )  # fmt: skip
        drawn.set_title({"name": table.name})
        drawn.set_legend({"position": "bottom"})
        drawn.set_size({"width": 960, "height": 420})
        if isinstance(table.rows[0][0], Moment) and form["type"] == "line":
            # an axis of dates has one place for each day, and would draw its hours above one another
            each = max(1, count // LABELS)
            drawn.set_x_axis(
                {"text_axis": True, "num_format": self._date, "interval_unit": each, "interval_tick": each}
            )
        elif isinstance(table.rows[0][0], Moment):
            drawn.set_x_axis({"date_axis": True, "num_format": self._date})
        sheet.insert_chart(1, len(table.columns) + 1, drawn)

    def _format(self, kind: str, *, bold: bool = False) -> Format:
        key = (kind, bold)
        if key not in self._formats:
            looks: dict[str, object] = {"valign": "top", "bold": bold}
            if kind.startswith("heading"):
                looks |= {
                    "bold": True,
                    "text_wrap": True,
                    "bottom": 1,
                    "align": "right" if kind.endswith("right") else "left",
                }
                looks |= {"indent": 1} if kind.endswith("beside") else {}
            elif kind == "title":
                looks |= {"bold": True, "font_size": 14}
            elif kind == "text":
                looks |= {"text_wrap": True}
            elif kind == "beside":  # text beside numbers that lean to it
                looks |= {"text_wrap": True, "align": "left", "indent": 1}
            elif kind == "link":
                looks |= {"underline": 1}
            elif kind.startswith(self._date):  # a time begins below its heading, and touches no number before it
                after = kind.endswith(BESIDE)
                looks |= {"num_format": kind.removesuffix(BESIDE), "align": "left"} | ({"indent": 1} if after else {})
            else:
                looks |= {"num_format": kind}
            self._formats[key] = self._workbook.add_format(looks)
        return self._formats[key]

    def _named(self, wanted: str) -> str:
        """The name of a worksheet that no other one has."""
        plain = re.sub(r"[\[\]:*?/\\']", " ", wanted).strip()[:LONGEST_NAME]
        name, count = plain, 2
        while name.casefold() in self._names:
            name, count = f"{plain[: LONGEST_NAME - 4]} {count}", count + 1
        self._names.add(name.casefold())
        return name

    def _first(self, name: str, tables: Iterator[str]) -> None:
        """Texts and facts; where a table or a chart stands on paper, the name of its worksheet leads there."""
        document = self._document
        sheet, row = self._workbook.add_worksheet(name), 0
        for j, width in enumerate(FIRST_WIDTHS):
            sheet.set_column(j, j, width)
        sheet.write_string(row, 0, document.title, self._format("title"))
        for block in document.blocks:
            row += 1
            if isinstance(block, Heading):
                self._across(sheet, row, block.text, bold=True)
            elif isinstance(block, Text):
                self._across(sheet, row, block.text)
            elif isinstance(block, Facts):
                for word, value in block.pairs:
                    sheet.write_string(row, 0, word, self._format("text"))
                    self._cell(sheet, row, 1, value)
                    _high(sheet, row, [(word, FIRST_WIDTHS[0]), (value, FIRST_WIDTHS[1])])
                    row += 1
            elif isinstance(block, Sign):
                for role in block.roles:
                    sheet.write_string(row, 0, f"{role}: {', '.join(block.words)}", self._format("text"))
                    row += 1
            else:
                other = next(tables)
                sheet.write_url(row, 0, f"internal:'{other}'!A1", self._format("link"), f"→ {other}")
        self._across(sheet, row + 2, document.foot)
        sheet.fit_to_pages(1, 0)
        sheet.set_footer("&C&P / &N")

    def _across(self, sheet: Worksheet, row: int, text: str, *, bold: bool = False) -> None:
        """A text over both columns of the first worksheet."""
        sheet.merge_range(row, 0, row, 1, "", self._format("text", bold=bold))
        sheet.write_string(row, 0, text, self._format("text", bold=bold))
        _high(sheet, row, [(text, sum(FIRST_WIDTHS))], bold=bold)

    def _table(self, name: str, table: Table) -> Worksheet:
        sheet = self._workbook.add_worksheet(name)
        widths = [_wide(table, j) for j in range(len(table.columns))]
        for j, (column, width) in enumerate(zip(table.columns, widths, strict=True)):
            sheet.set_column(j, j, width)
            sheet.write_string(0, j, column.heading, self._format(f"heading {_heading_kind(table, j)}"))
        _high(
            sheet, 0, [(column.heading, width) for column, width in zip(table.columns, widths, strict=True)], bold=True
        )
        first_sum = len(table.rows) - table.sums
        for i, cells in enumerate(table.rows):
            for j, cell in enumerate(cells):
                if i == first_sum and isinstance(cell, Number) and _adds_up(table, j, cell):
                    total = f"=SUM({xl_range(1, j, first_sum, j)})"
                    sheet.write_formula(i + 1, j, total, self._format(_pattern(cell), bold=True), cell.value)
                else:
                    self._cell(sheet, i + 1, j, cell, bold=i >= first_sum, kind=_text_kind(table, j))
            _high(sheet, i + 1, list(zip(cells, widths, strict=True)), bold=i >= first_sum)
        sheet.freeze_panes(1, 1)
        sheet.repeat_rows(0)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.set_footer("&C&P / &N")
        if first_sum > 1:
            sheet.autofilter(0, 0, first_sum, len(table.columns) - 1)
        return sheet

    def _cell(
        self, sheet: Worksheet, row: int, column: int, cell: Cell, *, bold: bool = False, kind: str = "text"
    ) -> None:
        if isinstance(cell, Number):
            sheet.write_number(row, column, cell.value, self._format(_pattern(cell), bold=bold))
        elif isinstance(cell, Moment):
            local = from_ms(cell.ms).astimezone(self._zone).replace(tzinfo=None)
            pattern = (self._date if cell.date_only else f"{self._date} hh:mm") + (BESIDE if kind == "beside" else "")
            sheet.write_datetime(row, column, local, self._format(pattern, bold=bold))
        else:
            sheet.write_string(row, column, cell, self._format(kind, bold=bold))


def _heading_kind(table: Table, j: int) -> str:
    """A heading leans to the side of its cells."""
    return "right" if table.columns[j].side == "right" else _text_kind(table, j)


def _wide(table: Table, j: int) -> float:
    """The width of a column in characters: as on paper, but no number, no time and no word of its heading is cut."""
    column = table.columns[j]
    parts = max((len(word) for word in column.heading.split()), default=0) / BOLD_PART + 1
    values = [_characters(row[j]) + 2 for row in table.rows]
    return max(NARROWEST, column.width_mm / MM_PER_CHARACTER, parts, *values)


def _characters(cell: Cell) -> int:
    """How many a number or a time takes; a text may be broken."""
    if isinstance(cell, Moment):
        return len("2026-03-01") if cell.date_only else len("2026-03-01 00:00")
    if isinstance(cell, Number):
        return len(f"{cell.value:,.{cell.decimals}f}") + (1 + len(cell.unit) if cell.unit else 0)
    return 0


def _text_kind(table: Table, j: int) -> str:
    """How texts of a column look: with a gap where numbers lean to them."""
    numbers = j > 0 and (
        table.columns[j - 1].side == "right" or any(isinstance(row[j - 1], Number) for row in table.rows)
    )
    return "beside" if numbers and table.columns[j].side == "left" else "text"


def _high(sheet: Worksheet, row: int, cells: Sequence[tuple[Cell, float]], *, bold: bool = False) -> None:
    """A row as high as its longest text in a column of so many characters: not every program does that by itself."""
    lines = max((_lines(cell, width, bold=bold) for cell, width in cells if isinstance(cell, str)), default=1)
    if lines > 1:
        sheet.set_row(row, LINE * lines)


def _lines(text: str, width: float, *, bold: bool = False) -> int:
    """How many lines a text takes in a column of so many digits, broken between words.

    Most letters are narrower than a digit. They are measured in the letters of the PDF: those of a spreadsheet differ from
    program to program, but hardly in their width against a digit.

    >>> _lines("one two three", 8), _lines("Bilanz Main distribution north, transformer T1", 42)
    (2, 1)
    """
    count, room = 1, width
    space = _digits(" ", bold=bold)
    for word in text.split():
        length = _digits(word, bold=bold)
        if length > room and room < width:
            count, room = count + 1, width
        count += math.ceil(length / width) - 1 if length > width else 0
        room -= length + space
    return count


def _digits(text: str, *, bold: bool) -> float:
    """The width of a text in digits, in which a spreadsheet measures its columns."""
    shown = printable(text)  # registers the fonts too
    return whole_width(shown, BOLD if bold else PLAIN, 1.0) / whole_width("0", PLAIN, 1.0)


def _pattern(cell: Number) -> str:
    """The format of a number with its places and its unit."""
    places = "." + "0" * cell.decimals if cell.decimals else ""
    return f"#,##0{places}" + (f' "{cell.unit}"' if cell.unit else "")


def _adds_up(table: Table, column: int, total: Number) -> bool:
    """Whether a sum is that of the numbers above it: then it is written as a formula. A mean or a rest is none."""
    cells = [row[column] for row in table.rows[: -table.sums]]
    values = [cell.value for cell in cells if isinstance(cell, Number)]
    whole = len(values) == len(cells) and bool(values)
    return whole and abs(sum(values) - total.value) < 10.0 ** -(total.decimals + 3)


def _of_bars(bars: Bars) -> Table:
    columns = (Column(bars.first, 30), *(Column(f"{series.name} [{bars.unit}]", 30, "right") for series in bars.series))
    rows = tuple(
        (label, *(bars.missing if (value := series.values[i]) is None else Number(value, 3) for series in bars.series))
        for i, label in enumerate(bars.labels)
    )
    return Table(bars.name, columns, rows)


def _of_course(course: Course) -> Table:
    columns = (
        Column(course.first, 30), *(Column(f"{s.name} [{course.unit}]", 30, "right") for s in course.series)
    )  # fmt: skip
    rows = tuple(
        (
            Moment(at),
            *(course.missing if (v := s.values[i]) is None else Number(v, course.decimals) for s in course.series),
        )
        for i, at in enumerate(course.edges[:-1])
    )
    return Table(course.name, columns, rows)


def _of_hours(block: HoursMap) -> Table:
    """A row for each day. An hour that the clock leaves out is empty."""
    hours = block.hours
    columns = (Column(block.first, 20), *(Column(f"{hour:02d}:00 [kW]", 17, "right") for hour in range(HOURS)))
    watt, present, missing = hours.watt.tolist(), hours.present.tolist(), hours.missing.tolist()
    rows = tuple(
        (
            Moment(at, date_only=True),
            *(
                Number(watt[hour][day] / 1000, 1) if present[hour][day] else block.missing * missing[hour][day]
                for hour in range(HOURS)
            ),
        )
        for day, at in enumerate(hours.day_ms)
    )
    return Table(block.name, columns, rows)
