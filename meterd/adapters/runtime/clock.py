"""Where the moment comes from. The loop waits on the monotonic clock; the wall clock is data, and doubted when it jumps."""

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from meterd.core.topics.senml import EARLIEST_MS

WRITTEN_MS = 1_735_689_600_000  # 2025-01-01: a clock that shows less was never set since the machine was switched on
STEP_MS = 2_000  # a smaller correction is what a time server does all day
BELIEVED_S = -math.inf  # since when a jump has lasted that somebody confirms
DOUBT_S = 300.0  # a jump counts when it has lasted this long: a wrong answer of a time server is mended sooner
# It counts a suspended machine's sleep, so that waking up is no jump. Not every system has it.
_STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class Clock(Protocol):
    """Gives the moment in whole milliseconds since 1970 UTC."""

    def now_ms(self) -> int:
        """The moment."""

    def saw(self, at_ms: int) -> None:
        """A reading of that time has been taken."""

    def doubt(self) -> str:
        """What is wrong with the clock at this moment, in a sentence; empty when nothing is."""

    def offset_s(self) -> float:
        """How far the computer's clock is ahead of the moment this clock gives."""

    def steps_back(self) -> int:
        """How often the moment has gone back for good since the start."""

    def set_by_ms(self) -> int:
        """By how much the moment was set since the start, all steps together."""

    def follow(self) -> None:
        """Believe the jump at hand: somebody who knows the time confirms it."""


@dataclass(frozen=True, slots=True)
class _Jump:
    """The wall clock stands `by_ms` beside what steady time expects, since `since_s` of steady time."""

    by_ms: int
    since_s: float


def _wall_ms() -> int:
    return time.time_ns() // 1_000_000


def _steady_s() -> float:
    return time.clock_gettime(_STEADY)


class WallClock:
    """The computer's clock. A jump is not followed until it has lasted for `DOUBT_S`; time goes on steadily meanwhile.

    Without that a clock that is a day ahead for a minute would close a day of intervals as missing. A clock that was
    never set says a moment before `EARLIEST_MS` and is followed at once when it is set; so is a jump to where most meters
    are (`follow`). Any thread may ask.
    """

    def __init__(self, wall_ms: Callable[[], int] = _wall_ms, steady_s: Callable[[], float] = _steady_s) -> None:
        self._wall_ms, self._steady_s = wall_ms, steady_s
        self._lock = threading.Lock()
        self._at_ms, self._at_s = wall_ms(), steady_s()
        self._jump: _Jump | None = None
        self._steps_back = self._set_by_ms = 0

    def now_ms(self) -> int:
        """The moment."""
        with self._lock:
            wall, steady = self._wall_ms(), self._steady_s()
            expected = self._at_ms + round((steady - self._at_s) * 1000)
            by = wall - expected
            if abs(by) > STEP_MS and expected >= WRITTEN_MS and not self._lasted(by, steady):
                return expected
            if abs(by) > STEP_MS:
                self._set_by_ms += by
                self._steps_back += by < 0
            self._jump = None
            self._at_ms, self._at_s = wall, steady
            return wall if wall >= WRITTEN_MS else min(wall, EARLIEST_MS - 1)

    def _lasted(self, by_ms: int, steady_s: float) -> bool:
        jump = self._jump
        if jump is None or abs(jump.by_ms - by_ms) > STEP_MS:
            self._jump = _Jump(by_ms, steady_s)
            return False
        return steady_s - jump.since_s >= DOUBT_S

    def follow(self) -> None:
        """Believe the jump at hand with the next look."""
        with self._lock:
            if self._jump is not None:
                self._jump = _Jump(self._jump.by_ms, BELIEVED_S)

    def saw(self, at_ms: int) -> None:
        """Readings do not move this clock."""

    def doubt(self) -> str:
        """Says by how much the computer's clock jumped, as long as it is not believed."""
        jump = self._jump
        if jump is None or jump.since_s == BELIEVED_S:
            return ""
        return (
            f"the computer's clock jumped by {jump.by_ms / 1000:+.0f} s; times go on as if it had not, and it is followed"
            f" when it stays there for {DOUBT_S / 60:.0f} min"
        )

    def offset_s(self) -> float:
        """The jump that is not believed yet; 0 when there is none."""
        jump = self._jump
        return 0.0 if jump is None else jump.by_ms / 1000

    def steps_back(self) -> int:
        """How often a jump back was followed after all."""
        return self._steps_back

    def set_by_ms(self) -> int:
        """All jumps that were followed, together."""
        return self._set_by_ms


class TrialClock:
    """Time that begins at a given moment and is carried on by the readings themselves: for accelerated trials."""

    def __init__(self, start_ms: int) -> None:
        self._now = start_ms

    def now_ms(self) -> int:
        """The time of the newest reading."""
        return self._now

    def saw(self, at_ms: int) -> None:
        """Carry time on."""
        self._now = max(self._now, at_ms)

    def doubt(self) -> str:
        """Nothing: it has no clock to doubt."""
        return ""

    def offset_s(self) -> float:
        """None that matters: the readings carry time on."""
        return 0.0

    def steps_back(self) -> int:
        """Never."""
        return 0

    def set_by_ms(self) -> int:
        """Nobody sets it."""
        return 0

    def follow(self) -> None:
        """It does not jump."""
