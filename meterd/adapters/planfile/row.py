"""Rows with places: a line of a spreadsheet or a table of a TOML file, before it is checked."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from meterd.adapters.planfile.fault import Notes, Place

LARGEST_FILE = 8 * 2**20  # bytes; a plan of ten thousand points has two megabytes, more is not a plan


class Cell(str):
    """Text of a spreadsheet cell: numbers and dates in it are still to be read."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Row:
    """Values by column, each with its place; `place` is where the row begins."""

    values: Mapping[str, object]
    place: Place
    places: Mapping[str, Place] = field(default_factory=dict)

    def at(self, column: str) -> Place:
        """Where a value stands, or the row if it is not written."""
        return self.places.get(column, self.place)

    def but(self, values: Mapping[str, object], places: Mapping[str, Place] | None = None) -> "Row":
        """The row with some values replaced."""
        return replace(self, values={**self.values, **values}, places={**self.places, **(places or {})})


def read_text(path: Path, name: str, notes: Notes) -> str | None:
    """The UTF-8 text of a plan file without its byte order mark, or None after noting why not."""
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= LARGEST_FILE else b""
    except OSError as error:
        notes.fault(Place(name), f"cannot read the file: {error.strerror or error}", "check its name and its rights")
        return None
    if size > LARGEST_FILE:
        notes.fault(Place(name), f"the file has {size} bytes", f"a plan file has at most {LARGEST_FILE}")
        return None
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        notes.fault(Place(name, 1, 1), "the file is UTF-16 text", "save it as UTF-8")
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line_start = before.rfind(b"\n") + 1
        place = Place(name, before.count(b"\n") + 1, len(before[line_start:].decode("utf-8", "replace")) + 1)
        notes.fault(place, f"byte 0x{data[error.start]:02x} is not UTF-8 text", "save the file as UTF-8")
        return None


def mapped(row: Row, change: Callable[[str], str]) -> Row:
    """The row with every text in it changed, also inside lists and tables."""
    return replace(row, values={key: _mapped(value, change) for key, value in row.values.items()})


def _mapped(value: object, change: Callable[[str], str]) -> object:
    if isinstance(value, Cell):
        return Cell(change(value))
    if isinstance(value, str):
        return change(value)
    if isinstance(value, list):
        return [_mapped(item, change) for item in value]
    if isinstance(value, Mapping):
        return {key: _mapped(item, change) for key, item in value.items()}
    return value
