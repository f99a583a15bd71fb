"""A trial's time is that of its readings; the wall clock is followed except where it jumps (tests/faults/test_c_time.py)."""

import time

from meterd.adapters.runtime.clock import TrialClock, WallClock


def test_trial_time_is_carried_on_by_readings_and_never_goes_back() -> None:
    clock = TrialClock(1000)
    clock.saw(5000)
    clock.saw(2000)
    assert clock.now_ms() == 5000
    clock.follow()
    assert (clock.doubt(), clock.steps_back(), clock.set_by_ms()) == ("", 0, 0)


def test_wall_clock_is_that_of_the_machine() -> None:
    clock = WallClock()
    assert abs(clock.now_ms() - time.time_ns() // 1_000_000) < 50
    clock.saw(0)
    assert clock.doubt() == ""


def test_a_jump_that_somebody_confirms_is_followed_at_once() -> None:
    """Not one that came after it, and nothing where there is none."""
    wall = [1_780_000_000_000]
    clock = WallClock(lambda: wall[0], lambda: 0.0)
    clock.follow()
    wall[0] += 7_200_000
    assert clock.now_ms() == wall[0] - 7_200_000
    assert "jumped by +7200 s" in clock.doubt()
    clock.follow()
    assert clock.doubt() == "", "it is followed with the next look"
    assert (clock.now_ms(), clock.set_by_ms(), clock.doubt()) == (wall[0], 7_200_000, "")
    wall[0] -= 3_600_000
    assert clock.now_ms() == wall[0] + 3_600_000
    clock.follow()
    wall[0] -= 60_000
    assert clock.now_ms() == wall[0] + 3_660_000, "another jump"
    clock.follow()
    assert (clock.now_ms(), clock.set_by_ms(), clock.steps_back()) == (wall[0], 3_540_000, 1)
