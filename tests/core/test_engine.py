"""The order of things: what is taken, what is followed again, what closes, and what the snapshot shows."""

from itertools import permutations

import numpy as np
import pytest

from meterd.core.engine import Request, close, plan_rerun, reopen, rerun, take
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT, POWER, Reading
from meterd.core.model.results import Anchor
from tests.core.small_site import CHANNELS, MINUTE, QUARTER, T0, counting, fresh, reading


def energies(rows: list[object], channel: tuple[str, str]) -> dict[int, int | None]:
    return {(r.start_ms - T0) // QUARTER: r.energy for r in rows if r.channel == channel}  # type: ignore[attr-defined]


def test_intervals_close_because_they_are_over_and_each_once() -> None:
    """Rule 6 of the numbers: with `close_after_s` of patience, never twice, also when the clock runs back."""
    state = fresh(T0)
    take(state, counting(range(32)))
    assert close(state, T0 + QUARTER + 59_999) == []
    rows = close(state, T0 + QUARTER + 60_000)
    assert energies(rows, ("t1", IMPORT)) == {0: 300_000}
    assert len(rows) == len(CHANNELS)
    assert close(state, T0 + QUARTER + 60_000) == []
    assert close(state, T0) == []
    assert energies(close(state, T0 + 5 * QUARTER), ("q1", IMPORT)) == {1: 150_000, 2: None, 3: None}


def test_the_first_close_takes_what_is_there_up_to_the_running_interval() -> None:
    """A daemon that starts closes nothing of before its first reading, and nothing that is still running."""
    state = fresh()
    take(state, counting(range(20)))
    rows = close(state, T0 + 19 * MINUTE)
    assert energies(rows, ("q2", IMPORT)) == {0: 150_000}
    assert state.closed_to == T0 + QUARTER


def test_a_late_reading_asks_to_be_followed_again_from_its_time() -> None:
    """And one that fills the end of what is closed asks from the last accepted reading on."""
    state = fresh(T0)
    take(state, [reading(("q1", IMPORT), m, 10 * m) for m in (0, 5, 14)])
    close(state, T0 + QUARTER + MINUTE)
    assert take(state, [reading(("q1", IMPORT), 3, 30)]) == [Request(("q1", IMPORT), T0 + 3 * MINUTE)]
    assert take(state, [reading(("q1", IMPORT), 16, 160)]) == [Request(("q1", IMPORT), T0 + 14 * MINUTE + 1)]
    assert take(state, [reading(("q1", IMPORT), 17, 170)]) == []


def test_what_was_kept_by_the_broker_without_its_time_is_no_reading_of_a_counter() -> None:
    """B6: a retained counter value says nothing about when it was true; with its own time it does."""
    state = fresh(T0)
    assert take(state, [reading(("q1", IMPORT), 5, 50, device_time=False, old=True)]) == []
    assert ("q1", IMPORT) not in state.counters
    take(state, [reading(("q1", IMPORT), 5, 50, old=True)])
    assert state.counters["q1", IMPORT].at_ms == T0 + 5 * MINUTE


def test_present_values_are_the_newest_of_any_order() -> None:
    state = fresh(T0)
    take(state, [reading(("t1", POWER), m, m) for m in (3, 9, 5)])
    take(state, [reading(("t1", POWER), 8, 8)])
    assert state.instant["t1", POWER].value == 9
    take(state, [Reading("t1", "9.9.9", T0, 1, T0), Reading("stranger", IMPORT, T0, 1, T0)])
    assert state.unknown == 2


@pytest.mark.parametrize("split", range(5))
def test_of_present_values_of_one_time_the_largest_counts_in_any_order(split: int) -> None:
    """Meters that stamp whole seconds send several values of one; a restart finds the largest of them in the journal."""
    sent = [reading(("t1", POWER), 5, value) for value in (100, 300, 400, 200)]
    for some in permutations(sent):
        state = fresh(T0)
        take(state, some[:split])
        take(state, some[split:])
        assert state.instant["t1", POWER].value == 400


def test_one_register_that_cannot_be_followed_does_not_stop_the_others() -> None:
    """It is set aside with the reason; its readings are in the journal."""
    state = fresh(T0)
    broken = Reading("q1", IMPORT, T0, None, T0)  # type: ignore[arg-type]
    take(state, [broken, *counting(range(20))])
    assert list(state.failed) == [("q1", IMPORT)]
    rows = close(state, T0 + QUARTER + MINUTE)
    assert energies(rows, ("q2", IMPORT)) == {0: 150_000}
    assert energies(rows, ("q1", IMPORT)) == {}
    assert state.unknown == 0


def test_what_was_closed_ahead_of_the_clock_is_opened_again() -> None:
    """C4: a clock that was two hours ahead closed intervals that had no readings yet."""
    state = fresh(T0)
    take(state, counting(range(20)))
    close(state, T0 + 9 * QUARTER)
    assert reopen(state, T0 + 9 * QUARTER) == []
    requests = reopen(state, T0 + 20 * MINUTE)
    assert {r.channel for r in requests} == set(CHANNELS)
    assert {r.from_ms for r in requests} == {state.closed_to} == {T0 + QUARTER}
    for request in requests:
        own = [(r.at_ms, int(r.value)) for r in counting(range(20)) if (r.point, r.register) == request.channel]
        times, values = np.array(own, dtype=np.int64).T
        rerun(state, request.channel, (None, None), (times, values))
    take(state, counting(range(20, 35)))
    assert energies(close(state, T0 + 2 * QUARTER + MINUTE), ("t1", IMPORT)) == {1: 300_000}


@pytest.mark.parametrize(
    ("from_ms", "first", "anchor"),
    [
        (None, T0 + 3 * QUARTER, T0 + 3 * QUARTER - 5),
        (T0 + 2 * QUARTER + 7, T0 + QUARTER, T0 + QUARTER - 5),  # its own interval's anchor is of before its start
        (T0 + 2 * QUARTER - 4, T0, T0 - 5),
        (T0 - 10, None, None),
    ],
)
def test_where_to_begin_again(from_ms: int | None, first: int | None, anchor: int | None) -> None:
    """From an anchor of before the reading, and the interval in which that anchor lies is recalculated too."""
    anchors = {T0 + k * QUARTER: Anchor(T0 + k * QUARTER - 5, k, 0) for k in range(4)}

    def anchor_at(moment: int) -> tuple[int, Anchor] | None:
        results = [start for start in anchors if start <= moment]
        return (max(results), anchors[max(results)]) if results else None

    plan = plan_rerun(fresh(T0), Request(("q1", IMPORT), from_ms), anchor_at)
    assert plan == (first, None if anchor is None else anchors[anchor + 5])


def test_following_again_from_the_beginning_gives_all_that_is_closed() -> None:
    state = fresh(T0 + 2 * QUARTER)
    times = T0 + np.arange(0, 46, dtype=np.int64) * MINUTE
    rows, again = rerun(state, ("q1", IMPORT), (None, None), (times, np.arange(46, dtype=np.int64) * 10_000))
    assert again is None
    assert energies(list(rows), ("q1", IMPORT)) == {0: 150_000, 1: 150_000}
    assert all(row.period is Period.INTERVAL for row in rows)
