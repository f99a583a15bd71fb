"""A finding: something a person should look at. The core returns findings, it does not log."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

LONGEST_NOTE = 500  # characters; a note is a sentence, not a report


class FindingState(StrEnum):
    """The life of a finding (design.md 2)."""

    NEW = "new"
    SEEN = "seen"
    EXPLAINED = "explained"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Life:
    """How a finding has fared so far: for topics, pages and messages.

    `last_ms` is the last time it was seen, known to a few minutes while it lasts. `count` is how often it came within
    this life; `number` counts the lives, and `earlier_ms` is when the former one was closed.
    """

    state: FindingState
    first_ms: int
    last_ms: int
    count: int = 1
    number: int = 1
    earlier_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One cause, one finding.

    `cause` is a stable slug (`stale`, `reset`, `level-change`, `outside-band`, ...); together with `subject` (a point,
    board, source or consumer name) it identifies the finding, so that the same cause seen again renews the old finding
    instead of raising a second one. `text` is a full sentence with figures; `remedy` says what to do; `evidence` holds
    what else was seen and follows from the same cause.
    """

    cause: str
    subject: str
    at_ms: int
    text: str
    remedy: str = ""
    points: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    life: Life | None = None

    @property
    def id(self) -> str:
        """The name of its topic: cause and subject, both slugs."""
        return f"{self.cause}-{self.subject}"


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding with its life so far.

    `by` is who closed it; empty when its cause went by itself. `part_of` is the finding it was closed into, because both
    turned out to have one cause.
    """

    finding: Finding
    first_ms: int
    last_ms: int
    state: str
    closed_ms: int | None = None
    number: int = 1
    count: int = 1
    suppressed: bool = False
    by: str = ""
    earlier_ms: int | None = None
    part_of: str = ""

    @property
    def shown(self) -> Finding:
        """The finding together with its life."""
        life = Life(
            FindingState(self.state), self.first_ms, self.last_ms, self.count, self.number, self.earlier_ms
        )  # fmt: skip
        return replace(self.finding, life=life)


@dataclass(frozen=True, slots=True)
class FindingNote:
    """One change of a finding: when, to which state, by whom (empty: by the program), and why."""

    id: str
    number: int
    at_ms: int
    state: str
    person: str
    note: str
    order: str = ""  # the order that asked for it, so that it is not carried out twice


@dataclass(frozen=True, slots=True)
class Suppression:
    """Planned work: findings of `what` are recorded from `from_ms` until `until_ms` (exclusive), but not reported.

    `what` and `cause` are names in which `*` stands for any letters. A board's name covers its points.
    """

    what: str
    from_ms: int
    until_ms: int
    person: str
    note: str
    cause: str = "*"
    number: int = 0  # given by the store

    def covers(self, finding: Finding, boards: Mapping[str, str], now_ms: int) -> bool:
        """Whether the finding is not to be reported now: its subject is meant, or all of its points are.

        `boards` is the board of each point.
        """
        if not self.from_ms <= now_ms < self.until_ms or not _like(self.cause, finding.cause):
            return False
        if self._meant(finding.subject, boards):
            return True
        return bool(finding.points) and all(self._meant(point, boards) for point in finding.points)

    def _meant(self, name: str, boards: Mapping[str, str]) -> bool:
        return _like(self.what, name) or _like(self.what, boards.get(name, name))


def _like(pattern: str, name: str) -> bool:
    return re.fullmatch(".*".join(re.escape(part) for part in pattern.split("*")), name) is not None


def refused_text(text: str) -> str:
    """Why words cannot be kept as a name or a note; empty if they can. No line breaks: they end up in mail headers."""
    if not text.strip():
        return "it is empty"
    if len(text) > LONGEST_NOTE:
        return f"it has {len(text)} characters, at most {LONGEST_NOTE} are stored"
    if not text.isprintable():
        return "it holds a line break or another control character"
    return ""
