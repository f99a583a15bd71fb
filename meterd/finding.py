"""A finding: something a person should look at. The core returns findings, it does not log."""

from dataclasses import dataclass
from enum import StrEnum


class FindingState(StrEnum):
    """The life of a finding (design.md 2)."""

    NEW = "new"
    SEEN = "seen"
    EXPLAINED = "explained"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class Finding:
    """One cause, one finding.

    `cause` is a stable slug (`stale`, `reset`, `level-change`, `outside-band`, ...); together with `subject` (a point,
    board, source or consumer name) it identifies the finding, so that the same cause seen again renews the old finding
    instead of raising a second one. `text` is a full sentence with figures; `remedy` says what to do.
    """

    cause: str
    subject: str
    at_ms: int
    text: str
    remedy: str = ""
    points: tuple[str, ...] = ()

    @property
    def id(self) -> str:
        """The name of its topic: cause and subject, both slugs."""
        return f"{self.cause}-{self.subject}"


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding with its life so far."""

    finding: Finding
    first_ms: int
    last_ms: int
    state: str
    closed_ms: int | None = None
