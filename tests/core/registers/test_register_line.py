"""Energies read off a register line: exact at breakpoints, rounded down between them, telescoping, missing across breaks."""

import sys
from fractions import Fraction
from itertools import pairwise
from types import FrameType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.registers.register_line import Breakpoints, Edge, Figures, Flag, figures

QUARTER = 900_000
YEAR_MS = 366 * 86_400_000
STEPS = st.lists(
    st.tuples(st.integers(1, 4_000_000), st.integers(0, 5_000_000), st.sampled_from([Edge.KNOWN] * 5 + list(Edge))),
    min_size=1,
    max_size=40,
)


def line(*breakpoints: tuple[int, int, Edge]) -> Breakpoints:
    """Breakpoints at times with totals; every one an anchor that shows its total."""
    made = Breakpoints()
    for t, total, edge in breakpoints:
        made.add(t, total, total, plateau=t, edge=edge, anchorable=1)
    return made


def of_steps(steps: list[tuple[int, int, Edge]]) -> Breakpoints:
    t = total = 0
    breakpoints = [(0, 0, Edge.KNOWN)]
    for run, rise, edge in steps:
        t, total = t + run, total + rise
        breakpoints.append((t, total, edge))
    return line(*breakpoints)


def read(breakpoints: Breakpoints, first: int, until: int, *, exact: int = QUARTER, longest: int = YEAR_MS) -> Figures:
    return figures(breakpoints, first, until, interval_ms=QUARTER, gap_exact_ms=exact, gap_estimate_ms=longest)


@given(STEPS)
def test_figures_are_those_of_exact_fractions(steps: list[tuple[int, int, Edge]]) -> None:
    """Each boundary value is the floor of the exact line, and an interval is there unless it reaches into a break."""
    breakpoints = of_steps(steps)
    until = breakpoints.t[-1] // QUARTER * QUARTER + QUARTER
    result = read(breakpoints, -QUARTER, until)
    points = list(zip(breakpoints.t, breakpoints.total, breakpoints.edge, strict=True))

    def value(at: int) -> int | None:
        for (t0, v0, _), (t1, v1, _) in pairwise(points):
            if t0 <= at <= t1:
                return v0 + Fraction(v1 - v0) * (at - t0) // (t1 - t0) if at < t1 else v1
        return None

    for i, start in enumerate(result.start_ms.tolist()):
        low, high = value(start), value(start + QUARTER)
        broken = any(
            edge == Edge.BREAK and t0 < start + QUARTER and t1 > start for (t0, _, _), (t1, _, edge) in pairwise(points)
        )
        assert bool(result.present[i]) is (low is not None and high is not None and not broken)
        if result.present[i]:
            assert low is not None
            assert high is not None
            assert result.energy[i] == high - low
        else:
            assert (result.energy[i], result.flags[i]) == (0, 0)


@given(STEPS, st.integers(0, 40))
def test_figures_do_not_depend_on_what_was_trimmed_or_where_one_begins(
    steps: list[tuple[int, int, Edge]], begin: int
) -> None:
    """After `trim` every later interval is the same, and so it is when asked for alone."""
    breakpoints, whole = of_steps(steps), of_steps(steps)
    until = breakpoints.t[-1] // QUARTER * QUARTER
    first = min(begin * QUARTER, until)
    breakpoints.trim(first)
    left, right = read(breakpoints, first, until), read(whole, 0, until)
    skipped = len(right.energy) - len(left.energy)
    for name in ("energy", "present", "flags"):
        assert getattr(left, name).tolist() == getattr(right, name).tolist()[skipped:]


@given(st.integers(1, 3 * YEAR_MS), st.integers(0, 2**53), st.data())
def test_interpolation_over_years_does_not_overflow(run: int, rise: int, data: st.DataObject) -> None:
    """Products of mWh and ms pass 64 bits: the value is still the floor of the exact one."""
    at = data.draw(st.integers(0, run)) // QUARTER * QUARTER
    result = read(line((0, 0, Edge.KNOWN), (run, rise, Edge.KNOWN)), at, at + QUARTER, longest=4 * YEAR_MS)
    if at + QUARTER <= run:
        expected = Fraction(rise) * (at + QUARTER) // run - Fraction(rise) * at // run
        assert (result.energy.tolist(), result.present.tolist()) == ([expected], [True])
    else:
        assert result.present.tolist() == [False]


def test_quality_of_boundaries() -> None:
    """A boundary on a long edge is estimated, on a reading never; a bound edge marks all it reaches into."""
    long = line((0, 0, Edge.KNOWN), (2 * QUARTER + 1, 9, Edge.KNOWN), (3 * QUARTER, 10, Edge.KNOWN))
    assert read(long, 0, 3 * QUARTER).flags.tolist() == [Flag.END, Flag.START | Flag.END, Flag.START]
    exact = line((0, 0, Edge.KNOWN), (QUARTER, 9, Edge.KNOWN), (2 * QUARTER, 10, Edge.BOUND))
    assert read(exact, 0, 2 * QUARTER).flags.tolist() == [0, Flag.BOUND]
    frozen = line((0, 0, Edge.KNOWN), (QUARTER + 1, 9, Edge.ESTIMATED), (2 * QUARTER, 10, Edge.KNOWN))
    assert read(frozen, 0, 2 * QUARTER, exact=3 * QUARTER).flags.tolist() == [Flag.END, Flag.START]


