"""The files of a new plan as texts: tables that a spreadsheet opens, and a comment for whatever is guessed. Pure."""

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence

POINT_COLUMNS = ("point", "board", "role", "below", "title", "place", "designation", "tenant", "state", "rating_a")
INSTRUMENT_COLUMNS = ("point", "serial", "meter_class", "ct_class", "ct_ratio", "pulse_wh")
INPUT_COLUMNS = ("point", "register", "source", "address", "field", "unit", "time_field")

Row = Mapping[str, str]


Table = Mapping[str, str | int | bool]


def site_text(
    name: str, zone: str, boards: Iterable[str], sources: Iterable[Table] = (), broker: Table | None = None
) -> str:
    """`site.toml` of a site with its boards, its sources, and the broker if it is known."""
    lines = ["[site]", f'name = "{name}"', f'zone = "{zone}"']
    if broker:
        lines += ["", "# guessed: derived values go to the broker of the meters, below energy/" + name]
        lines += ["[broker]", *_keys(broker)]
    for board in boards:
        lines += ["", "[[board]]", f'name = "{board}"']
    for source in sources:
        lines += ["", "[[source]]", *_keys(source)]
    return "\n".join([*lines, ""])


def _keys(table: Table) -> list[str]:
    return [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in table.items()]


def table_text(
    columns: Sequence[str], rows: Sequence[Row], guesses: Sequence[Sequence[str]] = (), remarks: Iterable[str] = ()
) -> str:
    """A table of the plan as CSV; columns that are empty in all rows are left out.

    `guesses` stand as comments above their row, in the order of the rows; `remarks` below the table.
    """
    used = [column for column in columns if column == columns[0] or any(row.get(column) for row in rows)]
    lines = [_line(used)]
    for place, row in enumerate(rows):
        lines += [f"# guessed: {guess}" for guess in (guesses[place] if place < len(guesses) else ())]
        lines.append(_line([row.get(column, "") for column in used]))
    return "\n".join([*lines, *(f"# {remark}" for remark in remarks), ""])


def _line(cells: Sequence[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(cells)
    return out.getvalue()
