"""What a derived value is: a row of the table in `derived`, and what it takes out of a snapshot."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from meterd.reading import Quality
from meterd.site import Site
from meterd.snapshot import Snapshot


class Each(StrEnum):
    """What a row repeats over; the word is also the placeholder of its topic pattern."""

    SITE = "site"
    BOARD = "board"
    POINT = "point"
    CONSUMER = "consumer"


class Follows(StrEnum):
    """Which moment or period a value speaks of: decides its time stamp and how long it is believed."""

    NOW = "now"
    COUNTER = "last register reading"
    RUNNING = "running interval so far"
    CLOSED = "last closed interval"
    DAY = "local day so far, closed intervals"


@dataclass(frozen=True, slots=True)
class Taken:
    """What a row takes out of a snapshot. `value` None means there is none, whatever `state` says."""

    value: float | int | None
    at_ms: int
    state: Quality
    text: str = ""  # of a verdict


@dataclass(frozen=True, slots=True)
class Row:
    """One derived value: everything the topics, the catalogue and the documents say about it.

    `pattern` is the topic below `<prefix>/<site>/`; `present` gives the names it exists for ("" for the site itself).
    `unit` is a SenML symbol, empty for a word. `fallback` is what the bare number becomes when the value is invalid;
    None means that the bare number is then not renewed and leaves the broker when its validity ends.
    """

    pattern: str
    unit: str
    meaning: str
    each: Each
    follows: Follows
    take: Callable[[Snapshot, str], Taken]
    present: Callable[[Site], tuple[str, ...]]
    fallback: int | None = None


MISSING = Taken(None, 0, Quality.INVALID)
