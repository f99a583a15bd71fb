"""What a derived value is: a row of the table in `derived`, and what it takes out of a snapshot."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from meterd.core.model.forecast import Course
from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import Snapshot


class Each(StrEnum):
    """What a row repeats over; the word is also the placeholder of its topic pattern."""

    SITE = "site"
    BOARD = "board"
    POINT = "point"
    CONSUMER = "consumer"


class TimeBasis(StrEnum):
    """Which moment or period a value speaks of: decides its time stamp and how long it is believed."""

    NOW = "now"
    COUNTER = "last register reading"
    RUNNING = "running interval so far"
    CLOSED = "last closed interval"
    DAY = "local day so far, closed intervals"
    FORECAST = "time to come, as seen at the end of the last closed interval"


@dataclass(frozen=True, slots=True)
class RowValue:
    """What a row takes out of a snapshot. `value` None means there is none, whatever `state` says.

    `apart_ms` is how far its samples are apart, None where it is not made of a round of samples. `every_ms` is how often
    its slowest meter sends: one that is slower than the plan believes a power is believed longer. `course` is what the pack
    of a forecast holds besides, in steps of `step_ms` from `at_ms` on.
    """

    value: float | int | None
    at_ms: int
    state: Quality
    text: str = ""  # of a verdict
    apart_ms: int | None = None
    every_ms: int = 0
    course: Course | None = None
    step_ms: int = 0


@dataclass(frozen=True, slots=True)
class Row:
    """One derived value: everything the topics, the catalogue and the documents say about it.

    `pattern` is the topic below `<prefix>/<site>/`; `present` gives the names it exists for ("" for the site itself).
    `unit` is a SenML symbol, empty for a word. `fallback` is what the bare number becomes when the value is invalid;
    None means that the bare number is then not renewed and leaves the broker when its validity ends. `words` are those of a
    value without unit, with their bare numbers.
    """

    pattern: str
    unit: str
    meaning: str
    each: Each
    follows: TimeBasis
    take: Callable[[Snapshot, str], RowValue]
    present: Callable[[Site], tuple[str, ...]]
    fallback: int | None = None
    words: Mapping[str, int] = field(default_factory=dict)

    @property
    def dated(self) -> bool:
        """Whether the time is published as a bare number too: values of the site and of consumers, which controllers act on."""
        return self.each in (Each.SITE, Each.CONSUMER)


MISSING = RowValue(None, 0, Quality.INVALID)
