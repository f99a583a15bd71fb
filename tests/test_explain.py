"""A figure is made again by the functions that made it, and each step says on what it rests."""

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.books import board_books
from meterd.correction import Stretch
from meterd.explain import Derived, Found, Kept, Sides, Trail, derive, shares, sides, summed
from meterd.knots import Flag, figures
from meterd.register import Tracker, rules_of
from meterd.rollup import Columns
from meterd.site import Board, Input, Instrument, Limits, Point, Role, Site

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


def made(readings: list[tuple[int, int]], site: Site = SITE, factor: Fraction | None = None) -> Derived:
    """The second quarter hour made from (minute, Wh) readings."""
    times, values = ([r[i] for r in readings] for i in (0, 1))
    trail = Trail(None, np.array(times, dtype=np.int64) * MINUTE, np.array(values, dtype=np.int64) * 1000)
    parts = () if factor is None else (Stretch(-(2**61), 2**62, factor),)
    return derive(site, Q, SPAN, trail=trail, stretches=parts)


def test_readings_of_the_very_moments_are_exact() -> None:
    """Nothing is interpolated; what lies beyond is no part of the answer."""
    found = made([(0, 1), (15, 100), (20, 120), (30, 350), (31, 351)])
    assert (found.start.found, found.end.found) == (Found.EXACT, Found.EXACT)
    assert found.result == Kept(250_000, 0)
    assert (found.start.counted, found.end.counted) == (100_000, 350_000)
    assert found.start.after is None
    assert found.sure


def test_between_two_readings_the_value_is_on_their_line() -> None:
    """A minute on each side: the middle, and the two readings are named with what they showed."""
    found = made([(14, 100), (16, 200), (29, 300), (31, 400)])
    assert (found.start.found, found.start.counted) == (Found.BETWEEN, 150_000)
    assert (found.end.found, found.end.counted) == (Found.BETWEEN, 350_000)
    assert found.start.before is not None
    assert (found.start.before.at_ms, found.start.before.shown) == (14 * MINUTE, 100_000)
    assert found.result == Kept(200_000, 0)


def test_a_long_gap_at_an_end_makes_it_estimated() -> None:
    """Six minutes are more than the five of the plan; the other end stays known."""
    found = made([(12, 100), (18, 160), (30, 300)])
    assert (found.start.found, found.end.found) == (Found.GAP, Found.EXACT)
    assert found.result.flags == Flag.START


def test_without_a_reading_before_or_after_the_energy_is_missing() -> None:
    """Missing, never 0, and it says at which end."""
    before, after = made([(16, 100), (30, 200), (31, 201)]), made([(14, 100), (15, 110), (29, 200)])
    assert (before.start.found, before.start.counted, before.result.energy) == (Found.BEFORE, None, None)
    assert (after.end.found, after.end.counted, after.result.energy) == (Found.AFTER, None, None)
    assert made([]).result == Kept(None, 0)


def test_readings_too_far_apart_are_not_even_estimated() -> None:
    """Eleven days where the plan allows ten."""
    found = made([(14, 100), (14 + 11 * 1440, 2000)])
    assert found.start.found is found.end.found is Found.FAR
    assert (found.start.counted, found.result.energy) == (None, None)


def test_a_register_that_began_anew_gives_a_lower_bound() -> None:
    """Three readings near zero that count up: reset."""
    found = made([(14, 9000), (15, 9010), (21, 1), (22, 2), (23, 3), (30, 50), (31, 51)])
    assert [event.kind for event in found.events] == ["reset"]
    assert found.result.flags & Flag.BOUND
    assert not found.broken


def test_a_jump_to_another_level_inside_is_said() -> None:
    """Both ends are exact, yet nothing is known of the energy between them."""
    far = [(21, 400_000), (22, 400_001), (23, 400_002)]
    found = made([(14, 9000), (15, 9010), (20, 9015), *far, (30, 400_100), (31, 400_101)])
    assert (found.start.found, found.end.found) == (Found.EXACT, Found.EXACT)
    assert found.broken
    assert found.result.energy is None
    assert [event.kind for event in found.events] == ["level-change"]


def test_a_register_that_stood_still_and_caught_up() -> None:
    """The energy between is known, its course is not: both ends inside the stretch are estimated."""
    flat = [(minute, 1000) for minute in range(40)]
    found = made([*flat, (40, 60_000), (41, 60_010), (42, 60_020)])
    assert found.start.found is found.end.found is Found.STOOD
    assert found.result.flags == Flag.START | Flag.END
    assert [event.kind for event in found.events] == ["frozen"]
    assert 20 * MINUTE not in found.used


def test_a_reading_that_fits_nothing_is_not_among_the_used() -> None:
    """A single zero changes nothing and is told."""
    found = made([(14, 1000), (15, 1010), (20, 0), (21, 1020), (30, 1100), (31, 1101)])
    assert found.result == Kept(90_000, 0)
    assert 20 * MINUTE not in found.used
    assert [event.kind for event in found.events] == ["suspect"]


