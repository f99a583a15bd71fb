"""Sentences of findings in the language of their reader: taken apart by the English template they were made from, and put
together again by the template of the other language. Pure.

A finding is stored, published and mailed in English, and a store of years holds nothing but its sentences. So they are
not made twice: they are recognised. A template is a sentence with slots such as `{point}` or `{at:time}`; the words in
a slot say what may stand there (`_SLOTS`), and numbers and times are handed on as such, for the page to write as its
reader does. `one TABLE` is again a phrase of that table, `list TABLE` several with commas between them; with a question
mark other words are let through as they are. Sentences that are joined by semicolons are recognised one by one. What
matches nothing is handed on whole, marked as foreign: nothing is ever lost.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from string import Formatter

WHOLE = ("phrase", "remedy")  # tables of what may stand alone; all others are for slots
CLAUSES, ITEMS = "; ", ", "
MOST_JOINED = 6  # clauses tried as one phrase: none of ours has more semicolons


class Kind(StrEnum):
    """What a part of a sentence is: words for the reader, names of the plan, words as they were stored, or a value."""

    WORDS = "words"
    NAMES = "names"
    FOREIGN = "foreign"
    NUMBER = "number"
    POWER = "power"
    TIME = "time"
    DAY = "day"


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of a sentence; a value as it stands in the stored one (time: RFC 3339 in UTC, day 2026-05-04, power 80 W)."""

    kind: Kind
    words: str


Parts = tuple[Part, ...]

_NAME = r"[^\s,;]+"
_SLOTS: dict[str, tuple[str, Kind]] = {
    "": (_NAME, Kind.NAMES),  # a name of the plan
    "names": (rf"{_NAME}(?:, {_NAME})*", Kind.NAMES),
    "missing": (
        rf"{_NAME}(?: [0-9]+(?:\.[0-9]+)+)?(?:, {_NAME}(?: [0-9]+(?:\.[0-9]+)+)?)*",
        Kind.NAMES,
    ),  # with OBIS codes
    "kept": (r".*?", Kind.WORDS),  # the same in every language: a file, a command, an address
    "said": (r".*?", Kind.FOREIGN),  # words of somebody else: a database, a library, a meter
    "number": (r"[+-]?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]+)?", Kind.NUMBER),
    "power": (r"-?[0-9]+(?:\.[0-9]+)? W", Kind.POWER),  # for the page to write in W or kW
    "time": (r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]+)?Z", Kind.TIME),
    "day": (r"[0-9]{4}-[0-9]{2}-[0-9]{2}", Kind.DAY),
}
_NESTED = re.compile(r"(one|list)(\??) ([a-z_]+)")


@dataclass(frozen=True, slots=True)
class _Slot:
    """`table` of a nested phrase (empty: none), `several` of them, or `loose`: other words may stand there too."""

    kind: Kind
    table: str = ""
    several: bool = False
    loose: bool = False


@dataclass(frozen=True, slots=True)
class _Template:
    """`literal` is the longest run of words of its own: a sentence without it cannot match. `own` counts all of them."""

    key: str
    expression: str
    literal: str
    own: int
    slots: Mapping[str, _Slot]
    segments: tuple[tuple[str, str], ...]  # words, then the slot that follows them (empty: none)

    def match(self, text: str) -> re.Match[str] | None:
        """The slots, if it is this sentence."""
        return _compiled(self.expression).fullmatch(text) if self.literal in text else None


