"""Finds a point, board or consumer by whatever is known of it: old or new name, designation, serial, topic, place, tenant.

Names are compared as everywhere in the plan (`naming`): without case, separators and leading zeros. What is the same comes
first, then what begins so, then what holds it somewhere, then what holds all of several words.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import TypeVar

from meterd.core.model.names import spelled
from meterd.core.model.plan import Consumer, Input, Instrument, Point, Site

LONGEST_QUESTION = 200  # characters; a topic of the plan is shorter
SHORTEST_PART = 2  # letters: one letter stands somewhere in everything

_Row = TypeVar("_Row", Input, Instrument)


class Fit(IntEnum):
    """How a question fits, best first."""

    SAME = 0
    BEGINS = 1
    PART = 2
    WORDS = 3


class Kind(StrEnum):
    """What was matched, in the order of preference where several things fit equally well."""

    NAME = "name"
    FORMER_NAME = "former-name"
    DESIGNATION = "designation"
    SERIAL = "serial"
    TOPIC = "topic"
    TITLE = "title"
    TENANT = "tenant"
    PLACE = "place"


class Target(StrEnum):
    """What was found."""

    POINT = "point"
    BOARD = "board"
    CONSUMER = "consumer"


@dataclass(frozen=True, slots=True)
class Term:
    """One thing that a target is known by. A serial has the time in which its instrument was fitted."""

    kind: Kind
    text: str
    from_ms: int | None = None
    until_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Hit:
    """One target with the term that fits best. `point` is where to look: of a consumer its own point, of a board none."""

    target: Target
    name: str
    title: str
    point: str | None
    term: Term
    fit: Fit

    @property
    def order(self) -> tuple[int, int, int, str]:
        """Best first; of equal ones points before boards before consumers, then by name."""
        return self.fit, list(Kind).index(self.term.kind), list(Target).index(self.target), self.name


@dataclass(frozen=True, slots=True)
class _Entity:
    """One target with all that it is known by."""

    target: Target
    name: str
    title: str
    point: str | None
    terms: tuple[Term, ...]


def find(site: Site, question: str) -> list[Hit]:
    """Everything that fits a question, best first, each target once. Nothing for a question without letter or digit."""
    asked = _question(site, question[:LONGEST_QUESTION])
    hits = [hit for thing in _entities(site) if (hit := _best(thing, asked)) is not None]
    return sorted(hits, key=lambda hit: hit.order)


@dataclass(frozen=True, slots=True)
class _Question:
    """A question: as it stands, its words, and the name that it holds if it is one of our own topics."""

    whole: str
    words: tuple[str, ...]
    branch: str = ""
    named: str = ""


def _question(site: Site, question: str) -> _Question:
    """Our own topics, with or without their prefix, are read for the name in them: `.../point/cafe/power` asks for cafe."""
    path = question.strip().strip("/")
    own = f"{site.prefix}/{site.name}/"
    parts = path.removeprefix(own).split("/")
    tokens = tuple(item for word in question.split() if (item := spelled(word)))
    if len(parts) > 1 and parts[0] in ("point", "board", "share"):
        return _Question(spelled(path), tokens, parts[0], spelled(parts[1]))
    return _Question(spelled(path), tokens)


_BRANCHES = {Target.POINT: "point", Target.BOARD: "board", Target.CONSUMER: "share"}


def _best(thing: _Entity, asked: _Question) -> Hit | None:
    results = [
        (fit, list(Kind).index(term.kind), i, term)
        for i, term in enumerate(thing.terms)
        if (fit := _fit(term, asked)) is not None
    ]
    if asked.named and asked.branch == _BRANCHES[thing.target]:
        names = [t for t in thing.terms if t.kind in (Kind.NAME, Kind.FORMER_NAME) and spelled(t.text) == asked.named]
        if names:
            return Hit(thing.target, thing.name, thing.title, thing.point, names[0], Fit.SAME)
    if results:
        fit, _, _, term = min(results, key=lambda item: item[:3])
        return Hit(thing.target, thing.name, thing.title, thing.point, term, fit)
    return _by_words(thing, asked)


def _fit(term: Term, asked: _Question) -> Fit | None:
    text = spelled(term.text)
    if not asked.whole or not text:
        return None
    if text == asked.whole:
        return Fit.SAME
    if text.startswith(asked.whole):
        return Fit.BEGINS
    return Fit.PART if len(asked.whole) >= SHORTEST_PART and asked.whole in text else None


def _by_words(thing: _Entity, asked: _Question) -> Hit | None:
    """Several words in any order, each in something that the target is known by; found by the first of them."""
    if len(asked.words) < 2:
        return None
    texts = [(term, spelled(term.text)) for term in thing.terms]
    places = [next((term for term, text in texts if word in text), None) for word in asked.words]
    if any(term is None for term in places):
        return None
    best = min((term for term in places if term is not None), key=lambda term: list(Kind).index(term.kind))
    return Hit(thing.target, thing.name, thing.title, thing.point, best, Fit.WORDS)


# -- what things are known by ------------------------------------------------------------------------------------------


def _entities(site: Site) -> Iterator[_Entity]:
    instruments, inputs = _by_point(site.instruments), _by_point(site.inputs)
    for point in site.points:
        terms = _point_terms(point, instruments.get(point.name, ()), inputs.get(point.name, ()))
        yield _Entity(Target.POINT, point.name, point.title, point.name, tuple(terms))
    for board in site.boards:
        yield _Entity(Target.BOARD, board.name, board.title, None, (*_named(board.name, board.title),))
    titles = {point.name: point.title for point in site.points}
    for consumer in site.consumers:
        yield _Entity(
            Target.CONSUMER, consumer.name, titles.get(consumer.point or "", ""), consumer.point, _own(consumer)
        )


def _own(consumer: Consumer) -> tuple[Term, ...]:
    return (Term(Kind.NAME, consumer.name),)


def _named(name: str, title: str) -> Iterator[Term]:
    yield Term(Kind.NAME, name)
    if title:
        yield Term(Kind.TITLE, title)


def _point_terms(point: Point, instruments: Sequence[Instrument], inputs: Sequence[Input]) -> Iterator[Term]:
    yield from _named(point.name, point.title)
    yield from (Term(Kind.FORMER_NAME, alias) for alias in point.aliases)
    for kind, text in ((Kind.DESIGNATION, point.designation), (Kind.TENANT, point.tenant), (Kind.PLACE, point.place)):
        if text:
            yield Term(kind, text)
    for instrument in sorted(instruments, key=lambda i: -i.from_ms):  # of one serial at two times the newest counts
        if instrument.serial:
            yield Term(Kind.SERIAL, instrument.serial, instrument.from_ms, instrument.until_ms)
    yield from (Term(Kind.TOPIC, address) for address in dict.fromkeys(row.address for row in inputs) if address)


def _by_point(rows: Iterable[_Row]) -> dict[str, list[_Row]]:
    results: dict[str, list[_Row]] = {}
    for row in rows:
        results.setdefault(row.point, []).append(row)
    return results
