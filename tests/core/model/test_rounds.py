"""Rounds of samples: complete, of one moment, and never two rounds where there is one, whatever the phases and periods."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.model.plan import Limits
from meterd.core.model.rounds import FEWEST, MOST, Belief, Trace, belief_of, follow, newest_round, period_ms, reach_ms

LIMITS = Limits()
REACH = reach_ms(LIMITS)
T = 1_780_000_000_000


def at(now_ms: int, limits: Limits = LIMITS) -> Belief:
    return belief_of(limits, now_ms)


def trace(*times_ms: int, first: float = 0.0) -> Trace:
    """Samples at these moments whose value is their number."""
    results: Trace = ()
    for number, at_ms in enumerate(times_ms):
        results = follow(results, at_ms, first + number, REACH)
    return results


def test_a_trace_is_in_order_of_time_in_any_order_of_arrival() -> None:
    for order in ((0, 1, 2), (2, 0, 1), (1, 2, 0)):
        results: Trace = ()
        for i in order:
            results = follow(results, T + 1000 * i, float(i), REACH)
        assert results == tuple((T + 1000 * i, float(i)) for i in range(3))
    assert follow(results, T + 1000, 9.0, REACH)[1] == (T + 1000, 9.0), "said again: the newest counts"


def test_a_trace_is_bounded_in_time_and_number() -> None:
    """Ten a second for ten minutes, and one an hour."""
    results: Trace = ()
    for i in range(6000):
        results = follow(results, T + 100 * i, 0.0, REACH)
    assert len(results) <= MOST
    assert results[-1][0] == T + 599_900
    assert results[-1][0] - results[0][0] >= 100_000
    slow = trace(*(T + 3_600_000 * i for i in range(10)))
    assert len(slow) == FEWEST
    behind: Trace = ()
    for i in range(2 * MOST):
        behind = follow(behind, T - 1000 * i, 0.0, REACH)
    assert len(behind) <= MOST, "also where a clock runs backwards"


@pytest.mark.parametrize(("times", "period"), [((), 0), ((5,), 0), ((0, 60), 60), ((0, 10, 20, 40, 50), 10)])
def test_the_period_is_the_median_of_the_gaps(times: tuple[int, ...], period: int) -> None:
    assert period_ms(trace(*(T + 1000 * t for t in times))) == 1000 * period


def test_a_meter_that_has_not_sent_yet_holds_the_round_before() -> None:
    """Every 3 s at once; q has not sent the third time: nothing of the third round is reported."""
    traces = {"t": trace(T, T + 3000, T + 6000), "q": trace(T + 40, T + 3040)}
    sample_round = newest_round(traces, at(T + 6100))
    assert (sample_round.at_ms, sample_round.values, sample_round.apart_ms) == (T + 3040, {"t": 1.0, "q": 1.0}, 40)


def test_a_lost_sample_leaves_its_round_out() -> None:
    """The second sample of q is lost: the first round stands until the third is complete."""
    t = trace(T, T + 3000, T + 6000, T + 9000)
    q = follow(follow(follow((), T - 2960, 4.0, REACH), T + 40, 5.0, REACH), T + 9040, 8.0, REACH)
    for now_s, value in ((4, 0.0), (7, 0.0), (9.1, 3.0)):
        now = T + round(1000 * now_s)
        seen = {name: tuple(s for s in item if s[0] <= now) for name, item in (("t", t), ("q", q))}
        assert newest_round(seen, at(now)).values["t"] == value


def test_meters_at_their_own_phases_are_a_round() -> None:
    """Every 60 s, half a minute apart: complete, and it says how far apart."""
    traces = {"t": trace(T, T + 60_000, T + 120_000), "q": trace(T + 30_000, T + 90_000)}
    sample_round = newest_round(traces, at(T + 125_000))
    assert sample_round.complete
    assert (sample_round.at_ms, sample_round.apart_ms, sample_round.every_ms) == (T + 90_000, 30_000, 60_000)


def test_after_a_start_what_is_further_apart_than_the_plan_allows_is_no_round() -> None:
    """One sample each, no period known: 10 s are one moment, 11 s are not; the one behind is named."""
    assert newest_round({"t": trace(T + 10_000), "p": trace(T + 10_000), "q": trace(T)}, at(T + 12_000)).complete
    sample_round = newest_round({"t": trace(T + 11_000), "p": trace(T + 11_000), "q": trace(T)}, at(T + 12_000))
    assert (sample_round.complete, sample_round.out_of_step) == (False, ("q",))
    ahead = newest_round({"t": trace(T), "p": trace(T), "q": trace(T + 11_000)}, at(T + 12_000))
    assert ahead.out_of_step == ("q",)


def test_a_silent_meter_is_named_and_one_of_the_future_is_silent() -> None:
    fine = trace(T - 20_000, T - 10_000, T)
    assert newest_round({"t": fine, "q": trace(T - 80_000, T - 70_000)}, at(T)).silent == ("q",)
    assert newest_round({"t": fine, "q": trace(T + 61_000)}, at(T)).silent == ("q",)
    assert newest_round({"t": fine, "q": ()}, at(T)).silent == ("q",)
    back = follow(trace(T + 3_600_000), T, 7.0, REACH)
    assert newest_round({"t": fine, "q": back}, at(T)).values["q"] == 7.0, "after a clock that was an hour ahead"


def test_who_keeps_up_is_waited_for_and_who_does_not_is_not() -> None:
    traces = {"t": trace(T, T + 10_000)}
    waited = newest_round(traces, at(T + 11_000), wait_for={"room": trace(T + 500)}, late_ms=15_000)
    assert waited.at_ms == T + 500
    assert waited.values == {"t": 0.0}
    assert newest_round(traces, at(T + 11_000), wait_for={"room": trace(T - 9000)}, late_ms=15_000).at_ms == T + 10_000


@settings(max_examples=40)
@given(
    st.sampled_from([1000, 3000, 5000, 10_000, 60_000]),
    st.integers(0, 2**32 - 1),
    st.booleans(),
)
def test_no_look_is_invalid_and_no_two_rounds_are_combined(period: int, seed: int, together: bool) -> None:
    """Many meters with jitter, looked at a hundred times in any moment once their periods are known.

    Sent together: every value of a look has the same number. At their own phases: each within half a period, and a jitter,
    of the moment.
    """
    chance = np.random.default_rng(seed)
    phase = np.zeros(12) if together else chance.uniform(0, period, 12)
    sent = {
        f"q{i}": sorted(T + int(phase[i] + period * k + chance.uniform(0, 0.05 * period)) for k in range(12))
        for i in range(12)
    }
    for now in sorted(chance.integers(T + 3 * period, T + 11 * period, 100).tolist()):
        seen = {name: trace(*(t for t in times if t <= now)) for name, times in sent.items()}
        sample_round = newest_round(seen, at(now))
        assert sample_round.complete, (sample_round.silent, sample_round.out_of_step)
        assert now - sample_round.at_ms <= 1.1 * period
        if together:
            assert len(set(sample_round.values.values())) == 1
        times = [sent[name][int(number)] for name, number in sample_round.values.items()]
        assert max(abs(t - sample_round.at_ms) for t in times) <= 0.56 * period
        assert sample_round.apart_ms == max(times) - min(times)


@pytest.mark.parametrize("age_s", range(50, 66))
@pytest.mark.parametrize("late_s", [1, 5, 12, 40])
def test_a_round_without_values_is_never_complete(age_s: int, late_s: int) -> None:
    """Found by a start from a store beside other daemons: who was waited for moved the moment to where nobody had a sample."""
    now_ms = T + 1000 * age_s
    for traces in ({"t": trace(T)}, {"t": trace(T), "u": trace(T + 300)}, {"t": trace(T, T + 9000)}):
        waiting = {"room": trace(T - 1000 * late_s)}
        taken = newest_round(traces, at(now_ms), wait_for=waiting, late_ms=45_000)
        assert taken.complete == (set(taken.values) == set(traces))


def test_mixed_periods_are_reported_of_the_moment_of_the_slowest() -> None:
    """Feeds every second, a room once a minute: both of the room's moment, never the room's old power beside a new feed."""
    fast, slow = [T + 1000 * i for i in range(200)], [T + 60_000 * i for i in range(4)]
    moments = []
    for now in range(T + 120_000, T + 199_000, 1000):
        sample_round = newest_round(
            {name: trace(*(t for t in times if t <= now)) for name, times in (("t", fast), ("room", slow))}, at(now)
        )
        assert sample_round.values["t"] == (sample_round.at_ms - T) / 1000
        assert sample_round.values["room"] == (sample_round.at_ms - T) / 60_000
        moments.append(sample_round.at_ms)
    assert all(a <= b for a, b in pairwise(moments))


def test_a_meter_that_was_heard_once_is_believed_as_the_plan_says_and_a_slow_one_longer() -> None:
    """Found from outside: a meter that sent once and died was believed 81 s of 60. Until its second sample nothing tells that
    it is slow; from then on it may be silent for one and a half of its periods, and the round with it."""
    quick, once = trace(*(T + 3_000 * i for i in range(30))), trace(T + 5_000)
    last = newest_round({"quick": quick, "once": once}, at(T + 65_000))
    assert last.complete
    assert newest_round({"quick": quick, "once": once}, at(T + 65_001)).silent == ("once",)
    slow = {"quick": quick, "slow": trace(T - 55_000, T + 5_000)}
    known = newest_round(slow, at(T + 66_500))
    assert (known.complete, known.every_ms) == (True, 60_000)
    limit = at(T).age_limit
    assert limit(known.every_ms) == 90_000 > limit(3_000) == limit(0) == 60_000
