"""Corrections multiply energies between two moments, exactly, and change nothing else."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.errors import ConfigError
from meterd.core.registers.corrections import (
    STRUCK,
    Correction,
    CorrectionSegment,
    corrected,
    correction_segments,
    edited,
    edited_pairs,
    edits,
    factor_of,
    gain_between,
    is_estimated,
    shown_of,
)
from meterd.core.registers.register_line import Breakpoints, Edge, Figures, Flag, figures
from meterd.core.registers.tracker import Rule, Tracker

QUARTER = 900_000
LIMITS = {"interval_ms": QUARTER, "gap_exact_ms": 300_000, "gap_estimate_ms": 366 * 86_400_000}


def one(from_ms: int, until_ms: int | None, factor: str, *, withdrawn: bool = False) -> Correction:
    """A correction of no particular register."""
    return Correction(1, "q01", "1.8.0", from_ms, until_ms, factor, "ratio", "Ada", 0, 5 if withdrawn else None)


@pytest.mark.parametrize(
    ("text", "factor"),
    [
        ("1.0204", Fraction(2551, 2500)),
        ("3", Fraction(3)),
        ("250/200", Fraction(5, 4)),
        ("1/10000", Fraction(1, 10_000)),  # the limits themselves
        ("10000", Fraction(10_000)),
    ],
)
def test_a_factor_is_read_exactly(text: str, factor: Fraction) -> None:
    """Decimal numbers and ratios, never through a float."""
    assert factor_of(text) == factor


@pytest.mark.parametrize(
    "text", ["", "0", "-1", "1", "2/2", "1e3", "nan", "inf", "1,02", " 2", "2 ", "1/0", "0/5", "1_000", "10001", "٣"]
)
def test_what_is_no_factor_is_refused_with_a_hint(text: str) -> None:
    """A slip of the keyboard is not taken for a factor."""
    with pytest.raises(ConfigError):
        factor_of(text)


def test_overlapping_corrections_multiply_in_any_order() -> None:
    """Two persons correct two things; what holds does not depend on who was first, and a withdrawn one is gone."""
    several = [one(0, 100, "2"), one(50, None, "3/2"), one(60, 80, "2/3"), one(0, 500, "7", withdrawn=True)]
    expected = (
        CorrectionSegment(0, 50, Fraction(2)),
        CorrectionSegment(50, 60, Fraction(3)),
        CorrectionSegment(60, 80, Fraction(2)),
        CorrectionSegment(80, 100, Fraction(3)),
        CorrectionSegment(100, 2**62, Fraction(3, 2)),
    )
    assert correction_segments(several) == expected
    assert correction_segments(reversed(several)) == expected


def test_one_correction_entered_in_two_parts_is_one() -> None:
    """Neighbours of one factor are a single stretch, and factors that cancel are none."""
    assert correction_segments([one(0, 10, "2"), one(10, 30, "2")]) == (CorrectionSegment(0, 30, Fraction(2)),)
    assert correction_segments([one(0, 10, "2"), one(0, 10, "1/2")]) == ()


def line(rules: tuple[Rule, ...], readings: list[tuple[int, int]]) -> Breakpoints:
    """The breakpoints of a register followed from its beginning."""
    tracker = Tracker(rules)
    table = np.array(readings, dtype=np.int64)
    tracker.run(table[:, 0], table[:, 1])
    return tracker.breakpoints


def made(
    breakpoints: Breakpoints, rules: tuple[Rule, ...], first: int, until: int, parts: tuple[CorrectionSegment, ...]
) -> Figures:
    """Corrected figures of the intervals between two boundaries."""
    plain = figures(breakpoints, first, until, **LIMITS)
    return corrected(plain, breakpoints, rules, parts, interval_ms=QUARTER, gap_ms=300_000)


def test_a_wrong_ratio_is_put_right_inside_and_nowhere_else() -> None:
    """A transformer of 250/5 A read as 200/5 A for one hour of three: that hour is 5/4 of what was read."""
    rules = (Rule(),)
    breakpoints = line(rules, [(t * 60_000, 1_000_000 + 1_000 * t) for t in range(181)])
    result = made(breakpoints, rules, 0, 12 * QUARTER, (CorrectionSegment(4 * QUARTER, 8 * QUARTER, Fraction(5, 4)),))
    assert result.energy.tolist() == [15_000] * 4 + [18_750] * 4 + [15_000] * 4
    assert not result.flags.any()


def test_a_correction_may_begin_and_end_inside_an_interval() -> None:
    """Only the part of the interval that lies inside is multiplied; between close readings nothing is estimated."""
    rules = (Rule(),)
    breakpoints = line(rules, [(t * 60_000, 1_000 * t) for t in range(31)])
    result = made(breakpoints, rules, 0, 2 * QUARTER, (CorrectionSegment(5 * 60_000, 20 * 60_000, Fraction(3)),))
    assert result.energy.tolist() == [15_000 + 2 * 10_000, 15_000 + 2 * 5_000]
    assert not result.flags.any()


def test_a_correction_that_begins_in_a_gap_makes_its_interval_an_estimate() -> None:
    """How much of the energy of a gap lies behind the moment is only a matter of shape."""
    rules = (Rule(),)
    breakpoints = line(rules, [(0, 0), (QUARTER, 15_000), (2 * QUARTER, 30_000)])
    result = made(breakpoints, rules, 0, 2 * QUARTER, (CorrectionSegment(QUARTER // 3, QUARTER, Fraction(2)),))
    assert result.energy.tolist() == [25_000, 15_000]
    assert result.flags.tolist() == [Flag.START | Flag.END, 0]
    assert is_estimated(breakpoints, QUARTER // 3, 300_000)
    assert not is_estimated(breakpoints, QUARTER, 300_000)
    assert not is_estimated(breakpoints, -5, 300_000)
    assert not is_estimated(breakpoints, 2 * QUARTER + 5, 300_000), "after the last reading nothing is known"
    later = made(
        breakpoints, rules, QUARTER, 2 * QUARTER, (CorrectionSegment(QUARTER * 4 // 3, 2 * QUARTER, Fraction(2)),)
    )
    assert later.flags.tolist() == [Flag.START | Flag.END], "also where the figures begin later"


@pytest.mark.parametrize("edge", [Edge.ESTIMATED, Edge.BOUND])
def test_a_moment_before_readings_of_unknown_shape_is_an_estimate_however_near_they_are(edge: Edge) -> None:
    breakpoints = Breakpoints()
    breakpoints.t.extend([0, 60_000, 120_000])
    breakpoints.edge.extend([Edge.KNOWN, edge, Edge.KNOWN])
    assert is_estimated(breakpoints, 30_000, 300_000)
    assert not is_estimated(breakpoints, 90_000, 300_000)


def test_what_is_missing_stays_missing() -> None:
    """No energy is made of none: not before the first reading, not across a break, not in an empty history."""
    rules = (Rule(until_ms=QUARTER), Rule(from_ms=2 * QUARTER))
    readings = [(0, 0), (QUARTER - 1, 900), (2 * QUARTER + 1, 70_000), (4 * QUARTER, 90_000)]
    breakpoints = line(rules, readings)
    everywhere = (CorrectionSegment(-(2**62), 2**62, Fraction(2)),)
    plain = figures(breakpoints, -QUARTER, 4 * QUARTER, **LIMITS)
    result = made(breakpoints, rules, -QUARTER, 4 * QUARTER, everywhere)
    assert result.present.tolist() == plain.present.tolist()
    assert result.energy.tolist() == [2 * e for e in plain.energy.tolist()]
    nothing = figures(Breakpoints(), 0, 0, **LIMITS)
    assert corrected(nothing, Breakpoints(), rules, everywhere, interval_ms=QUARTER, gap_ms=1) is nothing
    outside = (CorrectionSegment(10 * QUARTER, 11 * QUARTER, Fraction(2)),)
    assert made(breakpoints, rules, 0, QUARTER, outside).energy.tolist() == plain.energy[1:2].tolist()


STEPS = st.lists(st.tuples(st.integers(1, 1_500_000), st.integers(0, 400_000)), min_size=2, max_size=60)
FACTORS = st.fractions(min_value=Fraction(1, 50), max_value=50, max_denominator=997).filter(lambda f: f != 1)


def walk(steps: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Readings that count up."""
    readings, t, raw = [(1_000, 123_456)], 1_000, 123_456
    for elapsed, rise in steps:
        t, raw = t + elapsed, raw + rise
        readings.append((t, raw))
    return readings


