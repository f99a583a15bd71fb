"""TOML text as rows with places."""

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.row import Row
from meterd.adapters.planfile.toml_cause import is_open, toml_cause
from meterd.adapters.planfile.toml_positions import key_places

MOST_TOML_FAULTS = 20  # after so many broken lines the rest of a TOML file says nothing useful


@dataclass(frozen=True, slots=True)
class Document:
    """A TOML file: its values, and where every key stands. `whole` is False if broken lines were left out."""

    name: str
    values: Mapping[str, object]
    places: Mapping[tuple[str | int, ...], tuple[int, int]]
    whole: bool = True
    broken: frozenset[str] = (
        frozenset()
    )  # keys of lines that were left out: they are written, so nobody shall miss them

    def place(self, *path: str | int) -> Place:
        """The place of a key, or of the nearest table around it."""
        while path and path not in self.places:
            path = path[:-1]
        return Place(self.name, *self.places[path]) if path else Place(self.name)

    def row(self, *path: str | int) -> Row | None:
        """The table at a path as a row; None if there is none or it is something else."""
        value: object = self.values
        for step in path:
            if isinstance(value, Mapping) and isinstance(step, str):
                value = value.get(step)
            elif isinstance(value, list) and isinstance(step, int):
                value = value[step]
        if not isinstance(value, Mapping):
            return None
        return Row(value, self.place(*path), {key: self.place(*path, key) for key in value})


def read_toml(text: str, name: str, notes: Notes) -> Document:
    """A TOML text as a document. Broken lines are noted and left out, so that the next ones can be noted as well."""
    lines = text.split("\n")
    whole = True
    broken: set[str] = set()
    for _ in range(MOST_TOML_FAULTS):
        try:
            values = tomllib.loads("\n".join(lines), parse_float=_exact)
        except RecursionError:
            notes.fault(Place(name), "tables or arrays are nested too deep", "a plan needs three levels")
            return Document(name, {}, {}, whole=False)
        except ValueError as error:
            whole = False
            if not _leave_out(lines, str(error), name, notes=notes, broken=broken):
                return Document(name, {}, {}, whole=False)
        else:
            return Document(name, values, key_places("\n".join(lines)), whole, frozenset(broken))
    return Document(name, {}, {}, whole=False)


def _exact(text: str) -> Decimal:
    try:
        return Decimal(text)
    except ArithmeticError:  # an exponent of twenty digits
        return Decimal("NaN")


def _leave_out(lines: list[str], error: str, name: str, *, notes: Notes, broken: set[str]) -> bool:
    """Note a syntax error and blank its line; False if the rest cannot be read without it."""
    match = re.search(r"\(at line (\d+), column (\d+)\)", error)
    if match is None:
        what = "the file ends inside a text, a list or a table"
        notes.fault(Place(name), what, "look for a quotation mark or a bracket that is not closed")
        return False
    line = int(match[1])
    opened = next((at for at in range(line - 1, 0, -1) if lines[at - 1].strip()), 0)
    if lines[line - 1].lstrip().startswith("[") and opened and is_open(lines[opened - 1]):
        what = f"the list or table behind {lines[opened - 1].partition('=')[0].strip()} is not closed"
        notes.fault(Place(name, opened, 1), what, "write the closing bracket at its end")
        return False
    written = lines[line - 1]
    what, right = toml_cause(written, re.sub(r"\s*\(at .*\)$", "", error))
    notes.fault(Place(name, line, int(match[2])), what, right)
    # a broken table header would put the keys below it into another table, and every one would look wrong
    if not written.strip() or written.lstrip().startswith("["):
        return False
    broken.update(key for key in re.findall(r"^\s*([\w.-]+)", written) if "twice" not in what)
    lines[line - 1] = ""
    return True


def tables(document: Document, key: str, notes: Notes) -> list[Row]:
    """The rows of an array of tables, `[[key]]` or `key = [{...}]`; anything else under that key is noted."""
    value = document.values.get(key, [])
    if not isinstance(value, list):
        notes.fault(document.place(key), f"{key} is not a list of tables", f"write [[{key}]] in double brackets")
        return []
    rows: list[Row] = []
    for index in range(len(value)):
        row = document.row(key, index)
        if row is None:
            notes.fault(document.place(key, index), f"an element of {key} is not a table", f"write [[{key}]]")
        else:
            rows.append(row)
    return rows


def table(document: Document, key: str, notes: Notes) -> Row | None:
    """The single table `[key]`; None if it is not there or, after noting it, not a table."""
    if key not in document.values:
        return None
    row = document.row(key)
    if row is None:
        notes.fault(document.place(key), f"{key} is not a table", f"write [{key}] and its keys below")
    return row
