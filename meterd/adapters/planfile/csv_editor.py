"""A spreadsheet of the plan as text that can be changed in one place: everything else stays as a person wrote it."""

import re
from collections.abc import Mapping

from meterd.adapters.planfile.csv_reader import delimiter_of, is_comment, is_hint

_LINE_END = re.compile(r"\r\n|\n|\r")
_MARK = "\ufeff"


class CsvText:
    """Records of a CSV text with the places of their cells. `rows` are the records below the line of names.

    Comments, order, quotes, separators and line ends of what is not changed stay byte by byte.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        match = _LINE_END.search(text)
        self._line_end = match.group() if match else "\n"
        self.delimiter = delimiter_of(_LINE_END.sub("\n", text.removeprefix(_MARK)).split("\n"))
        records = self._records()
        self._header = records[0] if records else []
        self._rows = records[1:]
        self.names = [self._value(cell).lower() for cell in self._header]

    def _records(self) -> list[list[tuple[int, int]]]:
        """Cells of every record as (begin, end) in the text."""
        separator = re.escape(self.delimiter)
        cell = re.compile(rf'[ \t]*"(?:[^"]|"")*"[^{separator}\r\n]*|[^{separator}\r\n]*')
        records: list[list[tuple[int, int]]] = []
        at = len(_MARK) if self.text.startswith(_MARK) else 0
        first = True
        while at < len(self.text):
            end = _LINE_END.search(self.text, at)
            line = self.text[at : end.start() if end else len(self.text)]
            if not line.strip() or is_comment(line) or (first and is_hint(line)):
                at = end.end() if end else len(self.text)
            else:
                cells, at = self._record(cell, at)
                if any(self._value(item) for item in cells):
                    records.append(cells)
            first = False
        return records

    def _record(self, cell: "re.Pattern[str]", at: int) -> tuple[list[tuple[int, int]], int]:
        cells = []
        while True:
            match = cell.match(self.text, at)
            assert match is not None, "an empty cell matches too"
            cells.append(match.span())
            at = match.end()
            if not self.text.startswith(self.delimiter, at):
                end = _LINE_END.match(self.text, at)
                return cells, end.end() if end else len(self.text)
            at += 1

    def _value(self, cell: tuple[int, int]) -> str:
        raw = self.text[cell[0] : cell[1]].strip()
        return raw[1:-1].replace('""', '"').strip() if len(raw) > 1 and raw[0] == raw[-1] == '"' else raw

    @property
    def rows(self) -> list[dict[str, str]]:
        """Every record by the names of its columns; cells that are not there are empty."""
        return [
            {name: self._value(cells[i]) if i < len(cells) else "" for i, name in enumerate(self.names) if name}
            for cells in self._rows
        ]

    def with_value(self, row: int, column: str, value: str) -> "CsvText":
        """The CSV file with one cell changed; a column it does not have yet is added at the end."""
        if column not in self.names:
            return self._with_column(column).with_value(row, column, value)
        index, cells = self.names.index(column), self._rows[row]
        if index >= len(cells):
            missing = self.delimiter * (index - len(cells) + 1)
            return self._spliced(cells[-1][1], cells[-1][1], missing + self._written(value))
        low, high = cells[index]
        quoted = self.text[low:high].strip().startswith('"')
        return self._spliced(low, high, self._written(value, quoted=quoted))

    def with_row(self, values: Mapping[str, str], after: int | None = None) -> "CsvText":
        """The CSV file with one more record, behind another one or at the end."""
        for column in values:
            if column not in self.names:
                return self._with_column(column).with_row(values, after)
        cells = self._header if not self._rows else self._rows[-1 if after is None else after]
        line = self.delimiter.join(self._written(values.get(name, "")) for name in self.names)
        return self._spliced(cells[-1][1], cells[-1][1], self._line_end + line)

    def _with_column(self, column: str) -> "CsvText":
        end = self._header[-1][1]
        return self._spliced(end, end, self.delimiter + column)

    def _written(self, value: str, *, quoted: bool = False) -> str:
        if (
            quoted
            or any(c in value for c in (self.delimiter, '"', "\n", "\r"))
            or value != value.strip()
            or value[:1] == "#"
        ):
            return '"' + value.replace('"', '""') + '"'
        return value

    def _spliced(self, low: int, high: int, new: str) -> "CsvText":
        return CsvText(self.text[:low] + new + self.text[high:])
