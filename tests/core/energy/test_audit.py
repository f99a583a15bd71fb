"""A figure is recalculated by the functions that made it, and each step says on what it rests."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.energy.aggregation import board_aggregations
from meterd.core.energy.audit import (
    ReadingSequence,
    RecomputedInterval,
    Sides,
    StoredFigure,
    ValueOrigin,
    recompute_interval,
    shares,
    sides,
    summed,
)
from meterd.core.energy.rollup import Columns
from meterd.core.model.plan import Board, Input, Instrument, Limits, Point, Role, Site
from meterd.core.registers.corrections import CorrectionSegment
from meterd.core.registers.register_line import Flag, figures
from meterd.core.registers.tracker import Tracker, rules_of

QUARTER, MINUTE = 900_000, 60_000
Q = ("q01", "1.8.0")
SPAN = (QUARTER, 2 * QUARTER)
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("t1", "north", Role.FEED, rating_a=100.0),
        Point("q01", "north", Role.FEEDER, rating_a=100.0),
        Point("q02", "north", Role.FEEDER, rating_a=100.0),
    ),
    instruments=(
        Instrument("t1", -(2**61), meter_class="1", ct_class="0.5", ct_primary_a=100.0, ct_secondary_a=5.0),
        Instrument("q01", -(2**61), meter_class="1", register_max_wh=Fraction(1_000_000)),
        Instrument("q02", -(2**61), meter_class="B"),
    ),
    inputs=tuple(Input(name, "1.8.0", "s", f"meters/{name}") for name in ("t1", "q01", "q02")),
    limits=Limits(gap_estimate_s=10 * 86_400),
)


def made(readings: list[tuple[int, int]], site: Site = SITE, factor: Fraction | None = None) -> RecomputedInterval:
    """The second quarter hour made from (minute, Wh) readings."""
    times, values = ([r[i] for r in readings] for i in (0, 1))
    sequence = ReadingSequence(None, np.array(times, dtype=np.int64) * MINUTE, np.array(values, dtype=np.int64) * 1000)
    parts = () if factor is None else (CorrectionSegment(-(2**61), 2**62, factor),)
    return recompute_interval(site, Q, SPAN, sequence=sequence, segments=parts)


def test_readings_of_the_very_moments_are_exact() -> None:
    """Nothing is interpolated; what lies beyond is no part of the answer."""
    recomputed_interval = made([(0, 1), (15, 100), (20, 120), (30, 350), (31, 351)])
    assert (recomputed_interval.start.origin, recomputed_interval.end.origin) == (ValueOrigin.EXACT, ValueOrigin.EXACT)
    assert recomputed_interval.result == StoredFigure(250_000, 0)
    assert (recomputed_interval.start.counted, recomputed_interval.end.counted) == (100_000, 350_000)
    assert recomputed_interval.start.after is None
    assert recomputed_interval.sure


def test_between_two_readings_the_value_is_on_their_line() -> None:
    """A minute on each side: the middle, and the two readings are named with what they showed."""
    recomputed_interval = made([(14, 100), (16, 200), (29, 300), (31, 400)])
    assert (recomputed_interval.start.origin, recomputed_interval.start.counted) == (ValueOrigin.BETWEEN, 150_000)
    assert (recomputed_interval.end.origin, recomputed_interval.end.counted) == (ValueOrigin.BETWEEN, 350_000)
    assert recomputed_interval.start.before is not None
    assert (recomputed_interval.start.before.at_ms, recomputed_interval.start.before.shown) == (14 * MINUTE, 100_000)
    assert recomputed_interval.result == StoredFigure(200_000, 0)


def test_a_long_gap_at_an_end_makes_it_estimated() -> None:
    """Six minutes are more than the five of the plan; the other end stays known."""
    recomputed_interval = made([(12, 100), (18, 160), (30, 300)])
    assert (recomputed_interval.start.origin, recomputed_interval.end.origin) == (ValueOrigin.GAP, ValueOrigin.EXACT)
    assert recomputed_interval.result.flags == Flag.START


def test_without_a_reading_before_or_after_the_energy_is_missing() -> None:
    """Missing, never 0, and it says at which end."""
    before, after = made([(16, 100), (30, 200), (31, 201)]), made([(14, 100), (15, 110), (29, 200)])
    assert (before.start.origin, before.start.counted, before.result.energy) == (ValueOrigin.BEFORE, None, None)
    assert (after.end.origin, after.end.counted, after.result.energy) == (ValueOrigin.AFTER, None, None)
    assert made([]).result == StoredFigure(None, 0)


def test_readings_too_far_apart_are_not_even_estimated() -> None:
    """Eleven days where the plan allows ten."""
    recomputed_interval = made([(14, 100), (14 + 11 * 1440, 2000)])
    assert recomputed_interval.start.origin is recomputed_interval.end.origin is ValueOrigin.FAR
    assert (recomputed_interval.start.counted, recomputed_interval.result.energy) == (None, None)


def test_a_register_that_began_anew_gives_a_lower_bound() -> None:
    """Three readings near zero that count up: reset."""
    recomputed_interval = made([(14, 9000), (15, 9010), (21, 1), (22, 2), (23, 3), (30, 50), (31, 51)])
    assert [event.kind for event in recomputed_interval.events] == ["reset"]
    assert recomputed_interval.result.flags & Flag.BOUND
    assert not recomputed_interval.broken


def test_a_jump_to_another_level_inside_is_said() -> None:
    """Both ends are exact, yet nothing is known of the energy between them."""
    far = [(21, 400_000), (22, 400_001), (23, 400_002)]
    recomputed_interval = made([(14, 9000), (15, 9010), (20, 9015), *far, (30, 400_100), (31, 400_101)])
    assert (recomputed_interval.start.origin, recomputed_interval.end.origin) == (ValueOrigin.EXACT, ValueOrigin.EXACT)
    assert recomputed_interval.broken
    assert recomputed_interval.result.energy is None
    assert [event.kind for event in recomputed_interval.events] == ["level-change"]


def test_a_register_that_stood_still_and_caught_up() -> None:
    """The energy between is known, its course is not: both ends inside the stretch are estimated."""
    flat = [(minute, 1000) for minute in range(40)]
    recomputed_interval = made([*flat, (40, 60_000), (41, 60_010), (42, 60_020)])
    assert recomputed_interval.start.origin is recomputed_interval.end.origin is ValueOrigin.STOOD
    assert recomputed_interval.result.flags == Flag.START | Flag.END
    assert [event.kind for event in recomputed_interval.events] == ["frozen"]
    assert 20 * MINUTE not in recomputed_interval.used


def test_a_reading_that_fits_nothing_is_not_among_the_used() -> None:
    """A single zero changes nothing and is reported."""
    recomputed_interval = made([(14, 1000), (15, 1010), (20, 0), (21, 1020), (30, 1100), (31, 1101)])
    assert recomputed_interval.result == StoredFigure(90_000, 0)
    assert 20 * MINUTE not in recomputed_interval.used
    assert [event.kind for event in recomputed_interval.events] == ["suspect"]


def test_a_correction_shows_what_it_adds() -> None:
    """Half as much again, as its own line."""
    recomputed_interval = made([(15, 100), (30, 300), (31, 301)], factor=Fraction(3, 2))
    assert (recomputed_interval.result.energy, recomputed_interval.gain) == (300_000, 100_000)


def test_the_ratio_of_the_plan_is_in_what_was_counted() -> None:
    """A meter on the secondary side of 100/5 A: twenty times what it shows."""
    site = replace(
        SITE,
        inputs=(Input("q01", "1.8.0", "s", "m", per_ct=True),),
        instruments=(Instrument("q01", -(2**61), ct_primary_a=100.0, ct_secondary_a=5.0),),
    )
    recomputed_interval = made([(15, 100), (30, 300), (31, 301)], site)
    assert (recomputed_interval.start.counted, recomputed_interval.result.energy) == (2_000_000, 4_000_000)
    assert recomputed_interval.end.before is not None
    assert recomputed_interval.end.before.shown == 300_000


def test_while_a_register_stands_a_later_reading_may_change_it() -> None:
    """It is not sure until it counts up again, or has stood longer than a register may."""
    assert not made([(15, 100), (30, 100), (31, 100)]).sure
    assert made([(15, 100), (30, 100), (31, 100), (32, 101)]).sure
    assert made([(15, 100), (30, 100), (1500, 100)]).sure


def test_a_register_that_the_plan_does_not_read_is_an_error() -> None:
    """Nothing is made up for it."""
    with pytest.raises(KeyError):
        recompute_interval(SITE, ("q01", "2.8.0"), SPAN, sequence=ReadingSequence(None, np.array([0]), np.array([0])))


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(1, 400_000), st.integers(0, 2_000)), min_size=8, max_size=60),
    first=st.integers(0, 40),
)
def test_from_any_anchor_the_result_is_that_of_the_whole_history(steps: list[tuple[int, int]], first: int) -> None:
    """What the stored figures made of all readings is what an anchor at or before the interval makes of those after it."""
    times = np.cumsum([0, *(step for step, _ in steps)])
    values = np.cumsum([5_000_000, *(rise for _, rise in steps)])
    tracker = Tracker(rules_of(SITE, SITE.point("q01"), "1.8.0", per_ct=False, pulses=False))
    tracker.run(times, values)
    limits = {"gap_exact_ms": 300_000, "gap_estimate_ms": 10 * 86_400_000}
    whole = figures(tracker.breakpoints, *SPAN, interval_ms=QUARTER, **limits)
    breakpoints = tracker.breakpoints
    usable = [i for i in range(len(breakpoints)) if breakpoints.anchorable[i] and breakpoints.t[i] <= SPAN[0]]
    # as the stored figures keep it: with since when the register stands
    anchor = breakpoints.anchor(usable[min(first, len(usable) - 1)])
    place = int(np.searchsorted(times, anchor.at_ms))
    recomputed_interval = recompute_interval(
        SITE, Q, SPAN, sequence=ReadingSequence(anchor, times[place:], values[place:])
    )
    assert recomputed_interval.result == StoredFigure(
        int(whole.energy[0]) if whole.present[0] else None, int(whole.flags[0])
    )


def test_a_sum_is_missing_with_any_part() -> None:
    """And takes the flags of its ends only."""
    energy, present = np.array([[1], [2], [3]]), np.array([[True], [True], [True]])
    flags = np.array([[1], [3], [2]], dtype=np.uint8)
    assert summed(Columns(energy, present, flags)) == StoredFigure(6, Flag.START | Flag.END)
    assert summed(Columns(energy, np.array([[True], [False], [True]]), flags)) == StoredFigure(None, 0)
    assert summed(Columns(energy[:0], present[:0], flags[:0])) == StoredFigure(None, 0)


def test_shares_join_to_the_band_and_limits_are_those_of_the_class() -> None:
    """Class 1 direct at half load: 1 % of the energy; twice the root of the sum of squares is the band of the stored figures."""
    aggregation = board_aggregations(SITE)["north"]
    begin = np.arange(4, dtype=np.int64) * QUARTER
    net = Columns(
        np.array([[12_000_000, 8_000_000, 4_000_000]] * 4),
        np.ones((4, 3), dtype=bool),
        np.zeros((4, 3), dtype=np.uint8),
    )
    results = shares(aggregation, begin, begin + QUARTER, net)
    assert [(share.point, share.sign) for share in results] == [("t1", 1), ("q01", -1), ("q02", -1)]
    assert results[1].meter_limit == pytest.approx(0.01 * 4 * 8_000_000, rel=1e-6)
    assert results[1].ct_limit == 0.0
    assert results[0].ct_limit > 0
    joined = 2 * math.sqrt(sum(share.uncertainty**2 for share in results))
    rows = aggregation.interval_rows(
        begin[:1], begin[:1] + QUARTER, Columns(net.energy[:1], net.present[:1], net.flags[:1])
    )
    assert rows[0].band == pytest.approx(joined / 4, abs=1)


def test_the_two_sides_and_a_missing_term() -> None:
    """A missing feeder makes the outgoing side and the residual missing, not smaller."""
    aggregation = board_aggregations(SITE)["north"]
    assert sides(aggregation, [10, 6, 3]) == Sides(10, 9, 1)
    assert sides(aggregation, [10, None, 3]) == Sides(10, None, None)
