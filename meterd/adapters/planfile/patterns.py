"""Patterns: a room or a cabinet drawn once and stamped out, with visible overrides.

A pattern file holds the same tables as the plan (`[[point]]`, `[[instrument]]`, `[[input]]`, `[[consumer]]`); `{n}` in any
text becomes the number of the copy. Copies are made of rows before these are checked, so a copy is checked like a row
somebody wrote by hand.
"""

import re
from collections import Counter
from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass

from meterd.adapters.planfile.draft import Copies, Difference
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.field_types import shown
from meterd.adapters.planfile.name_rules import instead
from meterd.adapters.planfile.row import Row, mapped
from meterd.adapters.planfile.schema import (
    ConsumerRow,
    Entry,
    InputRow,
    InstrumentRow,
    PointRow,
    RepeatRow,
    Table,
    columns,
)
from meterd.adapters.planfile.toml_reader import Document

KINDS: dict[str, type[Table]] = {
    "point": PointRow,
    "instrument": InstrumentRow,
    "input": InputRow,
    "consumer": ConsumerRow,
}
MOST_COPIES = 9999  # of one [[repeat]]; a slip of the keyboard must not fill the memory

Rows = dict[str, list[Row]]


@dataclass(frozen=True, slots=True)
class Repeat:
    """One [[repeat]] with the rows of its pattern and the document that holds its overrides."""

    entry: Entry[RepeatRow]
    pattern: Rows
    document: Document
    path: tuple[str | int, ...]

    def place(self, *keys: str) -> Place:
        """The place of a key below the [[repeat]]."""
        return self.document.place(*self.path, *keys)


def numbers(entry: Entry[RepeatRow], notes: Notes) -> tuple[str, ...]:
    """The numbers of the copies as fixed-width texts, from `count` and `width` or from `numbers`."""
    row, data = entry.row, entry.data
    if not entry.sound("count", "width", "numbers"):
        return ()
    if bool(data.numbers) == (data.count is not None):
        notes.fault(row.place, "a repeat needs either count or numbers", 'write numbers = "01-48" or count = 48')
        return ()
    if data.count is not None:
        return _counted(data.count, data.width, row, notes)
    results: list[str] = []
    for part in data.numbers.replace(",", " ").split():
        results.extend(_range(part, row.at("numbers"), notes))
        if len(results) > MOST_COPIES:
            notes.fault(row.at("numbers"), "too many copies", f"one repeat makes at most {MOST_COPIES}")
            return ()
    widths = sorted({len(number) for number in results})
    if len(widths) > 1:
        right = f"write all with {widths[-1]} digits, such as {results[0].zfill(widths[-1])}"
        notes.fault(row.at("numbers"), "the numbers have different widths", right)
        return ()
    if data.width is not None and widths and widths[0] != data.width:
        notes.fault(row.at("width"), f"the numbers have {widths[0]} digits, width says {data.width}", "leave width out")
    twice = [number for number, times in Counter(results).items() if times > 1]
    if twice:
        notes.fault(row.at("numbers"), f"number {twice[0]} appears twice", "write each number once")
    return tuple(dict.fromkeys(results))


def _counted(count: int, width: int | None, row: Row, notes: Notes) -> tuple[str, ...]:
    if count > MOST_COPIES:
        notes.fault(row.at("count"), f"{count} copies are too many", f"one repeat makes at most {MOST_COPIES}")
        return ()
    needed = len(str(count))
    if width is not None and not needed <= width <= 6:
        notes.fault(row.at("width"), f"width {width} does not fit {count} copies", f"write {needed} to 6")
        return ()
    return tuple(str(number).zfill(width or needed) for number in range(1, count + 1))


def _range(part: str, place: Place, notes: Notes) -> Iterable[str]:
    match = re.fullmatch(r"([0-9]{1,6})(?:-([0-9]{1,6}))?", part, re.ASCII)
    if match is None:
        notes.fault(place, f"{shown(part)} is not a number or a range", 'write numbers = "001-010 015"')
        return ()
    first, last = match[1], match[2] or match[1]
    if int(last) < int(first):
        notes.fault(place, f"the range {part} runs backwards", f"write {last}-{first}")
        return ()
    if len(first) != len(last):
        width = max(len(first), len(last))
        right = f"write {first.zfill(width)}-{last.zfill(width)}"
        notes.fault(place, f"the range {part} has ends of different width", right)
        return ()
    if int(last) - int(first) > MOST_COPIES:
        notes.fault(place, f"the range {part} is too long", f"one repeat makes at most {MOST_COPIES} copies")
        return ()
    return (str(number).zfill(len(first)) for number in range(int(first), int(last) + 1))


def pattern_faults(pattern: Rows, copies: int, notes: Notes) -> None:
    """Note names of a pattern that would be the same in every copy."""
    for kind, key in (("point", "point"), ("consumer", "consumer")):
        for row in pattern[kind]:
            written = row.values.get(key)
            if isinstance(written, str) and "{n}" not in written and copies > 1:
                right = f"write {written}-{{n}}"
                notes.fault(row.at(key), f"{key} {shown(written)} is the same in every copy", right)


