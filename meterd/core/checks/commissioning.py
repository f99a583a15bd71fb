"""Putting points into service: what is still missing, which room of a row differs, which point a breaker feeds."""

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.plan import Copied, Instrument, Point, PointState, Role, Site

# times the spread of the row: of 24 rooms with ordinary tenants one in some hundred rows is so far off by chance
OUTLIER_SPREADS = 5.0
LEAST_ROOMS = 5  # below it a median says nothing about one of them
LEAST_SPREAD = (
    0.15  # rooms of one pattern differ by a seventh (common practice); a quiet row must not make all of them odd
)
DROP_W = 50.0  # smaller falls are the ordinary life of loads
GONE, GONE_W = 0.005, 10.0  # what a meter behind an open breaker may still show, of before or in W: noise of its input


class MissingItem(StrEnum):
    """What a point still lacks before it can be accepted."""

    INSTRUMENT = "instrument"
    INPUT = "input"
    SERIAL = "serial"
    METER_CLASS = "class"
    RATIO = "ratio"
    RATING = "rating"
    DESIGNATION = "designation"
    VALUE = "value"


def missing_items(site: Site, point: Point, now_ms: int, *, heard: bool) -> list[MissingItem]:
    """What is missing at a point that is not retired; `heard` tells whether a value of it has ever come in."""
    fitted = [i for i in site.instruments_of(point.name) if i.from_ms <= now_ms and (i.until_ms or now_ms + 1) > now_ms]
    results = [] if point.designation else [MissingItem.DESIGNATION]
    if point.rating_a is None:
        results.append(MissingItem.RATING)
    if point.state is PointState.PLANNED:
        return results
    results += _of_instrument(fitted[0]) if fitted else [MissingItem.INSTRUMENT]
    if not site.inputs_of(point.name):
        results.append(MissingItem.INPUT)
    elif not heard:
        results.append(MissingItem.VALUE)
    return results


def _of_instrument(instrument: Instrument) -> list[MissingItem]:
    results = [] if instrument.serial else [MissingItem.SERIAL]
    if instrument.meter_class is None:
        results.append(MissingItem.METER_CLASS)
    if instrument.ct_class is not None and instrument.ct_ratio is None:
        results.append(MissingItem.RATIO)
    return results


# -- a row of identical rooms ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OutlierRoom:
    """One room that differs from its row: its energy over the median of the row, and how many spreads it is off (-inf: nothing).

    `exchanged_with` names the room that should differ by the plan and does not: the two may be exchanged.
    """

    point: str
    ratio: float
    spreads: float
    exchanged_with: str = ""


def outlier_rooms(row: Copied, energies: Mapping[str, int | None], different: Sequence[str] = ()) -> list[OutlierRoom]:
    """Rooms of a row that differ from the others in the energy of one span, the farthest first.

    `energies` are mWh by point, None where it is missing (such a room is not judged). `different` are rooms that the plan
    draws otherwise (a kiln, a dark room): they may differ; if one of them does not while an ordinary room does, these two
    are named as perhaps exchanged. Rooms are compared by the logarithm of their energy, because tenants differ by factors;
    the spread is the median absolute deviation, scaled to a standard deviation. A room that draws nothing or feeds back is odd.
    """
    values = {name: float(value) for name in row.points if (value := energies.get(name)) is not None}
    drawing = {name: math.log(value) for name, value in values.items() if value > 0}
    if len(values) < LEAST_ROOMS or len(drawing) <= len(values) / 2:
        return []
    middle = statistics.median(drawing.values())
    spread = max(1.4826 * statistics.median(abs(value - middle) for value in drawing.values()), LEAST_SPREAD)
    off = {name: (drawing[name] - middle) / spread if name in drawing else -math.inf for name in values}
    odd = {name for name, far in off.items() if abs(far) > OUTLIER_SPREADS}
    strange = sorted(odd - set(different), key=lambda name: (-abs(off[name]), name))
    ordinary = [name for name in different if name in values and name not in odd]
    partner = ordinary[0] if len(strange) == 1 and len(ordinary) == 1 else ""
    return [OutlierRoom(name, values[name] / math.exp(middle), off[name], partner) for name in strange]


def planned_otherwise(site: Site, row: Copied) -> list[str]:
    """Rooms whose row in the plan differs from the pattern in what they may draw: rating, or the most of a consumer."""

    def drawing(name: str) -> tuple[object, ...]:
        point = site.point(name)
        most = tuple(sorted(c.max_w for c in site.consumers if c.point == name))
        return point.rating_a, most, point.role

    drawings = {name: drawing(name) for name in row.points}
    usual = statistics.mode(drawings.values())
    return [name for name, item in drawings.items() if item != usual]


# -- the switch test ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PowerDrop:
    """One point before and after a breaker was opened, in W. `gone`: hardly anything is left of it."""

    point: str
    before_w: float
    after_w: float
    gone: bool

    @property
    def fell_w(self) -> float:
        """By how much."""
        return self.before_w - self.after_w


@dataclass(frozen=True, slots=True)
class SwitchTest:
    """What the opening of a breaker showed. `verdict`: waiting, right, other, nothing, no load."""

    point: str
    verdict: str
    drops: tuple[PowerDrop, ...]
    others: tuple[str, ...] = ()  # points that went out although they are neither above nor below
    waiting_for: tuple[str, ...] = ()


def switch_test(
    site: Site, point: str, before: Mapping[str, float], after: Mapping[str, float | None], above: Sequence[str]
) -> SwitchTest:
    """Compare powers in W before and after the breaker of a point was opened.

    `after` holds None for points without a value since then. `above` are the points that carry this one: their fall is no
    surprise. The points below go out with it. The test is right when the point itself went out and nothing else did.
    """
    if before.get(point) is None or abs(before[point]) < DROP_W:
        return SwitchTest(point, "no load", ())
    late = tuple(sorted(name for name in before if after.get(name) is None))
    below = {p.name for p in site.below(point)}
    drops = sorted(
        (
            PowerDrop(name, was, now, abs(now) <= max(GONE * abs(was), GONE_W))
            for name, was in before.items()
            if (now := after.get(name)) is not None and abs(was) - abs(now) >= DROP_W
        ),
        key=lambda power_drop: (
            power_drop.point != point,
            not power_drop.gone,
            -abs(power_drop.fell_w),
            power_drop.point,
        ),
    )
    if after.get(point) is None:
        return SwitchTest(point, "waiting", tuple(drops), waiting_for=(point,))
    gone = {power_drop.point for power_drop in drops if power_drop.gone}
    others = tuple(sorted(gone - {point} - below - set(above)))
    if point in gone:
        verdict = "right" if not others else "other"
    elif others:
        verdict = "other"
    else:
        verdict = "waiting" if late else "nothing"
    return SwitchTest(point, verdict, tuple(drops), others, late)


def carried_by(site: Site, point: str) -> list[str]:
    """The points that carry a point: the feeder above it, the feeds of its board, and so on up to the connection."""
    results: list[str] = []
    at: str | None = point
    seen: set[str] = set()
    while at is not None and at not in seen:
        seen.add(at)
        here = site.point(at)
        if here.below is not None:
            results.append(here.below)
            at = here.below
            continue
        results += [p.name for p in site.on_board(here.board) if p.role in (Role.FEED, Role.BACKUP, Role.STORAGE)]
        at = next((board.fed_by for board in site.boards if board.name == here.board), None)
        if at is not None:
            results.append(at)
    return results