@pytest.mark.parametrize("apart", [300_000, 300_001])
def test_readings_exactly_as_far_apart_as_a_gap_may_be_are_exact(apart: int) -> None:
    """300 s is the limit of the plan: readings every five minutes are exact, one millisecond more is a gap."""
    at = QUARTER - 100_000
    breakpoints = line(
        (0, 0, Edge.KNOWN), (at, 5, Edge.KNOWN), (at + apart, 9, Edge.KNOWN), (2 * QUARTER, 11, Edge.KNOWN)
    )
    flags = read(breakpoints, 0, QUARTER, exact=300_000).flags.tolist()
    assert flags == [Flag.END if apart > 300_000 else Flag.GOOD]
    assert breakpoints.estimated_at(QUARTER, 300_000) is (apart > 300_000)


@pytest.mark.parametrize("longest", [3 * QUARTER - 1, 3 * QUARTER])
def test_a_gap_exactly_as_long_as_may_be_shared_out_is_shared_out(longest: int) -> None:
    """One millisecond more is missing."""
    breakpoints = line((0, 0, Edge.KNOWN), (QUARTER, 5, Edge.KNOWN), (4 * QUARTER, 9, Edge.KNOWN))
    assert read(breakpoints, 0, 4 * QUARTER, longest=longest).present.tolist() == [True, *[longest == 3 * QUARTER] * 3]


def test_a_gap_too_long_to_be_shared_out_is_missing() -> None:
    """Beyond `gap_estimate_s` even the shape is not estimated."""
    breakpoints = line(
        (0, 0, Edge.KNOWN), (QUARTER, 5, Edge.KNOWN), (5 * QUARTER, 9, Edge.KNOWN), (6 * QUARTER, 11, Edge.KNOWN)
    )
    result = read(breakpoints, 0, 6 * QUARTER, longest=3 * QUARTER)
    assert result.present.tolist() == [True, False, False, False, False, True]


def test_anchor_is_the_newest_usable_breakpoint_at_or_before_the_start() -> None:
    breakpoints = Breakpoints()
    for t, usable in ((10, 1), (QUARTER, 0), (QUARTER + 5, 1), (3 * QUARTER, 1)):
        breakpoints.add(t, t, t, plateau=t, edge=Edge.KNOWN, anchorable=usable)
    result = read(breakpoints, 0, 4 * QUARTER)
    assert result.anchor.tolist() == [-1, 0, 2, 3]
    assert breakpoints.anchor(2).at_ms == QUARTER + 5


def test_no_breakpoints_give_missing_intervals() -> None:
    result = read(Breakpoints(), 0, 3 * QUARTER)
    assert (result.present.tolist(), result.anchor.tolist()) == ([False] * 3, [-1] * 3)
    assert len(read(line((0, 0, Edge.KNOWN)), QUARTER, QUARTER).energy) == 0


@given(STEPS, st.integers(-1000, 10**8))
def test_total_at_a_moment_is_the_boundary_value(steps: list[tuple[int, int, Edge]], at: int) -> None:
    """The running interval of the snapshot reads the same line as the closed one."""
    breakpoints = of_steps(steps)
    result = breakpoints.total_at(at)
    after = int(np.searchsorted(np.array(breakpoints.t), at, side="left"))
    if at < 0 or at > breakpoints.t[-1] or (breakpoints.t[after] != at and breakpoints.edge[after] == Edge.BREAK):
        assert result is None
    else:
        assert result is not None
        before = max(after - (breakpoints.t[after] != at), 0)
        run, rise = breakpoints.t[after] - breakpoints.t[before], breakpoints.total[after] - breakpoints.total[before]
        assert result == breakpoints.total[before] + (
            Fraction(rise) * (at - breakpoints.t[before]) // run if run else 0
        )


@pytest.mark.parametrize(("since", "broken"), [(0, True), (QUARTER - 1, True), (QUARTER, False), (9 * QUARTER, False)])
def test_a_break_counts_until_its_end(since: int, broken: bool) -> None:
    breakpoints = line((0, 0, Edge.KNOWN), (QUARTER, 0, Edge.BREAK), (2 * QUARTER, 5, Edge.KNOWN))
    assert breakpoints.broken_since(since) is broken


def test_breakpoints_grow_while_the_call_that_read_them_is_held() -> None:
    """Whoever looks where threads stand holds their frames, and the supervisor does: nothing there may pin the columns."""
    breakpoints = line((0, 0, Edge.KNOWN), (QUARTER, 5, Edge.KNOWN), (3 * QUARTER, 9, Edge.BREAK))
    held: list[FrameType] = []

    def hold(frame: FrameType, _event: str, _argument: object) -> None:
        held.append(frame)

    sys.setprofile(hold)
    try:
        read(breakpoints, 0, 4 * QUARTER)
    finally:
        sys.setprofile(None)
    assert {"figures", "_boundary_values", "_overlap", "_anchors"} <= {frame.f_code.co_name for frame in held}
    breakpoints.add(4 * QUARTER, 11, 11, plateau=4 * QUARTER, edge=Edge.KNOWN, anchorable=1)
    breakpoints.trim(2 * QUARTER)
    assert breakpoints.t.tolist() == [QUARTER, 3 * QUARTER, 4 * QUARTER]


def test_flags_keep_their_numbers_because_a_store_holds_them() -> None:
    assert [(flag.name, int(flag)) for flag in Flag] == [
        ("START", 1), ("END", 2), ("BOUND", 4), ("NO_IMPORT", 8), ("NO_EXPORT", 16),
    ]  # fmt: skip
