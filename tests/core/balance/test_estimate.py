"""Where a balance has no verdict because of an estimate, and how far estimated ends may move a longer one."""

import numpy as np
import pytest

from meterd.core.balance.board_balance import EVER_MS, Term, balance, period_balance
from meterd.core.balance.estimate import of_periods
from meterd.core.balance.uncertainty import Accuracy
from meterd.core.registers.register_line import Breakpoints, Edge, Flag, Ints, figures

QUARTER, DAY = 900_000, 86_400_000
SUB = Accuracy("1", "1", None, 250.0, 0, 400.0)
TERMS = [Term("t1", 1, ((EVER_MS, None, SUB),)), Term("f01", -1, ((EVER_MS, None, SUB),))]
START = QUARTER * np.arange(96, dtype=np.int64)


def load() -> Ints:
    """A day with a morning that rises steeply, in mWh per quarter hour."""
    hours = np.arange(96) / 4
    return np.asarray(np.round(1e6 * (2 + 20 * np.exp(-((hours - 9) ** 2) / 8))), dtype=np.int64)


def as_read(energy: Ints, gap: slice) -> tuple[Ints, np.ndarray]:
    """The day as its register gives it when the ends of the gap were not read: the sum is preserved, the shape is a line."""
    edges = np.concatenate([[0], np.cumsum(energy)])
    breakpoints = Breakpoints()
    for row in [i for i in range(97) if not gap.start <= i < gap.stop]:
        at = int(row * QUARTER)
        breakpoints.add(at, int(edges[row]), int(edges[row]), plateau=at, edge=Edge.KNOWN, anchorable=1)
    read = figures(breakpoints, 0, 96 * QUARTER, interval_ms=QUARTER, gap_exact_ms=QUARTER, gap_estimate_ms=DAY)
    return read.energy, read.flags


def test_an_interval_beside_a_gap_has_no_verdict_whatever_its_residual() -> None:
    """The feed was read, the feeder was not: each quarter hour differs by what the line does not know; none is judged."""
    energy = load()
    guess, flags = as_read(energy, slice(30, 34))
    both, marks = np.stack([energy, guess], axis=1), np.stack([np.zeros_like(flags), flags], axis=1)
    bare = balance(TERMS, START, START + QUARTER, both, np.ones(both.shape, dtype=bool))
    result = balance(TERMS, START, START + QUARTER, both, np.ones(both.shape, dtype=bool), flags=marks)
    assert [i for i in range(96) if bare.word(i) == "outside"] == [29, 30, 32, 33], "the trap is not there"
    assert {result.word(i) for i in range(29, 34)} == {"not computable"}
    assert {result.word(i) for i in (*range(29), *range(34, 96))} == {"inside"}
    assert result.residual.tolist() == bare.residual.tolist()
    assert result.computable.all()


@pytest.mark.parametrize("gap", [slice(0, 0), slice(20, 40), slice(1, 30), slice(60, 96)])
def test_a_day_with_exact_ends_has_the_verdict_and_band_it_always_had(gap: slice) -> None:
    energy = load()
    guess, flags = as_read(energy, gap)
    both, marks = np.stack([energy, guess], axis=1), np.stack([np.zeros_like(flags), flags], axis=1)
    plain = period_balance(TERMS, START, START + QUARTER, both, np.ones(both.shape, dtype=bool))
    result = period_balance(TERMS, START, START + QUARTER, both, np.ones(both.shape, dtype=bool), flags=marks)
    assert (result.word(0), int(result.band[0])) == ("inside", int(plain.band[0]))


@pytest.mark.parametrize("hidden", range(1, 12))
def test_the_band_of_a_day_holds_what_a_gap_over_its_end_hides(hidden: int) -> None:
    """Two days, the readings around midnight are missing: what the line moved from one to the other lies in the allowance."""
    energy = np.concatenate([load(), np.roll(load(), -30)])
    start = QUARTER * np.arange(192, dtype=np.int64)
    edges = np.concatenate([[0], np.cumsum(energy)])
    breakpoints = Breakpoints()
    for row in [i for i in range(193) if not 96 - hidden < i < 96 + hidden]:
        at = int(row * QUARTER)
        breakpoints.add(at, int(edges[row]), int(edges[row]), plateau=at, edge=Edge.KNOWN, anchorable=1)
    read = figures(breakpoints, 0, 192 * QUARTER, interval_ms=QUARTER, gap_exact_ms=QUARTER, gap_estimate_ms=DAY)
    if hidden == 1:
        assert read.flags.tolist() == [0] * 95 + [Flag.END, Flag.START] + [0] * 95
    first = np.array([0, 96])
    estimate = of_periods(read.energy[:, None], read.flags[:, None], first, start, start + QUARTER)
    moved = np.abs(np.add.reduceat(read.energy, first) - np.add.reduceat(energy, first))
    assert moved.min() > 0
    assert not estimate.open.any()
    assert (estimate.allowance >= moved).all()
    assert (estimate.allowance <= 2 * hidden * energy.max()).all()


@pytest.mark.parametrize(
    ("rows", "flag"),
    [(range(96), Flag.START | Flag.END), (range(40, 41), Flag.BOUND)],
    ids=["a gap over all of it", "a lower bound"],
)
def test_a_day_of_which_nothing_is_known_well_enough_has_no_verdict(rows: range, flag: Flag) -> None:
    energy, marks = np.stack([load(), load()], axis=1), np.zeros((96, 2), dtype=np.uint8)
    marks[list(rows), 1] = flag
    if len(rows) == 96:
        energy[:, 1] = energy[:, 1].sum() // 96  # the line of one gap
    result = period_balance(TERMS, START, START + QUARTER, energy, np.ones(energy.shape, dtype=bool), flags=marks)
    assert result.word(0) == "not computable"
    assert result.computable.all()


def test_an_hour_with_an_estimated_end_has_no_verdict() -> None:
    """Its four quarter hours say too little about what may have flowed in one of them."""
    energy, marks = np.stack([load(), load()], axis=1), np.zeros((96, 2), dtype=np.uint8)
    marks[7, 0] = Flag.END
    hours = 4 * np.arange(24)
    result = period_balance(
        TERMS, START, START + QUARTER, energy, np.ones(energy.shape, dtype=bool), first=hours, flags=marks
    )
    assert [i for i in range(24) if result.word(i) == "not computable"] == [1]


def test_meters_that_are_read_once_an_interval_have_a_verdict_of_the_day() -> None:
    """Every boundary of theirs is estimated, each in a short gap of its own: seen with 15-minute readings a minute off."""
    energy = np.stack([load(), load()], axis=1)
    marks = np.full((96, 2), int(Flag.START | Flag.END), dtype=np.uint8)
    result = period_balance(TERMS, START, START + QUARTER, energy, np.ones(energy.shape, dtype=bool), flags=marks)
    assert result.word(0) == "inside"