@given(STEPS, FACTORS, st.integers(0, 60), st.integers(0, 60), st.integers(1, 400), st.integers(1, 400))
@settings(max_examples=150, deadline=None)
def test_sums_telescope_and_are_the_factor_times_the_energy(
    steps: list[tuple[int, int]], factor: Fraction, begin: int, length: int, numerator: int, denominator: int
) -> None:
    """The sum over any corrected time is the factor times its energy, rounded once at each end: less than 1 mWh away."""
    rules = (Rule(limit_per_s=10**9, numerator=numerator, denominator=denominator),)
    readings = walk(steps)
    breakpoints = line(rules, readings)
    last = readings[-1][0] // QUARTER
    low, high = begin % (last + 1), begin % (last + 1) + length
    part = CorrectionSegment(low * QUARTER, high * QUARTER, factor)
    plain = figures(breakpoints, 0, last * QUARTER, **LIMITS)
    result = made(breakpoints, rules, 0, last * QUARTER, (part,))
    inside = slice(low, min(high, last))
    before = int(plain.energy[inside].sum())
    assert abs(int(result.energy[inside].sum()) - factor * before) < 1
    outside = np.r_[result.energy[:low] - plain.energy[:low], result.energy[high:] - plain.energy[high:]]
    assert not outside.any()
    assert (result.energy >= 0).all()


