"""Stored readings as whoever follows a register asks for them, wherever they are stored."""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from meterd.core.model.reading import Reading
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Ints


class StoredReadings(Protocol):
    """Readings of a journal. Times in ms UTC; milli-units as shown where a register counts, else its base unit."""

    def channels(self) -> list[Channel]:
        """Every register that has readings or figures."""

    def history(self, channel: Channel, from_ms: int, until_ms: int = 2**62, *, most: int = -1) -> tuple[Ints, Ints]:
        """Times and values of a register that counts in [from, until), sorted; with `most` only the earliest so many."""

    def samples(self, channel: Channel, from_ms: int, until_ms: int) -> tuple[Ints, NDArray[np.float64]]:
        """Times and values of an instantaneous register in [from, until), sorted."""

    def readings_between(self, channel: Channel, from_ms: int, until_ms: int, *, most: int) -> list[Reading]:
        """The first `most` readings of a register in [from, until), sorted by (time, value), with their arrival."""

    def readings_around(self, channel: Channel, at_ms: int) -> tuple[int | None, int | None]:
        """Times of the newest reading before a moment and of the first one from it on."""

    def first_ms(self, channel: Channel) -> int | None:
        """Time of the oldest reading."""

    def latest(self, channel: Channel) -> tuple[int, float] | None:
        """Time and value of the newest reading."""

    def newest(self, channel: Channel, most: int) -> list[tuple[int, float]]:
        """Times and values of at most so many of the newest readings, in order of time."""
