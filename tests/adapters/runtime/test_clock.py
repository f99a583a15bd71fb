"""A trial's time is that of its readings; the wall clock is followed except where it jumps (tests/faults/test_c_time.py)."""

import time

from meterd.adapters.runtime.clock import TrialClock, WallClock


def test_trial_time_is_carried_on_by_readings_and_never_goes_back() -> None:
    clock = TrialClock(1000)
    clock.saw(5000)
    clock.saw(2000)
    assert clock.now_ms() == 5000
    assert (clock.doubt(), clock.steps_back()) == ("", 0)


def test_wall_clock_is_that_of_the_machine() -> None:
    clock = WallClock()
    assert abs(clock.now_ms() - time.time_ns() // 1_000_000) < 50
    clock.saw(0)
    assert clock.doubt() == ""