def stamp(repeat: Repeat, all_numbers: tuple[str, ...], fitted: Container[str], notes: Notes) -> tuple[Rows, Copies]:
    """All copies of a pattern as rows, and what differs in them.

    `fitted` are the points with instruments of their own in the plan; they take the place of those of the pattern.
    """
    overrides = _overrides(repeat, all_numbers, notes)
    made: Rows = {kind: [] for kind in KINDS}
    differences: list[Difference] = []
    for number in all_numbers:
        copy = {kind: [_numbered(row, number) for row in rows] for kind, rows in repeat.pattern.items()}
        copy["point"] = [_rooted(row, repeat.entry) for row in copy["point"]]
        if number in overrides:
            differences.extend(_override(copy, number, repeat, notes))
        own = [row for row in copy["instrument"] if str(row.values.get("point")) in fitted]
        differences.extend(
            Difference(number, str(row.values["point"]), "instrument", "drawn", "own rows") for row in own
        )
        copy["instrument"] = [row for row in copy["instrument"] if row not in own]
        for kind, rows in copy.items():
            made[kind].extend(rows)
    drawn = [str(row.values.get("point")) for row in repeat.pattern["point"]]
    points = tuple((name, tuple(name.replace("{n}", number) for number in all_numbers)) for name in drawn)
    return made, Copies(repeat.entry.data.pattern, all_numbers, tuple(differences), points)


def _numbered(row: Row, number: str) -> Row:
    return mapped(row, lambda text: text.replace("{n}", number))


def _rooted(row: Row, entry: Entry[RepeatRow]) -> Row:
    """The point with the board and the feeder of the [[repeat]] where the pattern leaves them open."""
    values: dict[str, object] = {}
    places: dict[str, Place] = {}
    wanted = {"board": entry.data.board}
    if row.values.get("role") in ("sub", "pv", "storage"):
        wanted["below"] = entry.data.below
    for key, value in wanted.items():
        if value is not None and key not in row.values:
            values[key] = value
            places[key] = entry.row.at(key)
    return row.but(values, places)


def _overrides(repeat: Repeat, all_numbers: tuple[str, ...], notes: Notes) -> Mapping[str, object]:
    overrides = repeat.entry.data.override
    for number, keys in overrides.items():
        place = repeat.place("override", number)
        if number not in all_numbers:
            notes.fault(place, f"there is no copy {shown(number)}", instead(number, all_numbers))
        elif not isinstance(keys, dict):
            notes.fault(place, f"override {number} is not a table", f"write [repeat.override.{number}]")
    return {number: keys for number, keys in overrides.items() if isinstance(keys, dict)}


def _override(copy: Rows, number: str, repeat: Repeat, notes: Notes) -> Iterator[Difference]:
    """Put the overrides of one copy into its rows; yields what became different."""
    for key, value in repeat.entry.data.override[number].items():
        place = repeat.place("override", number, key)
        if isinstance(value, dict) and key not in _all_columns():
            yield from _override_subject(copy, number, key, keys=value, repeat=repeat, notes=notes)
            continue
        places = _targets(copy, key)
        if len(places) == 1:
            yield _set(copy, places[0], number, key=key, value=value, place=place)
        elif places:
            subjects = ", ".join(f'[repeat.override.{number}."{_subject(copy, at)}"]' for at in places[:3])
            notes.fault(place, f"{key} may belong to {len(places)} rows of the pattern", f"put it below {subjects}")
        else:
            notes.fault(place, f"unknown key {shown(key)}", instead(key, _all_columns()))


def _override_subject(
    copy: Rows, number: str, subject: str, *, keys: Mapping[str, object], repeat: Repeat, notes: Notes
) -> Iterator[Difference]:
    known = list(dict.fromkeys(_subject(copy, (kind, i)) for kind in KINDS for i in range(len(copy[kind]))))
    if subject not in known:
        what = f"copy {number} has nothing named {shown(subject)}"
        notes.fault(repeat.place("override", number, subject), what, instead(subject, known))
        return
    for key, value in keys.items():
        place = repeat.place("override", number, subject, key)
        targets = [at for at in _places(copy, key) if _subject(copy, at) == subject]
        if targets:
            yield _set(copy, targets[0], number, key=key, value=value, place=place)
        else:
            notes.fault(place, f"unknown key {shown(key)} of {subject}", instead(key, _all_columns()))


def _all_columns() -> list[str]:
    return list(dict.fromkeys(column for model in KINDS.values() for column in columns(model)))


def _targets(copy: Rows, key: str) -> list[tuple[str, int]]:
    """The rows a key may belong to: of the first kind that has such a column and rows in the pattern."""
    results = _places(copy, key)
    return [at for at in results if at[0] == results[0][0]]


def _places(copy: Rows, key: str) -> list[tuple[str, int]]:
    return [(kind, index) for kind, rows in copy.items() if key in columns(KINDS[kind]) for index in range(len(rows))]


def _subject(copy: Rows, at: tuple[str, int]) -> str:
    """How an override names a row: the point or the consumer, for an input `point register`."""
    kind, index = at
    values = copy[kind][index].values
    if kind == "input" and "register" in values:
        return f"{values.get('point')} {values['register']}"
    return str(values.get("consumer" if kind == "consumer" else "point"))


def _set(copy: Rows, at: tuple[str, int], number: str, *, key: str, value: object, place: Place) -> Difference:
    kind, index = at
    row = copy[kind][index]
    drawn = row.values.get(key)
    subject = _subject(copy, at)
    copy[kind][index] = row.but({key: value}, {key: place})
    return Difference(number, subject, key, "-" if drawn is None else str(drawn), str(value)[:200])
