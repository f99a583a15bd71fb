"""What is kept: the journal of readings and the figures made from them.

One process writes, any number read. A reading counts for the rest of the program only after its transaction is
committed. Figures are versioned: a changed one gets a new version with a reason, the old one stays readable.
"""

from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

from meterd.figure import Channel, FigureRow
from meterd.interval import Period
from meterd.knots import Anchor, Ints
from meterd.reading import Reading
from meterd.rollup import Columns


class Store(Protocol):
    """What every store can do. `tests/store` holds the contract that each member must keep."""

    def transaction(self) -> AbstractContextManager[None]:
        """All writes inside are kept together or not at all."""

    def add_readings(self, readings: Sequence[Reading]) -> list[Reading]:
        """Keep readings; returns those that were new. Repeats (same point, register, time and value) change nothing."""

    def history(self, channel: Channel, from_ms: int) -> tuple[Ints, Ints]:
        """Times and shown milli-units of a cumulative register from a moment on, sorted by (time, value)."""

    def anchor(self, channel: Channel, at_ms: int) -> tuple[int, Anchor] | None:
        """The newest interval that starts at or before the moment and has an anchor: its start and the anchor."""

    def write_figures(self, rows: Iterable[FigureRow], *, now_ms: int, reason: str) -> list[FigureRow]:
        """Keep figures; returns those that are new or differ from the newest version."""

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Newest figures of T periods by n channels; missing where there is none."""

    def close(self) -> None:
        """End; nothing accepted is lost."""
