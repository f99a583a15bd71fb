"""Figures of one register in periods of one kind as columns: for histories of years, where a row each would fill the memory."""

from array import array
from dataclasses import dataclass, replace

import numpy as np

from meterd.core.model.periods import Period
from meterd.core.model.results import Anchor, Channel, FigureRow
from meterd.core.registers.register_line import Bools, Breakpoints, Figures, Ints


@dataclass(frozen=True, slots=True)
class Anchors:
    """Where intervals can be recalculated from: time, what the register counted, since when it stood, where there is one."""

    present: Bools
    at_ms: Ints
    raw: Ints
    plateau_ms: Ints

    def part(self, span: slice) -> "Anchors":
        """Those of a span."""
        return Anchors(self.present[span], self.at_ms[span], self.raw[span], self.plateau_ms[span])

    def rows(self) -> list[Anchor | None]:
        """One for each interval."""
        columns = (self.present, self.at_ms, self.raw, self.plateau_ms)
        listed = zip(*(column.tolist() for column in columns), strict=True)
        return [Anchor(*values) if there else None for there, *values in listed]


@dataclass(frozen=True, slots=True)
class FigureColumns:
    """Energies in mWh (0 where not `present`) and flags of T periods, intervals with their anchors."""

    channel: Channel
    period: Period
    start_ms: Ints
    energy: Ints
    present: Bools
    flags: Ints
    anchors: Anchors | None = None

    def __len__(self) -> int:
        return len(self.start_ms)

    def part(self, low: int, high: int) -> "FigureColumns":
        """The periods `low` up to `high`."""
        span, anchors = slice(low, high), self.anchors
        return replace(
            self,
            start_ms=self.start_ms[span],
            energy=self.energy[span],
            present=self.present[span],
            flags=self.flags[span],
            anchors=anchors and anchors.part(span),
        )

    def rows(self) -> list[FigureRow]:
        """One row for each period."""
        shared, columns = (self.channel, self.period), (self.start_ms, self.energy, self.present, self.flags)
        anchors = [None] * len(self) if self.anchors is None else self.anchors.rows()
        return [
            FigureRow(*shared, start, energy if present else None, flags, anchor)
            for start, energy, present, flags, anchor in zip(
                *(column.tolist() for column in columns), anchors, strict=True
            )
        ]


def interval_columns(channel: Channel, figures: Figures, breakpoints: Breakpoints) -> FigureColumns:
    """Figures of intervals with the anchors that they point to among the breakpoints."""
    present, at = figures.anchor >= 0, np.maximum(figures.anchor, 0)

    def taken(column: "array[int]") -> Ints:
        values = np.array(column, dtype=np.int64)
        return values[at] if len(values) else np.zeros(len(at), dtype=np.int64)

    anchors = Anchors(present, taken(breakpoints.t), taken(breakpoints.raw), taken(breakpoints.plateau))
    flags = figures.flags.astype(np.int64)
    return FigureColumns(channel, Period.INTERVAL, figures.start_ms, figures.energy, figures.present, flags, anchors)