class Phrases:
    """The templates of two languages; both mappings have the same dotted keys (`table.name`) with the same slots."""

    def __init__(self, english: Mapping[str, str], other: Mapping[str, str]) -> None:
        self._tables: dict[str, list[_Template]] = {}
        for key, text in english.items():
            table = key.partition(".")[0]
            if table in WHOLE or table.startswith(f"{WHOLE[0]}_"):
                table = WHOLE[0] if table in WHOLE else table
                self._tables.setdefault(table, []).append(_template(key, text, other[key]))
        for templates in self._tables.values():  # what says more of itself is meant where several would match
            templates.sort(key=lambda template: (-template.own, template.key))

    def read(self, sentence: str) -> Parts:
        """The sentence for the reader; one foreign part where nothing is recognised."""
        if not sentence:
            return ()
        parts = self._phrase(WHOLE[0], sentence)
        return _merged(parts if parts is not None else self._joined(WHOLE[0], sentence, CLAUSES))

    def key_of(self, sentence: str, table: str = WHOLE[0]) -> str:
        """The key of the template a whole phrase was made from; empty if there is none. For whoever tests a catalogue."""
        results = self._matched(table, sentence)
        return "" if results is None else results[0].key

    def _phrase(self, table: str, text: str) -> Parts | None:
        results = self._matched(table, text)
        return None if results is None else results[1]

    def _matched(self, table: str, text: str) -> tuple[_Template, Parts] | None:
        for template in self._tables.get(table, ()):
            match = template.match(text)
            parts = None if match is None else self._filled(template, match)
            if parts is not None:
                return template, parts
        return None

    def _filled(self, template: _Template, match: re.Match[str]) -> Parts | None:
        values: dict[str, Parts] = {"": ()}
        for name, slot in template.slots.items():
            inner = self._value(slot, match[name])
            if inner is None:
                return None
            values[name] = inner
        return tuple(
            part for text, name in template.segments for part in (Part(Kind.WORDS, text), *values[name]) if part.words
        )

    def _value(self, slot: _Slot, text: str) -> Parts | None:
        """What stands in a slot; None if a phrase should and does not."""
        if not slot.table:
            return (Part(slot.kind, text),)
        parts = self._phrase(slot.table, text)
        if parts is None and slot.several:
            parts = self._joined(slot.table, text, ITEMS)
            if not slot.loose and any(part.kind is Kind.FOREIGN for part in parts):
                return None
        if parts is None and slot.loose:
            return (Part(Kind.FOREIGN, text),)
        return parts

    def _joined(self, table: str, text: str, separator: str) -> Parts:
        """Phrases with a separator between them, each as long as it can be; what is none stays foreign."""
        pieces, at, parts = text.split(separator), 0, list[Part]()
        while at < len(pieces):
            ends = dict.fromkeys((len(pieces), *range(min(at + MOST_JOINED, len(pieces)), at, -1)))
            inner, end = None, at + 1
            for tried in ends:
                inner = self._phrase(table, separator.join(pieces[at:tried]))
                if inner is not None:
                    end = tried
                    break
            if at:
                parts.append(Part(Kind.WORDS if inner is not None else Kind.FOREIGN, separator))
            parts += inner if inner is not None else (Part(Kind.FOREIGN, pieces[at]),)
            at = end
        return tuple(parts)


def _template(key: str, english: str, other: str) -> _Template:
    pattern, literals, slots = "", [""], dict[str, _Slot]()
    for text, name, kind, _ in Formatter().parse(english):
        pattern += re.escape(text)
        literals.append(text)
        if name is None:
            continue
        if name in slots:
            raise ValueError(f"{key}: the slot {name} stands there twice")
        expression, slots[name] = _slot(key, kind or "")
        pattern += f"(?P<{name}>{expression})"
    texts = tuple((text, name or "") for text, name, _, _ in Formatter().parse(other))
    if {name for _, name in texts} - {""} != slots.keys():
        raise ValueError(f"{key}: the slots of both languages differ")
    return _Template(key, pattern, max(literals, key=len), sum(map(len, literals)), slots, texts)


@cache
def _compiled(expression: str) -> re.Pattern[str]:
    """Compiled when it is first tried: all of them at once take as long as a whole page (60 ms measured)."""
    return re.compile(expression, re.DOTALL)


def _slot(key: str, kind: str) -> tuple[str, _Slot]:
    if kind in _SLOTS:
        expression, part = _SLOTS[kind]
        return expression, _Slot(part)
    nested = _NESTED.fullmatch(kind)
    if nested is None:
        raise ValueError(f"{key}: {kind!r} is no kind of slot")
    return r".+?", _Slot(Kind.WORDS, nested[3], nested[1] == "list", bool(nested[2]))


def _merged(parts: Iterable[Part]) -> Parts:
    """Neighbours of one kind as one part, but for values; a separator between foreign words is foreign itself."""
    results: list[Part] = []
    for part in parts:
        if results and part.kind is results[-1].kind and part.kind in (Kind.WORDS, Kind.FOREIGN):
            results[-1] = Part(part.kind, results[-1].words + part.words)
        else:
            results.append(part)
    return tuple(results)
