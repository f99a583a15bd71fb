"""Readings and anchors of a site in an archive, as the recalculation of figures asks a store for them."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa

from meterd.adapters.store.month_rows import READINGS
from meterd.app.operations.archive_tables import read_columns
from meterd.core.model.archived_month import ArchivedFile, ArchivedMonth
from meterd.core.model.periods import Period
from meterd.core.model.results import Anchor, Channel
from meterd.core.registers.register_line import Bools, Ints

_ENERGY = ("start", "point", "register", "energy_mwh", "flags", "anchor", "anchor_shown", "anchor_plateau")


@dataclass(frozen=True, slots=True)
class MonthFiles:
    """Of one month what its figures, or those of a month beside it, are made from."""

    from_ms: int
    until_ms: int
    readings: ArchivedFile | None
    energy: ArchivedFile | None


def files_of(month: ArchivedMonth) -> MonthFiles:
    """The files of a month."""
    return MonthFiles(month.from_ms, month.until_ms, month.files.get(READINGS), month.files.get("energy"))


@dataclass(frozen=True, slots=True)
class ArchivedIntervals:
    """Interval figures of one register in one month: mWh, 0 where missing; and the anchors that they have."""

    start_ms: Ints
    energy: Ints
    present: Bools
    flags: Ints
    anchor_starts: Ints
    anchors: tuple[Ints, Ints, Ints]


@dataclass(slots=True)
class ArchivedReadings:
    """The readings of some months in a row. `fetch` brings a file to this machine; each is read when it is asked for."""

    months: Sequence[MonthFiles]
    fetch: Callable[[ArchivedFile], Path]
    _readings: dict[int, dict[Channel, tuple[Ints, Ints]]] = field(default_factory=dict)
    _intervals: dict[int, dict[Channel, ArchivedIntervals]] = field(default_factory=dict)

    def fact(self, name: str) -> str | None:
        """None: what had become final because readings were deleted is not so here, where they are kept."""
        return None

    def anchor(self, channel: Channel, at_ms: int) -> tuple[int, Anchor] | None:
        """The newest interval that starts at or before the moment and has an anchor: its start and the anchor."""
        for place in reversed(range(len(self.months))):
            own = self.intervals(place).get(channel) if self.months[place].from_ms <= at_ms else None
            i = -1 if own is None else int(np.searchsorted(own.anchor_starts, at_ms, side="right")) - 1
            if own is not None and i >= 0:
                return int(own.anchor_starts[i]), Anchor(*(int(column[i]) for column in own.anchors))
        return None

    def history(self, channel: Channel, from_ms: int, until_ms: int = 2**62, *, most: int = -1) -> tuple[Ints, Ints]:
        """Times and shown milli-units of a cumulative register in [from, until); with `most` only so many, the earliest."""
        none = np.empty(0, dtype=np.int64)
        parts, count = [(none, none)], 0
        for place, month in enumerate(self.months):
            if month.until_ms <= from_ms or month.from_ms >= until_ms or (0 <= most <= count):
                continue
            times, values = self._of(place).get(channel, (none, none))
            low, high = np.searchsorted(times, [from_ms, until_ms])
            parts.append((times[low:high], values[low:high]))
            count += int(high - low)
        cut = count if most < 0 else most
        return np.concatenate([t for t, _ in parts])[:cut], np.concatenate([v for _, v in parts])[:cut]

    def last_ms(self, channel: Channel) -> int:
        """The time of the newest reading of a register in these months."""
        for place in reversed(range(len(self.months))):
            if channel in (own := self._of(place)):
                return int(own[channel][0][-1])
        return -(2**62)

    def intervals(self, place: int) -> dict[Channel, ArchivedIntervals]:
        """The archived interval figures of one of the months."""
        if place not in self._intervals:
            file = self.months[place].energy
            rows = {} if file is None or not file.rows else dict(_intervals_in(self.fetch(file)))
            self._intervals[place] = rows
        return self._intervals[place]

    def _of(self, place: int) -> dict[Channel, tuple[Ints, Ints]]:
        if place not in self._readings:
            file = self.months[place].readings
            rows = {} if file is None or not file.rows else dict(_readings_in(self.fetch(file)))
            self._readings[place] = rows
        return self._readings[place]


def by_channel(table: pa.Table) -> Iterator[tuple[Channel, pa.Table]]:
    """The rows of each register, which stand together."""
    if not table.num_rows:
        return
    points, registers = (table[name].combine_chunks() for name in ("point", "register"))
    codes = points.indices.to_numpy().astype(np.int64) * len(registers.dictionary) + registers.indices.to_numpy()
    first = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1, [len(codes)]]).tolist()
    for low, high in pairwise(first):
        yield (points[low].as_py(), registers[low].as_py()), table.slice(low, high - low)


def _readings_in(path: Path) -> Iterator[tuple[Channel, tuple[Ints, Ints]]]:
    table = read_columns(path, READINGS, ("time", "point", "register", "count"))
    if table["count"].null_count:
        table = table.filter(table["count"].is_valid())
    for channel, rows in by_channel(table):
        yield channel, (rows["time"].to_numpy(), rows["count"].to_numpy())


def _intervals_in(path: Path) -> Iterator[tuple[Channel, ArchivedIntervals]]:
    table = read_columns(path, "energy", _ENERGY, Period.INTERVAL)
    for channel, rows in by_channel(table):
        held = rows.filter(rows["anchor"].is_valid())
        shown, plateau = held["anchor_shown"].to_numpy(), held["anchor_plateau"].to_numpy()
        yield (
            channel,
            ArchivedIntervals(
                rows["start"].to_numpy(),
                rows["energy_mwh"].fill_null(0).to_numpy(),
                rows["energy_mwh"].is_valid().to_numpy().astype(np.bool_),
                rows["flags"].to_numpy(),
                held["start"].to_numpy(),
                (held["anchor"].to_numpy(), shown, plateau),
            ),
        )