def test_a_correction_shows_what_it_adds() -> None:
    """Half as much again, as its own line."""
    found = made([(15, 100), (30, 300), (31, 301)], factor=Fraction(3, 2))
    assert (found.result.energy, found.gain) == (300_000, 100_000)


def test_the_ratio_of_the_plan_is_in_what_was_counted() -> None:
    """A meter on the secondary side of 100/5 A: twenty times what it shows."""
    site = replace(
        SITE,
        inputs=(Input("q01", "1.8.0", "s", "m", per_ct=True),),
        instruments=(Instrument("q01", -(2**61), ct_primary_a=100.0, ct_secondary_a=5.0),),
    )
    found = made([(15, 100), (30, 300), (31, 301)], site)
    assert (found.start.counted, found.result.energy) == (2_000_000, 4_000_000)
    assert found.end.before is not None
    assert found.end.before.shown == 300_000


def test_while_a_register_stands_a_later_reading_may_change_it() -> None:
    """It is not sure until it counts up again, or has stood longer than a register may."""
    assert not made([(15, 100), (30, 100), (31, 100)]).sure
    assert made([(15, 100), (30, 100), (31, 100), (32, 101)]).sure
    assert made([(15, 100), (30, 100), (1500, 100)]).sure


def test_a_register_that_the_plan_does_not_read_is_an_error() -> None:
    """Nothing is made up for it."""
    with pytest.raises(KeyError):
        derive(SITE, ("q01", "2.8.0"), SPAN, trail=Trail(None, np.array([0]), np.array([0])))


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(1, 400_000), st.integers(0, 2_000)), min_size=8, max_size=60),
    first=st.integers(0, 40),
)
def test_from_any_anchor_the_result_is_that_of_the_whole_history(steps: list[tuple[int, int]], first: int) -> None:
    """What the books made of all readings is what an anchor at or before the interval makes of those after it."""
    times = np.cumsum([0, *(step for step, _ in steps)])
    values = np.cumsum([5_000_000, *(rise for _, rise in steps)])
    tracker = Tracker(rules_of(SITE, SITE.point("q01"), "1.8.0", per_ct=False, pulses=False))
    tracker.run(times, values)
    limits = {"gap_exact_ms": 300_000, "gap_estimate_ms": 10 * 86_400_000}
    whole = figures(tracker.knots, *SPAN, interval_ms=QUARTER, **limits)
    knots = tracker.knots
    usable = [i for i in range(len(knots)) if knots.anchorable[i] and knots.t[i] <= SPAN[0]]
    # as the books keep it: with since when the register stands
    anchor = knots.anchor(usable[min(first, len(usable) - 1)])
    place = int(np.searchsorted(times, anchor.at_ms))
    found = derive(SITE, Q, SPAN, trail=Trail(anchor, times[place:], values[place:]))
    assert found.result == Kept(int(whole.energy[0]) if whole.present[0] else None, int(whole.flags[0]))


def test_a_sum_is_missing_with_any_part() -> None:
    """And takes the flags of its ends only."""
    energy, present = np.array([[1], [2], [3]]), np.array([[True], [True], [True]])
    flags = np.array([[1], [3], [2]], dtype=np.uint8)
    assert summed(Columns(energy, present, flags)) == Kept(6, Flag.START | Flag.END)
    assert summed(Columns(energy, np.array([[True], [False], [True]]), flags)) == Kept(None, 0)
    assert summed(Columns(energy[:0], present[:0], flags[:0])) == Kept(None, 0)


def test_shares_join_to_the_band_and_limits_are_those_of_the_class() -> None:
    """Class 1 direct at half load: 1 % of the energy; twice the root of the sum of squares is the band of the books."""
    book = board_books(SITE)["north"]
    begin = np.arange(4, dtype=np.int64) * QUARTER
    net = Columns(
        np.array([[12_000_000, 8_000_000, 4_000_000]] * 4),
        np.ones((4, 3), dtype=bool),
        np.zeros((4, 3), dtype=np.uint8),
    )
    found = shares(book, begin, begin + QUARTER, net)
    assert [(one.point, one.sign) for one in found] == [("t1", 1), ("q01", -1), ("q02", -1)]
    assert found[1].meter_limit == pytest.approx(0.01 * 4 * 8_000_000, rel=1e-6)
    assert found[1].ct_limit == 0.0
    assert found[0].ct_limit > 0
    joined = 2 * math.sqrt(sum(one.uncertainty**2 for one in found))
    kept = book.interval_rows(begin[:1], begin[:1] + QUARTER, Columns(net.energy[:1], net.present[:1], net.flags[:1]))
    assert kept[0].band == pytest.approx(joined / 4, abs=1)


def test_the_two_sides_and_a_missing_term() -> None:
    """A missing feeder makes the outgoing side and the residual missing, not smaller."""
    book = board_books(SITE)["north"]
    assert sides(book, [10, 6, 3]) == Sides(10, 9, 1)
    assert sides(book, [10, None, 3]) == Sides(10, None, None)
