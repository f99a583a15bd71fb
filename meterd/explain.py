"""Why a figure is what it is: made once more from what is kept, by the functions that made it, and said in parts.

    interval        readings -> the register followed from an anchor -> its values at both ends -> energy, corrections
    longer period   its parts -> their sum
    balance         the terms with the uncertainty of each -> residual, band, verdict

Nothing here decides anything: it shows on which readings, parts and limits a figure rests, so that a person can follow it.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from meterd.balance import Term, interval_parts, period_parts
from meterd.books import BoardBook
from meterd.correction import Stretch, corrected
from meterd.figure import Channel
from meterd.knots import Anchor, Edge, Figures, Ints, Knots, figures
from meterd.register import Event, Rule, Tracker, rules_of
from meterd.rollup import Columns, roll_up
from meterd.site import Input, Limits, Site
from meterd.uncertainty import Accuracy, class_uncertainty

_FOREVER = 2**62


class Found(StrEnum):
    """How the value of a register at a moment was found."""

    EXACT = "exact"  # a reading of that very moment
    BETWEEN = "between"  # on the line between two readings near enough
    GAP = "gap"  # estimated: the readings are further apart than the plan calls exact
    STOOD = "stood"  # estimated: the energy is known, its shape is not (a register that stood still, an exchange)
    BOUND = "bound"  # estimated: the register began anew or may have gone round, the energy is a lower bound
    BREAK = "break"  # unknown: nothing is known of the energy between the two readings
    FAR = "far"  # unknown: the readings are too far apart even for an estimate
    BEFORE = "before"  # unknown: there is no earlier reading
    AFTER = "after"  # unknown: there is no later reading


@dataclass(frozen=True, slots=True)
class Kept:
    """A figure as the books have it or as it was made again: `energy` in mWh, None = missing; `flags` as in `knots.Flag`."""

    energy: int | None
    flags: int


@dataclass(frozen=True, slots=True)
class Mark:
    """A reading on which a value rests: what the instrument showed (milli-units), and what that counts, in mWh."""

    at_ms: int
    shown: int
    counted: int


@dataclass(frozen=True, slots=True)
class Boundary:
    """The value of a register at a moment, in mWh on the primary side: `counted`, None where it is not known."""

    at_ms: int
    found: Found
    counted: int | None
    before: Mark | None
    after: Mark | None


@dataclass(frozen=True, slots=True)
class Trail:
    """Readings to follow, sorted by (time, value), in milli-units as shown, from an anchor or from their first."""

    anchor: Anchor | None
    times: Ints
    shown: Ints


@dataclass(frozen=True, slots=True)
class Derived:
    """One interval made again. `gain` is what corrections added, in mWh.

    `used` are the moments of the readings that were believed. `sure` means that no later reading could change it.
    `earlier` asks for an anchor before that moment: what was given does not reach back far enough.
    """

    start: Boundary
    end: Boundary
    result: Kept
    gain: int
    broken: bool  # whether something unknown reaches into the interval
    events: tuple[Event, ...]
    used: frozenset[int]
    sure: bool
    earlier: int | None


def input_of(site: Site, channel: Channel) -> Input | None:
    """Where the plan says the register is read; None if nowhere."""
    return next((row for row in site.inputs if (row.point, row.register) == channel), None)


def derive(
    site: Site, channel: Channel, span: tuple[int, int], *, trail: Trail, stretches: Sequence[Stretch] = ()
) -> Derived:
    """The interval [span) of a register that the plan reads, made again from its readings; KeyError for another register."""
    row = input_of(site, channel)
    if row is None:
        raise KeyError(channel)
    rules = rules_of(site, site.point(channel[0]), channel[1], per_ct=row.per_ct, pulses=row.unit == "imp")
    known = trail.anchor is not None and any(rule.from_ms <= trail.anchor.at_ms for rule in rules)
    tracker = Tracker(rules, trail.anchor if known else None)
    tracker.run(trail.times, trail.shown)
    knots, limits = tracker.knots, site.limits
    plain, result = _results(knots, rules, stretches, span, limits)
    last = knots.t[min(bisect_right(knots.t, span[1]), len(knots) - 1)] if len(knots) else span[1]
    return Derived(
        start=_boundary(knots, rules, span[0], limits),
        end=_boundary(knots, rules, span[1], limits),
        result=result,
        gain=(result.energy or 0) - (plain.energy or 0),
        broken=_broken(knots, span),
        events=tuple(one for one in tracker.events if span[0] <= one.at_ms <= max(span[1], last)),
        used=frozenset(knots.t),
        sure=tracker.settled(span[1]),
        earlier=tracker.rerun_from if known else None,
    )


def _results(
    knots: Knots, rules: Sequence[Rule], stretches: Sequence[Stretch], span: tuple[int, int], limits: Limits
) -> tuple[Kept, Kept]:
    """The figure without and with its corrections."""
    step, gap_ms = span[1] - span[0], limits.gap_exact_s * 1000
    estimate_ms = limits.gap_estimate_s * 1000
    plain = figures(knots, *span, interval_ms=step, gap_exact_ms=gap_ms, gap_estimate_ms=estimate_ms)
    full = corrected(plain, knots, rules, stretches, interval_ms=step, gap_ms=gap_ms) if stretches else plain
    return _first(plain), _first(full)


def _first(found: Figures) -> Kept:
    return Kept(int(found.energy[0]) if found.present[0] else None, int(found.flags[0]))


def _boundary(knots: Knots, rules: Sequence[Rule], at_ms: int, limits: Limits) -> Boundary:
    index = bisect_right(knots.t, at_ms) - 1
    after = _mark(knots, rules, index + 1) if index + 1 < len(knots) else None
    if index < 0:
        return Boundary(at_ms, Found.BEFORE, None, None, after)
    before, total = _mark(knots, rules, index), knots.total_at(at_ms)
    found = _found(knots, index, at_ms, limits)
    counted = None if total is None or found is Found.FAR else total + _offset(knots, rules)
    return Boundary(at_ms, found, counted, before, None if found is Found.EXACT else after)


def _found(knots: Knots, index: int, at_ms: int, limits: Limits) -> Found:
    if knots.t[index] == at_ms:
        return Found.EXACT
    if index + 1 == len(knots):
        return Found.AFTER
    kind, apart = knots.edge[index + 1], knots.t[index + 1] - knots.t[index]
    if kind == Edge.BREAK:
        return Found.BREAK
    if apart > limits.gap_estimate_s * 1000:
        return Found.FAR
    if kind in (Edge.ESTIMATED, Edge.BOUND):
        return Found.STOOD if kind == Edge.ESTIMATED else Found.BOUND
    return Found.GAP if apart > limits.gap_exact_s * 1000 else Found.BETWEEN


def _mark(knots: Knots, rules: Sequence[Rule], index: int) -> Mark:
    return Mark(knots.t[index], knots.raw[index], knots.total[index] + _offset(knots, rules))


def _offset(knots: Knots, rules: Sequence[Rule]) -> int:
    """From the running total to what the register had counted at the first knot; it goes on through exchanges."""
    rule = next((one for one in reversed(rules) if one.from_ms <= knots.t[0]), rules[0])
    return rule.mwh(knots.raw[0]) - knots.total[0]


def _broken(knots: Knots, span: tuple[int, int]) -> bool:
    low, high = max(bisect_right(knots.t, span[0]), 1), bisect_right(knots.t, span[1] - 1)
    return any(knots.edge[i] == Edge.BREAK for i in range(low, min(high + 1, len(knots))))


# -- sums --------------------------------------------------------------------------------------------------------------


def summed(parts: Columns) -> Kept:
    """The sum of all rows of one register, every part of the period a row."""
    if not len(parts.energy):
        return Kept(None, 0)
    rolled = roll_up(parts, np.zeros(1, dtype=np.int64), np.array([len(parts.energy)]))
    return Kept(int(rolled.energy[0, 0]) if rolled.present[0, 0] else None, int(rolled.flags[0, 0]))


# -- balances ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Share:
    """What one point brings into a band: its accuracy at the beginning, and its parts in mWh over the period.

    `meter_limit` and `ct_limit` are the limits of the classes at the currents that flowed, `step` the standard uncertainty
    of its resolution, `uncertainty` all three together as one standard uncertainty.
    """

    point: str
    sign: int
    accuracy: Accuracy
    meter_limit: float
    ct_limit: float
    step: float
    uncertainty: float


def shares(book: BoardBook, start_ms: Ints, end_ms: Ints, net: Columns) -> tuple[Share, ...]:
    """The share of each term in the band of the one period that all intervals make; missing energies count as 0."""
    terms = book.terms.terms
    parts = interval_parts(terms, start_ms, end_ms, np.where(net.present, net.energy, 0))
    whole = period_parts(parts, np.zeros(1, dtype=np.int64))
    found = []
    for i, term in enumerate(terms):
        meter, ct, step = whole.meter[0, i] / 1000, whole.ct[0, i] / 1000, float(whole.resolution[0, i])
        limit = class_uncertainty(1.0)
        found.append(
            Share(
                term.point, term.sign, in_force(term, int(start_ms[0])), float(meter / limit), float(ct / limit), step,
                float(np.sqrt(meter * meter + ct * ct + step * step)),
            )
        )  # fmt: skip
    return tuple(found)


def in_force(term: Term, at_ms: int) -> Accuracy:
    """The accuracy of a term at a moment: of those that hold, the later entry."""
    return [one for low, high, one in term.accuracies if low <= at_ms < (_FOREVER if high is None else high)][-1]


@dataclass(frozen=True, slots=True)
class Sides:
    """Feed side, outgoing side and residual in mWh, None = missing."""

    feed: int | None
    outgoing: int | None
    residual: int | None


def sides(book: BoardBook, energies: Sequence[int | None]) -> Sides:
    """The two sides of a board from the net energies of its terms, in their order; a missing term makes its side missing."""

    def side(sign: int) -> int | None:
        mine = [e for term, e in zip(book.terms.terms, energies, strict=True) if term.sign == sign]
        known = [e for e in mine if e is not None]
        return sum(known) if mine and len(known) == len(mine) else None

    feed, outgoing = side(1), side(-1)
    return Sides(feed, outgoing, None if feed is None or outgoing is None else feed - outgoing)
