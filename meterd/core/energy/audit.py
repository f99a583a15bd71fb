"""Why a figure is what it is: made once more from what is stored, by the functions that made it, and said in parts.

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

from meterd.core.balance.board_balance import Term, interval_inputs, period_inputs
from meterd.core.balance.uncertainty import Accuracy, class_uncertainty
from meterd.core.energy.aggregation import BoardAggregation
from meterd.core.energy.rollup import Columns, roll_up
from meterd.core.model.plan import Input, Limits, Site
from meterd.core.model.results import Anchor, Channel
from meterd.core.registers.corrections import CorrectionSegment, corrected
from meterd.core.registers.register_line import Breakpoints, Edge, Figures, Ints, figures
from meterd.core.registers.tracker import Event, Rule, Tracker, rules_of

_FOREVER = 2**62


class ValueOrigin(StrEnum):
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
class StoredFigure:
    """A figure as stored or as it was recalculated: `energy` in mWh, None = missing; `flags` as in `register_line.Flag`."""

    energy: int | None
    flags: int


@dataclass(frozen=True, slots=True)
class SupportingReading:
    """A reading on which a value rests: what the instrument showed (milli-units), and what that counts, in mWh."""

    at_ms: int
    shown: int
    counted: int


@dataclass(frozen=True, slots=True)
class Boundary:
    """The value of a register at a moment, in mWh on the primary side: `counted`, None where it is not known."""

    at_ms: int
    origin: ValueOrigin
    counted: int | None
    before: SupportingReading | None
    after: SupportingReading | None


@dataclass(frozen=True, slots=True)
class ReadingSequence:
    """Readings to follow, sorted by (time, value), in milli-units as shown, from an anchor or from their first."""

    anchor: Anchor | None
    times: Ints
    shown: Ints


@dataclass(frozen=True, slots=True)
class RecomputedInterval:
    """One interval recalculated. `gain` is what corrections added, in mWh.

    `used` are the moments of the readings that were believed. `sure` means that no later reading could change it.
    `earlier` asks for an anchor before that moment: what was given does not reach back far enough.
    """

    start: Boundary
    end: Boundary
    result: StoredFigure
    gain: int
    broken: bool  # whether something unknown reaches into the interval
    events: tuple[Event, ...]
    used: frozenset[int]
    sure: bool
    earlier: int | None


def input_of(site: Site, channel: Channel) -> Input | None:
    """Where the plan says the register is read; None if nowhere."""
    return next((row for row in site.inputs if (row.point, row.register) == channel), None)


def recompute_interval(
    site: Site,
    channel: Channel,
    span: tuple[int, int],
    *,
    sequence: ReadingSequence,
    segments: Sequence[CorrectionSegment] = (),
) -> RecomputedInterval:
    """The interval [span) of a register that the plan reads, recalculated from its readings; KeyError for another register."""
    row = input_of(site, channel)
    if row is None:
        raise KeyError(channel)
    rules = rules_of(site, site.point(channel[0]), channel[1], per_ct=row.per_ct, pulses=row.unit == "imp")
    known = sequence.anchor is not None and any(rule.from_ms <= sequence.anchor.at_ms for rule in rules)
    tracker = Tracker(rules, sequence.anchor if known else None)
    tracker.run(sequence.times, sequence.shown)
    breakpoints, limits = tracker.breakpoints, site.limits
    plain, result = _results(breakpoints, rules, segments, span=span, limits=limits)
    last = (
        breakpoints.t[min(bisect_right(breakpoints.t, span[1]), len(breakpoints) - 1)] if len(breakpoints) else span[1]
    )
    return RecomputedInterval(
        start=_boundary(breakpoints, rules, span[0], limits),
        end=_boundary(breakpoints, rules, span[1], limits),
        result=result,
        gain=(result.energy or 0) - (plain.energy or 0),
        broken=_broken(breakpoints, span),
        events=tuple(event for event in tracker.events if span[0] <= event.at_ms <= max(span[1], last)),
        used=frozenset(breakpoints.t),
        sure=tracker.is_final(span[1]),
        earlier=tracker.rerun_from if known else None,
    )


def _results(
    breakpoints: Breakpoints,
    rules: Sequence[Rule],
    segments: Sequence[CorrectionSegment],
    *,
    span: tuple[int, int],
    limits: Limits,
) -> tuple[StoredFigure, StoredFigure]:
    """The figure without and with its corrections."""
    step, gap_ms = span[1] - span[0], limits.gap_exact_s * 1000
    estimate_ms = limits.gap_estimate_s * 1000
    plain = figures(breakpoints, *span, interval_ms=step, gap_exact_ms=gap_ms, gap_estimate_ms=estimate_ms)
    full = corrected(plain, breakpoints, rules, segments, interval_ms=step, gap_ms=gap_ms) if segments else plain
    return _first(plain), _first(full)


def _first(result: Figures) -> StoredFigure:
    return StoredFigure(int(result.energy[0]) if result.present[0] else None, int(result.flags[0]))


def _boundary(breakpoints: Breakpoints, rules: Sequence[Rule], at_ms: int, limits: Limits) -> Boundary:
    index = bisect_right(breakpoints.t, at_ms) - 1
    after = _supporting_reading(breakpoints, rules, index + 1) if index + 1 < len(breakpoints) else None
    if index < 0:
        return Boundary(at_ms, ValueOrigin.BEFORE, None, None, after)
    before, total = _supporting_reading(breakpoints, rules, index), breakpoints.total_at(at_ms)
    origin = _value_at(breakpoints, index, at_ms, limits)
    counted = None if total is None or origin is ValueOrigin.FAR else total + _offset(breakpoints, rules)
    return Boundary(at_ms, origin, counted, before, None if origin is ValueOrigin.EXACT else after)


def _value_at(breakpoints: Breakpoints, index: int, at_ms: int, limits: Limits) -> ValueOrigin:
    if breakpoints.t[index] == at_ms:
        return ValueOrigin.EXACT
    if index + 1 == len(breakpoints):
        return ValueOrigin.AFTER
    kind, apart = breakpoints.edge[index + 1], breakpoints.t[index + 1] - breakpoints.t[index]
    if kind == Edge.BREAK:
        return ValueOrigin.BREAK
    if apart > limits.gap_estimate_s * 1000:
        return ValueOrigin.FAR
    if kind in (Edge.ESTIMATED, Edge.BOUND):
        return ValueOrigin.STOOD if kind == Edge.ESTIMATED else ValueOrigin.BOUND
    return ValueOrigin.GAP if apart > limits.gap_exact_s * 1000 else ValueOrigin.BETWEEN


def _supporting_reading(breakpoints: Breakpoints, rules: Sequence[Rule], index: int) -> SupportingReading:
    return SupportingReading(
        breakpoints.t[index], breakpoints.raw[index], breakpoints.total[index] + _offset(breakpoints, rules)
    )


def _offset(breakpoints: Breakpoints, rules: Sequence[Rule]) -> int:
    """From the running total to what the register had counted at the first breakpoint; it goes on through exchanges."""
    rule = next((rule for rule in reversed(rules) if rule.from_ms <= breakpoints.t[0]), rules[0])
    return rule.mwh(breakpoints.raw[0]) - breakpoints.total[0]


def _broken(breakpoints: Breakpoints, span: tuple[int, int]) -> bool:
    low, high = max(bisect_right(breakpoints.t, span[0]), 1), bisect_right(breakpoints.t, span[1] - 1)
    return any(breakpoints.edge[i] == Edge.BREAK for i in range(low, min(high + 1, len(breakpoints))))


# -- sums --------------------------------------------------------------------------------------------------------------


def summed(parts: Columns) -> StoredFigure:
    """The sum of all rows of one register, every part of the period a row."""
    if not len(parts.energy):
        return StoredFigure(None, 0)
    rolled = roll_up(parts, np.zeros(1, dtype=np.int64), np.array([len(parts.energy)]))
    return StoredFigure(int(rolled.energy[0, 0]) if rolled.present[0, 0] else None, int(rolled.flags[0, 0]))


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


def shares(aggregation: BoardAggregation, start_ms: Ints, end_ms: Ints, net: Columns) -> tuple[Share, ...]:
    """The share of each term in the band of the one period that all intervals make; missing energies count as 0."""
    terms = aggregation.terms.terms
    inputs = interval_inputs(terms, start_ms, end_ms, np.where(net.present, net.energy, 0))
    whole = period_inputs(inputs, np.zeros(1, dtype=np.int64))
    results = []
    for i, term in enumerate(terms):
        meter, ct, step = whole.meter[0, i] / 1000, whole.ct[0, i] / 1000, float(whole.resolution[0, i])
        limit = class_uncertainty(1.0)
        results.append(
            Share(
                term.point, term.sign, in_force(term, int(start_ms[0])), float(meter / limit), float(ct / limit), step,
                float(np.sqrt(meter * meter + ct * ct + step * step)),
            )
        )  # fmt: skip
    return tuple(results)


def in_force(term: Term, at_ms: int) -> Accuracy:
    """The accuracy of a term at a moment: of those that hold, the later entry."""
    return [accuracy for low, high, accuracy in term.accuracies if low <= at_ms < (_FOREVER if high is None else high)][
        -1
    ]


@dataclass(frozen=True, slots=True)
class Sides:
    """Feed side, outgoing side and residual in mWh, None = missing."""

    feed: int | None
    outgoing: int | None
    residual: int | None


def sides(aggregation: BoardAggregation, energies: Sequence[int | None]) -> Sides:
    """The two sides of a board from the net energies of its terms, in their order; a missing term makes its side missing."""

    def side(sign: int) -> int | None:
        mine = [e for term, e in zip(aggregation.terms.terms, energies, strict=True) if term.sign == sign]
        known = [e for e in mine if e is not None]
        return sum(known) if mine and len(known) == len(mine) else None

    feed, outgoing = side(1), side(-1)
    return Sides(feed, outgoing, None if feed is None or outgoing is None else feed - outgoing)
