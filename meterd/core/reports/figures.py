"""The figures of a report: energy, quality and largest demand of each point, and sums that count nothing twice."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from meterd.core.energy.rollup import Columns, maximum_demand, mean_power_w
from meterd.core.model.connection import connection_feeds
from meterd.core.model.plan import Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Flag

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Amount:
    """An energy of the period in mWh. `at_least` is the sum of what is known where it is missing or a lower bound."""

    mwh: int | None
    estimated: bool = False
    at_least: int | None = None


@dataclass(frozen=True, slots=True)
class Quality:
    """How many interval figures there should be, and what became of them. `changed` = corrected after they were closed."""

    of: int = 0
    missing: int = 0
    estimated: int = 0
    bound: int = 0
    changed: int = 0

    def __add__(self, other: "Quality") -> "Quality":
        return Quality(
            self.of + other.of,
            self.missing + other.missing,
            self.estimated + other.estimated,
            self.bound + other.bound,
            self.changed + other.changed,
        )

    @property
    def plain(self) -> bool:
        """Whether there is nothing to say about them."""
        return not (self.missing or self.estimated or self.bound or self.changed)

    def part(self, count: int) -> float | None:
        """A count over all, None without any."""
        return count / self.of if self.of else None


@dataclass(frozen=True, slots=True)
class Peak:
    """The largest mean power of an interval, and when that interval began."""

    power_w: float
    start_ms: int


@dataclass(frozen=True, slots=True)
class PointLine:
    """One point in one period. `net` is import less export; `exported` is None where no export is read."""

    point: Point
    imported: Amount
    exported: Amount | None
    net: Amount
    peak: Peak | None
    quality: Quality


@dataclass(frozen=True, slots=True)
class Intervals:
    """Every interval of a period so far by register: energies, and the version of each figure (0 = there is none)."""

    starts: Ints
    channels: tuple[Channel, ...]
    columns: Columns
    versions: Ints

    def place(self, channel: Channel) -> int | None:
        """The column of a register, None if it is not read."""
        return self.channels.index(channel) if channel in self.channels else None


def amount(columns: Columns, place: int) -> Amount:
    """The sum of all intervals of one register.

    What is estimated inside is only a matter of shape: the sum is estimated if its begin or its end is.
    """
    present = columns.present[:, place]
    known = int(columns.energy[present, place].sum())
    if not len(present) or not bool(present.all()):
        return Amount(None, at_least=known if bool(present.any()) else None)
    if bool((columns.flags[:, place] & Flag.BOUND).any()):
        return Amount(None, at_least=known)
    ends = (columns.flags[0, place] & Flag.START) | (columns.flags[-1, place] & Flag.END)
    return Amount(known, bool(ends))


def quality(intervals: Intervals, place: int) -> Quality:
    """What became of the figures of one register."""
    columns = intervals.columns
    present, flags = columns.present[:, place], columns.flags[:, place]
    shaped = present & ((flags & (Flag.START | Flag.END)) != 0) & ((flags & Flag.BOUND) == 0)
    return Quality(
        of=len(present),
        missing=int((~present).sum()),
        estimated=int(shaped.sum()),
        bound=int((present & ((flags & Flag.BOUND) != 0)).sum()),
        changed=int((intervals.versions[:, place] > 1).sum()),
    )


def point_line(intervals: Intervals, point: Point, interval_ms: int) -> PointLine:
    """Energies, quality and largest demand of one point."""
    first, second = intervals.place((point.name, IMPORT)), intervals.place((point.name, EXPORT))
    if first is None:
        empty = Amount(None)
        return PointLine(point, empty, None, empty, None, Quality(len(intervals.starts), len(intervals.starts)))
    columns = intervals.columns
    imported, result = amount(columns, first), quality(intervals, first)
    exported = None if second is None else amount(columns, second)
    if second is not None:
        result = result + quality(intervals, second)
    top = (
        maximum_demand(columns.energy[:, first], columns.present[:, first], interval_ms)
        if len(columns.energy)
        else None
    )
    peak = None if top is None else Peak(top[1], int(intervals.starts[top[0]]))
    return PointLine(point, imported, exported, _less(imported, exported), peak, result)


def _less(item: Amount, other: Amount | None) -> Amount:
    if other is None:
        return item
    if item.mwh is None or other.mwh is None:
        return Amount(None)
    return Amount(item.mwh - other.mwh, item.estimated or other.estimated)


def total(parts: Iterable[tuple[int, Amount]]) -> Amount:
    """A signed sum of amounts; missing with any missing part, and of none."""
    known = list(parts)
    if not known or any(part.mwh is None for _, part in known):
        return Amount(None)
    return Amount(sum(sign * (part.mwh or 0) for sign, part in known), any(part.estimated for _, part in known))


@dataclass(frozen=True, slots=True)
class Group:
    """Everything that belongs to one area or tenant (name "" = nobody's). `missing` names the points without a figure."""

    name: str
    net: Amount
    points: tuple[str, ...]
    missing: tuple[str, ...]


def grouped(site: Site, lines: Sequence[PointLine], key: Callable[[Point], str]) -> tuple[Group, ...]:
    """Energy by group, in order of name, nobody's last; together exactly the outgoing feeders of all boards.

    A point below a feeder is taken from the feeder's group and given to its own; one without a group of its own stays
    with its feeder. What supplies another board of the plan is left out: that board's feeders are there themselves.
    """
    line_of = {line.point.name: line for line in lines}
    supplies = {board.fed_by for board in site.boards}
    terms: dict[str, list[tuple[int, PointLine]]] = {}
    for line in lines:
        point = line.point
        if not point.counts or point.name in supplies or point.role not in (Role.FEEDER, Role.SUB):
            continue
        if point.role is Role.FEEDER:
            terms.setdefault(key(point), []).append((1, line))
            continue
        upper = line_of.get(point.below or "")
        if upper is None or not upper.point.counts or upper.point.name in supplies:
            continue
        if key(point) and key(point) != key(upper.point):
            terms.setdefault(key(point), []).append((1, line))
            terms.setdefault(key(upper.point), []).append((-1, line))
    return tuple(_group(name, terms[name]) for name in sorted(terms, key=lambda name: (not name, name)))


def _group(name: str, terms: Sequence[tuple[int, PointLine]]) -> Group:
    return Group(
        name,
        total((sign, line.net) for sign, line in terms),
        tuple(line.point.name for sign, line in terms if sign > 0),
        tuple(line.point.name for _, line in terms if line.net.mwh is None),
    )


def area_of(point: Point) -> str:
    """The first part of its place: `Weaving shed, studio 01` lies in the weaving shed."""
    return point.place.split(",")[0].strip()


def summed(intervals: Intervals, points: Iterable[Point], register: str) -> tuple[Ints, Bools]:
    """The sum of some points per interval, and where all of them are known. Points that do not read it add nothing."""
    places = [place for p in points if (place := intervals.place((p.name, register))) is not None]
    columns = intervals.columns
    energy: Ints = columns.energy[:, places].sum(axis=1)
    present: Bools = np.asarray(columns.present[:, places].all(axis=1), dtype=np.bool_)
    return energy, present if places else np.zeros_like(present)


def peaks(intervals: Intervals, site: Site, interval_ms: int, *, count: int) -> tuple[Peak, ...]:
    """The largest means of the draw at the connection, the largest first, of equals the earlier."""
    points = connection_feeds(site)
    imported, known = summed(intervals, points, IMPORT)
    exported, both = summed(intervals, points, EXPORT)
    if any(intervals.place((p.name, EXPORT)) is not None for p in points):
        known = known & both
        imported = imported - exported
    rows = np.flatnonzero(known)
    order = rows[np.argsort(-imported[rows], kind="stable")][:count]
    return tuple(Peak(mean_power_w(int(imported[i]), interval_ms), int(intervals.starts[i])) for i in order)


@dataclass(frozen=True, slots=True)
class Step:
    """One day of a month, or one month of a year: what came from the grid, went to it, and PV produced (mWh)."""

    start_ms: int
    imported: int | None
    exported: int | None
    produced: int | None


def steps(intervals: Intervals, site: Site, begins: Sequence[int], end_ms: int) -> tuple[Step, ...]:
    """Sums of consecutive parts of the period, missing with any missing interval."""
    grid, sun = connection_feeds(site), [p for p in site.points if p.counts and p.role is Role.PV]
    columns = {
        "imported": summed(intervals, grid, IMPORT),
        "exported": summed(intervals, grid, EXPORT),
        "produced": summed(intervals, sun, IMPORT),
    }
    sums = {name: sums_between(intervals, [*begins, end_ms], *column) for name, column in columns.items()}
    return tuple(Step(low, **{name: values[i] for name, values in sums.items()}) for i, low in enumerate(begins))


def sums_between(intervals: Intervals, edges: Sequence[int], energy: Ints, known: Bools) -> list[int | None]:
    """Sums of the intervals between each edge and the next, missing with any missing interval and without any."""
    rows = np.searchsorted(intervals.starts, edges).tolist()
    return [
        int(energy[low:high].sum()) if low < high and bool(known[low:high].all()) else None
        for low, high in pairwise(rows)
    ]
