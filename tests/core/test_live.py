"""The snapshot: running balances and demand of the time that all points have reached, and who is late."""

from dataclasses import replace

import pytest

from meterd.core.checks.rules import demand_findings
from meterd.core.engine import take
from meterd.core.forecast.demand import FORECAST_PART
from meterd.core.live import snapshot
from meterd.core.model.forecast import Course, Quantity, SiteForecast
from meterd.core.model.reading import IMPORT, POWER, Quality
from tests.core.small_site import MINUTE, T0, counting, fresh, reading


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
        assert shown.demand_remaining == shown.demand_allowed, "bound by the contract, but it is not reached here"
        (finding,) = demand_findings(shown)
        assert (finding.cause, finding.subject) == ("demand-limit", state.site.name)
        assert f"pass the contract of {contracted_w / 1000:.1f} kW" in finding.text.replace("passes", "pass")
        rest = f"the allowed average for the rest of the interval is {allowed_w / 1000:.1f} kW"
        assert finding.text.endswith(f"is expected; {rest}")


def test_what_the_end_of_an_interval_could_make_up_for_is_not_allowed() -> None:
    """An idle quarter hour under a contract of 500 kW: its last minute could take 7.5 MW, the contract is what is allowed."""
    state = fresh(T0)
    state.site = replace(state.site, limits=replace(state.site.limits, contracted_w=500_000))
    take(state, [reading(("t1", IMPORT), i, 0) for i in range(15)])
    shown = snapshot(state, T0 + 14 * MINUTE, closed={}, pv_day=None, findings=())
    assert shown.demand_allowed is not None
    assert shown.demand_remaining is not None
    assert (shown.demand_allowed.power_w, shown.demand_remaining.power_w) == (500_000, 7_500_000)


def test_within_the_contract_nothing_is_said() -> None:
    """A projection below the contract, or no contract, raises no finding."""
    state = fresh(T0)
    take(state, [reading(("t1", IMPORT), i, 20 * i) for i in range(10)])
    take(state, [reading(("t1", POWER), 9, 2400.0)])
    assert demand_findings(snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=())) == []
    state.site = replace(state.site, limits=replace(state.site.limits, contracted_w=5000))
    assert demand_findings(snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=())) == []


def test_the_forecast_has_a_part_in_what_the_interval_comes_to() -> None:
    """180 Wh in nine of fifteen minutes and 2.4 kW now, of which 1.0 kW are forecast: less than with the draw alone."""
    state = fresh(T0)
    take(state, counting(range(9)))
    take(state, [reading(("t1", IMPORT), 9, 180), reading(("t1", POWER), 9, 2400.0)])
    load = Course((800,) * 4, (1000,) * 4, (1400,) * 4)
    forecast = SiteForecast(T0 - 15 * MINUTE, 15 * MINUTE, False, 60, ((Quantity.LOAD, load),))
    ahead = snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=(), forecast=forecast).demand_outlook
    assert ahead is not None
    part = FORECAST_PART * 6 / 15
    middle = (180 + (part * 1000 + (1 - part) * 2400) * 6 / 60) * 4
    assert (ahead.low_w, ahead.middle_w, ahead.high_w) == pytest.approx((middle - 120, middle, middle + 120))
    late = replace(forecast, issued_ms=T0 - 60 * MINUTE)
    stays = snapshot(state, T0 + 9 * MINUTE, closed={}, pv_day=None, findings=(), forecast=late).demand_outlook
    assert stays is not None
    assert (stays.low_w, stays.middle_w, stays.forecast) == pytest.approx((720, 1680, False)), "too old: the draw stays"