@given(STEPS, FACTORS, st.integers(0, 3_000_000), st.integers(1, 9_000_000), st.integers(0, 59))
@settings(max_examples=150, deadline=None)
def test_figures_do_not_depend_on_where_a_register_was_begun(
    steps: list[tuple[int, int]], factor: Fraction, begin: int, length: int, at: int
) -> None:
    """Followed again from any anchor the corrected figures are the same: a restart or a late reading changes nothing."""
    rules = (Rule(limit_per_s=10**9, numerator=7, denominator=3),)
    readings = walk(steps)
    part = (CorrectionSegment(begin, begin + length, factor),)
    breakpoints = line(rules, readings)
    anchor = breakpoints.anchor(at % len(breakpoints))
    first, until = -(-anchor.at_ms // QUARTER) * QUARTER, readings[-1][0] // QUARTER * QUARTER
    if until <= first:
        return
    tracker = Tracker(rules, anchor)
    table = np.array([r for r in readings if r[0] > anchor.at_ms], dtype=np.int64).reshape(-1, 2)
    tracker.run(table[:, 0], table[:, 1])
    assert (
        made(tracker.breakpoints, rules, first, until, part).energy.tolist()
        == made(breakpoints, rules, first, until, part).energy.tolist()
    )


@given(STEPS, FACTORS, st.integers(0, 3_000_000), st.integers(1, 9_000_000))
@settings(max_examples=60, deadline=None)
def test_the_running_sum_is_that_of_the_figures(
    steps: list[tuple[int, int]], factor: Fraction, begin: int, length: int
) -> None:
    """The energy since the start of an interval, as the snapshot has it, is the figure when the interval closes."""
    rules = (Rule(limit_per_s=10**9),)
    readings = walk(steps)
    breakpoints = line(rules, readings)
    part = (CorrectionSegment(begin, begin + length, factor),)
    result = made(breakpoints, rules, 0, readings[-1][0] // QUARTER * QUARTER, part)
    edges = [*result.start_ms.tolist(), readings[-1][0] // QUARTER * QUARTER]
    for i, (a, b) in enumerate(pairwise(edges)):
        if result.present[i]:
            low, high = breakpoints.total_at(a), breakpoints.total_at(b)
            assert low is not None
            assert high is not None
            assert high - low + gain_between(breakpoints, rules, part, a, b) == result.energy[i]


def test_a_rollover_and_an_exchange_inside_cost_at_most_a_milliwatt_hour_each() -> None:
    """The register begins again, the energy goes on: the corrected sum is the factor times the energy all the same."""
    old = Rule(until_ms=20 * QUARTER, capacity=100_000, limit_per_s=100, closing=38_500, resolution=1)
    new = Rule(from_ms=20 * QUARTER, limit_per_s=100, opening=7, numerator=3, denominator=2)
    readings = [(t * 60_000, (58_000 + 268 * t) % 100_000) for t in range(300)]
    readings += [(t * 60_000, 7 + 200 * (t - 300)) for t in range(301, 601)]
    rules = (old, new)
    breakpoints = line(rules, readings)
    factor = Fraction(997, 991)
    plain = figures(breakpoints, 0, 40 * QUARTER, **LIMITS)
    result = made(breakpoints, rules, 0, 40 * QUARTER, (CorrectionSegment(0, 40 * QUARTER, factor),))
    assert plain.present.all()
    assert int(plain.energy.sum()) == 38_500 + 100_000 - 58_000 + round(200 * 300 * 1.5)
    assert abs(int(result.energy.sum()) - factor * int(plain.energy.sum())) < 4


# -- single readings ---------------------------------------------------------------------------------------------------


def reading(number: int, at_ms: int, reads: str, *, withdrawn: bool = False) -> Correction:
    """The correction of one reading."""
    return Correction(
        number, "q01", "1.8.0", at_ms, at_ms + 1, "", "typed", "Ada", 0, 5 if withdrawn else None, reads=reads
    )


def test_what_a_reading_should_have_shown_is_read_exactly() -> None:
    """Down to a thousandth of the base unit; None is left out."""
    assert [shown_of(text) for text in ("0", "12000.5", "7.123", STRUCK)] == [0, 12_000_500, 7_123, None]
    for text in ("-1", "1e3", "1,5", "", "1.2345", "nan", "1_000"):
        with pytest.raises(ConfigError, match="is not what a register shows"):
            shown_of(text)


def test_of_several_corrections_of_one_reading_the_newest_that_holds_decides() -> None:
    """Whatever order they come in; a factor is none of them, and they are no stretch."""
    some = [reading(3, 7, "5", withdrawn=True), reading(2, 7, STRUCK), reading(1, 7, "4"), one(0, None, "2")]
    assert edits(some) == edits(some[::-1]) == {7: None}
    assert edits([*some, reading(4, 7, "6"), reading(5, 9, "1")]) == {7: 6_000, 9: 1_000}
    assert correction_segments([*some, reading(4, 7, "6")]) == correction_segments([one(0, None, "2")])
    assert reading(1, 7, "4").reach_ms > 2**61
    assert one(0, 9, "2").reach_ms == 9


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 9)), max_size=30, unique=True),
    st.dictionaries(st.integers(0, 35), st.one_of(st.none(), st.integers(0, 9))),
)
def test_columns_and_single_readings_are_corrected_alike(
    readings: list[tuple[int, int]], expected: dict[int, int | None]
) -> None:
    """Sorted by time; a corrected moment has one value or none, and no reading is invented."""
    table = np.array(sorted(readings), dtype=np.int64).reshape(-1, 2)
    times, values = edited(table[:, 0], table[:, 1], expected)
    pairs = edited_pairs(readings, expected)
    assert list(zip(times.tolist(), values.tolist(), strict=True)) == pairs == sorted(pairs)
    assert {t for t, _ in pairs} == {t for t, _ in readings if expected.get(t, 0) is not None}
    assert all(expected.get(t, value) == value for t, value in pairs)
