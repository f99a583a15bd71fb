"""How commands write: the console, tables for people, CSV and JSON for programs."""

import csv
import io
import json
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from meterd.core.errors import ConfigError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

Line = dict[str, object]


def terminal() -> "Console":
    """The console of this terminal; in a pipe lines are not wrapped."""
    from rich.console import Console

    return Console(soft_wrap=not sys.stdout.isatty(), highlight=False, width=None if sys.stdout.isatty() else 200)


def say(text: str) -> None:
    """A line as it is: wrapped between words on a terminal, not in a pipe."""
    if sys.stdout.isatty():
        terminal().print(text, markup=False)
    else:
        print(text)


def write(lines: Sequence[Line], kind: str, console: "Console", *, title: str, empty: str) -> None:
    """Lines as a table for people (kWh), as CSV or as JSON (Wh)."""
    if kind == "json":
        console.file.write(json.dumps(list(lines), indent=1) + "\n")
    elif kind == "csv":
        console.file.write(_csv(lines))
    elif not lines:
        console.print(empty)
    else:
        _print(lines, title, console)


def _csv(lines: Sequence[Line]) -> str:
    out = io.StringIO()
    if lines:
        writer = csv.DictWriter(out, fieldnames=list(lines[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: "" if v is None else v for k, v in line.items()} for line in lines)
    return out.getvalue()


_SEPARATORS = {"missing": ", ", "not live": " "}  # of columns of names, of which people read the first ones
_LONG, _GAP = 100, "  "  # rows of a longer table are written without the library, which takes 0.4 ms for each
_HIDDEN = ("start", "end")  # people read the local label; programs get both ends in UTC


def _print(lines: Sequence[Line], title: str, console: "Console") -> None:
    names = [name for name in lines[0] if name not in _HIDDEN]
    rows = [[_cell(name, line[name]) for name in names] for line in lines]
    table = _heading(lines[0], names, title)
    widths = [max(map(len, column)) for column in zip(*rows, [str(c.header) for c in table.columns], strict=True)]
    plain = all(cell.isascii() and cell.isprintable() and "[" not in cell for row in rows for cell in row)
    if len(rows) <= _LONG or not plain or sum(widths) + len(_GAP) * (len(names) - 1) > console.width:
        for row in rows:
            table.add_row(*row)
        console.print(table)
        return
    for column, width in zip(table.columns, widths, strict=True):
        column.min_width = width
    console.print(table)
    right = [column.justify == "right" for column in table.columns]
    for row in rows:
        cells = zip(row, widths, right, strict=True)
        padded = (cell.rjust(width) if to_right else cell.ljust(width) for cell, width, to_right in cells)
        console.file.write(_GAP.join(padded) + "\n")


def _heading(first: Line, names: Sequence[str], title: str) -> "Table":
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for name in names:
        numeric = isinstance(first[name], int | float) or name.endswith(("_wh", "_w"))
        heading = name.replace("_wh", " kWh").replace("_w", " kW").replace("_", " ")
        table.add_column(heading, justify="right" if numeric else "left", no_wrap=name == "period")
    return table


def _cell(name: str, value: object) -> str:
    if value is None:
        return "missing"
    if name in _SEPARATORS:
        return _some(str(value), _SEPARATORS[name])
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, int | float) and name.endswith(("_wh", "_w")):
        return f"{value / 1000:.3f}"
    return str(value)


def _some(text: str, separator: str, most: int = 3) -> str:
    names = text.split(separator)
    return separator.join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def duration_s(text: str | None) -> float | None:
    """Seconds of `90`, `60s`, `5m` or `1h`; None for no limit. ConfigError for anything else."""
    if text is None:
        return None
    units = {"s": 1, "m": 60, "h": 3600}
    number, unit = (text[:-1], units[text[-1]]) if text[-1:] in units else (text, 1)
    try:
        seconds = float(number) * unit
    except ValueError:
        seconds = 0.0
    if not 0 < seconds < 1e7:
        raise ConfigError(f"cannot use --for {text}: write a time such as 60s, 5m or 1h")
    return seconds
