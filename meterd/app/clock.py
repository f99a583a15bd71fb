"""Where the moment comes from. The loop waits on the monotonic clock; the wall clock is data."""

import time
from typing import Protocol


class Clock(Protocol):
    """Gives the moment in whole milliseconds since 1970 UTC."""

    def now_ms(self) -> int:
        """The moment."""

    def saw(self, at_ms: int) -> None:
        """A reading of that time has been taken."""


class WallClock:
    """The computer's clock."""

    def now_ms(self) -> int:
        """The moment."""
        return time.time_ns() // 1_000_000

    def saw(self, at_ms: int) -> None:
        """Readings do not move this clock."""


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
