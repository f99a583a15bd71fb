"""The order of things: what is taken, what is followed again, what closes, and what the live picture shows."""

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.conditions import demand_findings
from meterd.interval import Period
from meterd.knots import Anchor
from meterd.pipeline import Request, State, begin, close, plan_rerun, reopen, rerun, snapshot, take
from meterd.reading import EXPORT, IMPORT, POWER, Quality, Reading
from meterd.site import Board, Input, Limits, Point, Role, Site

QUARTER, MINUTE = 900_000, 60_000
T0 = 1_774_735_200_000  # 2026-03-28 22:00 UTC
CHANNELS = [("t1", IMPORT), ("t1", EXPORT), ("q1", IMPORT), ("q2", IMPORT)]
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("t1", "north", Role.FEED),
        Point("q1", "north", Role.FEEDER),
        Point("q2", "north", Role.FEEDER),
    ),
    inputs=tuple(Input(p, r, "s", f"{p}/{r}") for p, r in [*CHANNELS, ("t1", POWER)]),
    limits=Limits(gap_exact_s=900),
)


def fresh(closed_to: int | None = None) -> State:
    return begin(SITE, ZoneInfo("Europe/Vienna"), closed_to)


def reading(
    channel: tuple[str, str], minute: float, value: float, *, device_time: bool = True, old: bool = False
) -> Reading:
    shown = value if channel[1] == POWER else int(value * 1000)
    at = T0 + round(minute * MINUTE)
    return Reading(*channel, at, shown, at, device_time, old)


def counting(minutes: range, wh_a_minute: int = 10) -> list[Reading]:
    """The feed counts what its two feeders count together, nothing is exported."""
    shares = {("t1", IMPORT): 2, ("t1", EXPORT): 0, ("q1", IMPORT): 1, ("q2", IMPORT): 1}
    return [reading(c, m, m * wh_a_minute * share) for m in minutes for c, share in shares.items()]


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
    """From an anchor of before the reading, and the interval in which that anchor lies is made again too."""
    kept = {T0 + k * QUARTER: Anchor(T0 + k * QUARTER - 5, k, 0) for k in range(4)}

    def anchor_at(moment: int) -> tuple[int, Anchor] | None:
        found = [start for start in kept if start <= moment]
        return (max(found), kept[max(found)]) if found else None

    plan = plan_rerun(fresh(T0), Request(("q1", IMPORT), from_ms), anchor_at)
    assert plan == (first, None if anchor is None else kept[anchor + 5])


def test_following_again_from_the_beginning_gives_all_that_is_closed() -> None:
    state = fresh(T0 + 2 * QUARTER)
    times = T0 + np.arange(0, 46, dtype=np.int64) * MINUTE
    rows, again = rerun(state, ("q1", IMPORT), (None, None), (times, np.arange(46, dtype=np.int64) * 10_000))
    assert again is None
    assert energies(list(rows), ("q1", IMPORT)) == {0: 150_000, 1: 150_000}
    assert all(row.period is Period.INTERVAL for row in rows)


# -- the live picture --------------------------------------------------------------------------------------------------


def test_running_balance_and_demand_are_of_the_time_all_points_have_reached() -> None:
    """Eight minutes into the interval: what was counted so far, up to the slowest point; projected with the present draw."""
    state = fresh(T0)
    take(state, counting(range(9)))
    take(state, [reading(("t1", IMPORT), 9, 180), reading(("t1", POWER), 9, 2400.0)])
    shown = snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=())
    running = shown.running["north"]
    assert (running.start_ms, running.end_ms) == (T0, T0 + 8 * MINUTE)
    assert (running.feed_mwh, running.outgoing_mwh, running.residual_mwh, running.verdict) == (
        160_000,
        160_000,
        0,
        "inside",
    )
    assert shown.demand.power_w == pytest.approx(180 * 60 / 9)  # the feed alone is there up to the ninth minute
    assert shown.demand_projection.power_w == pytest.approx((180 + 2400 * 6 / 60) * 4)


def test_running_balance_names_who_is_late() -> None:
    """A point that has not been read in this interval makes the running balance not computable, never smaller."""
    state = fresh(T0)
    take(state, [r for r in counting(range(9)) if r.point != "q2"])
    shown = snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=())
    running = shown.running["north"]
    assert (running.verdict, running.missing, running.residual_mwh) == ("not computable", ("q2",), None)
    nothing = snapshot(fresh(T0), T0, closed={}, pv_day=None, findings=())
    assert nothing.demand.power_w is None
    assert nothing.demand.state is Quality.INVALID


def test_contract_leaves_the_rest_of_the_interval_what_it_allows() -> None:
    """180 Wh in nine of fifteen minutes under a contract of 1 kW: 70 Wh are left for six minutes, 700 W; never below 0."""
    for contracted_w, allowed_w in ((1000, 700.0), (600, 0.0)):
        state = fresh(T0)
        state.site = replace(state.site, limits=replace(state.site.limits, contracted_w=contracted_w))
        take(state, [reading(("t1", IMPORT), i, 20 * i) for i in range(10)])
        take(state, [reading(("t1", POWER), 9, 2400.0)])
        shown = snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=())
        assert shown.demand_allowed is not None
        assert shown.demand_allowed.power_w == pytest.approx(allowed_w)
        (found,) = demand_findings(shown)
        assert (found.cause, found.subject) == ("demand-limit", state.site.name)
        assert (
            f"the contract has {contracted_w / 1000:.1f} kW; the rest may have {allowed_w / 1000:.1f} kW" in found.text
        )


def test_within_the_contract_nothing_is_said() -> None:
    """A projection below the contract, or no contract, raises no finding."""
    state = fresh(T0)
    take(state, [reading(("t1", IMPORT), i, 20 * i) for i in range(10)])
    take(state, [reading(("t1", POWER), 9, 2400.0)])
    assert demand_findings(snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=())) == []
    state.site = replace(state.site, limits=replace(state.site.limits, contracted_w=5000))
    assert demand_findings(snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=())) == []
