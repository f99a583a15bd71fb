"""The files of a new plan as texts: tables that a spreadsheet opens, and a comment for whatever is guessed. Pure."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

POINT_COLUMNS = ("point", "board", "role", "title", "place", "designation", "tenant", "state", "rating_a")
INSTRUMENT_COLUMNS = ("point", "serial", "meter_class", "ct_class", "ct_ratio")
INPUT_COLUMNS = ("point", "register", "source", "address", "unit")

Row = Mapping[str, str]


def site_text(name: str, zone: str, boards: Iterable[str], source: tuple[str, str] | None) -> str:
    """`site.toml` of a site with its boards, and a source (name and protocol) if there is one."""
    lines = ["[site]", f'name = "{name}"', f'zone = "{zone}"']
    for board in boards:
        lines += ["", "[[board]]", f'name = "{board}"']
    if source is not None:
        lines += ["", "[[source]]", f'name = "{source[0]}"', f'protocol = "{source[1]}"']
        lines += ['path = "incoming"'] if source[1] == "file" else []
    return "\n".join([*lines, ""])


def table_text(columns: Sequence[str], rows: Iterable[Row], guesses: Mapping[str, Sequence[str]] | None = None) -> str:
    """A table of the plan as CSV; columns that are empty in all rows are left out, guesses stand above their row."""
    rows = list(rows)
    used = [column for column in columns if column == columns[0] or any(row.get(column) for row in rows)]
    lines = [_line(used)]
    for row in rows:
        lines += [f"# guessed: {guess}" for guess in (guesses or {}).get(row[columns[0]], ())]
        lines.append(_line([row.get(column, "") for column in used]))
    return "\n".join([*lines, ""])


def _line(cells: Sequence[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()
