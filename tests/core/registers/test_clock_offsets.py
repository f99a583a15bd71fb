"""How far clocks are off is written down in steps, from a moment on, and never changed for a time before."""

import pytest

from meterd.core.registers.clock_offsets import EVER_MS, clocks_in, rounded, steps_of, words_of, written


@pytest.mark.parametrize(
    ("offset_s", "stored"),
    [(0, 0), (4.9, 0), (5, 5), (-5.1, 10), (60, 60), (60.1, 120), (-299, 300), (3600, 3600), (90_000, 3600)],
)
def test_an_offset_is_written_in_whole_steps_upwards(offset_s: float, stored: int) -> None:
    """Both ways alike: the band has no direction."""
    assert rounded(round(offset_s * 1000), 3600) == stored


def test_a_larger_offset_counts_at_once_and_a_smaller_one_below_half() -> None:
    """So that a band does not change with every look."""
    clocks = written({}, {"q01": -9_000, "q02": 1_000}, 1_000, 3600)
    assert clocks == {"q01": ((1_000, 10),)}
    assert written(clocks, {"q01": -6_000}, 2_000, 3600) == clocks
    assert written(clocks, {"q01": 16_000}, 2_000, 3600) == {"q01": ((1_000, 10), (2_000, 20))}
    assert written(clocks, {"q01": 0}, 2_000, 3600) == {"q01": ((1_000, 10), (2_000, 0))}
    assert written(clocks, {"q03": 0}, 2_000, 3600) == clocks
    assert written(clocks, {"q01": 9_000_000}, 2_000, 0)["q01"][-1] == (2_000, 0)


def test_within_one_open_interval_the_last_word_counts() -> None:
    """What was written of it before is replaced; earlier steps stay."""
    clocks = {"q01": ((0, 5), (1_000, 10))}
    assert written(clocks, {"q01": 50_000}, 1_000, 3600) == {"q01": ((0, 5), (1_000, 50))}


def test_the_plan_is_the_least() -> None:
    """What it says of all meters holds at all times."""
    clocks = {"q01": ((1_000, 10), (2_000, 0))}
    assert steps_of(clocks, "q01", 0) == ((1_000, 10), (2_000, 0))
    assert steps_of(clocks, "q01", 7) == ((EVER_MS, 7), (1_000, 10), (2_000, 7))
    assert (steps_of(clocks, "q02", 0), steps_of(clocks, "q02", 7)) == ((), ((EVER_MS, 7),))


def test_what_is_kept_can_be_read_again() -> None:
    """The fact of a store; nothing stored is nothing known."""
    clocks = {"q01": ((1_000, 10), (2_000, 0)), "q02": ((5, 60),)}
    assert clocks_in(words_of(clocks)) == clocks
    assert clocks_in(None) == clocks_in("") == {}
