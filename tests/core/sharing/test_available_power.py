"""How much may be shared: reserve, production, contract, supply, age of the powers, rises and clouds."""

from dataclasses import replace

import numpy as np

from meterd.core.model.plan import Limits, Sharing
from meterd.core.model.reading import Quality
from meterd.core.sharing.allocation import begin
from tests.core.sharing.share_loop import FAST, STEP, Loop, on_off, smooth


def test_reserve_is_kept_back() -> None:
    """Of 10 kW with a reserve of 1 kW the loads get 9 kW."""
    loop = Loop(smooth("a", 20_000), sharing=replace(FAST, reserve_w=1000))
    loop.step(10_000, steps=3)
    assert loop.shares() == {"a": 9000}


def test_more_than_the_production_is_never_shared() -> None:
    """Export that PV does not make (a battery, a generator) is no surplus."""
    loop = Loop(smooth("a", 20_000))
    loop.step(5_000, steps=3, export_w=12_000)
    assert loop.shares() == {"a": 5000}


def test_a_cloud_that_comes_is_reported_as_the_reason() -> None:
    """Two thirds of an edge are still to come: the shares fall to where PV was under the last cloud, and say so."""
    loop = Loop(on_off("a"), smooth("b", 60_000), sharing=FAST)
    loop.step(20_000, steps=5)
    loop.step(50_000, steps=6)
    assert loop.step(40_000).total_w == 20_000
    assert loop.reason("b").endswith("a fair part of what is left (20000 W less PV expected)")


def test_a_rise_that_two_meters_show_need_not_stand() -> None:
    """The sun comes out: shares follow in the same sample. Export alone, without PV, must stand for two samples."""
    loop = Loop(smooth("a", 100_000), sharing=FAST)
    loop.step(20_000, base=10_000, steps=4)
    assert loop.step(60_000, base=10_000).total_w == 50_000
    loop = Loop(smooth("a", 100_000), sharing=FAST)
    loop.step(20_000, base=10_000, steps=4)
    assert loop.step(20_000, base=0).total_w == 10_000
    assert loop.step(20_000, base=0).total_w == 20_000


def test_up_slowly_down_at_once() -> None:
    """Shares rise by the ramp per sample and fall in one decision."""
    loop = Loop(smooth("a", 50_000), sharing=Sharing(mode="on", ramp_w_per_s=500))
    assert [loop.step(40_000).total_w for _ in range(4)] == [5_000, 10_000, 15_000, 20_000]
    assert loop.step(3_000).total_w == 3_000


def test_a_ramp_slower_than_a_load_saves_up_for_it() -> None:
    """With 50 W/s a load of 1.5 kW starts after three samples, and no later one starts before three more."""
    loop = Loop(on_off("a"), on_off("b"), sharing=Sharing(mode="on", ramp_w_per_s=50))
    totals = [loop.step(20_000).total_w for _ in range(7)]
    assert totals == [0, 0, 1500, 1500, 1500, 3000, 3000]
    assert loop.step(20_000).available.ramp == "up-ramp"


def test_contracted_power_bounds_the_shares() -> None:
    """Projected 90 kW of 95 kW with half the quarter hour left: 10 kW more for the rest, although 40 kW are over."""
    loop = Loop(smooth("a", 100_000), limits=Limits(contracted_w=95_000))
    loop.step(40_000, steps=1, expected_w=90_000, into_ms=450_000)
    assert loop.last is not None
    assert loop.last.available.keep_w == 10_000
    assert loop.last.available.reason == "contracted power"


def test_the_end_of_an_interval_does_not_pass_the_contract_on_to_the_next() -> None:
    """A minute is left and the mean is low: not fifteen times what is missing, but no more import than the contract; the
    largest single load is kept free of it."""
    loop = Loop(smooth("a", 200_000), limits=Limits(contracted_w=95_000))
    loop.step(40_000, export_w=-60_000, production_w=300_000, expected_w=50_000, into_ms=840_000)
    assert loop.last is not None
    assert loop.last.available.keep_w == 0, "nothing is exported"
    greedy = replace(FAST, reserve_w=-500_000)
    loop = Loop(smooth("a", 200_000), on_off("b", 1500), sharing=greedy, limits=Limits(contracted_w=95_000))
    loop.step(40_000, export_w=-60_000, expected_w=50_000, into_ms=840_000)
    assert loop.last is not None
    assert loop.last.available.keep_w == 35_000 - 1_500
    assert loop.last.available.reason == "contracted power"


def test_projection_above_the_contract_takes_shares_back() -> None:
    """Projected 5 kW above the contract with half the time left: 10 kW less than runs."""
    loop = Loop(smooth("a", 100_000), limits=Limits(contracted_w=95_000))
    loop.step(40_000, steps=5)
    loop.step(40_000, expected_w=100_000, into_ms=450_000)
    assert loop.shares() == {"a": 30_000}


def test_g9_backup_supply_gives_zero_or_its_own_budget() -> None:
    """On backup supply shares are zero at once; with a budget they are that; afterwards the release is staged."""
    loop = Loop(smooth("a", 60_000))
    loop.step(40_000, steps=4)
    assert loop.step(40_000, backup=True).total_w == 0
    assert loop.reason("a") == "off: the mains do not carry the site (on backup supply)"
    after = [loop.step(40_000).total_w for _ in range(3)]
    assert after[0] <= 1_000
    assert after == sorted(after)
    budget = Loop(smooth("a", 60_000), sharing=replace(FAST, backup_budget_w=8_000))
    budget.step(40_000, steps=4)
    assert budget.step(40_000, backup=True).total_w == 8_000


def test_i3_on_backup_supply_no_minimum_time_and_no_fallback_holds() -> None:
    """A load inside its minimum on time is off with the next decision; one on its fallback gets nothing of it either."""
    loads = (on_off("held", min_on_s=900), on_off("bad", fallback_w=1500), smooth("car", 9_000))
    for budget_w in (0, 2_000):
        loop = Loop(*loads, sharing=replace(FAST, backup_budget_w=budget_w))
        loop.stubborn = {"bad": 4_000}
        loop.step(30_000, steps=20)
        assert loop.shares()["held"] == 1500
        assert loop.shares()["bad"] == 1500, "its fallback"
        assert loop.step(30_000, backup=True, dark=True).total_w == budget_w
        assert loop.shares()["bad"] == 0
        text = "on backup supply" if budget_w else "off: the mains do not carry the site (on backup supply)"
        assert all(text in loop.reason(name) for name in loop.rows)
    assert loop.step(30_000, backup=False, dark=True).total_w == 0
    assert loop.reason("held") == "off: the mains do not carry the site (no supply)"


def test_g8_release_after_an_outage_is_staged() -> None:
    """80 cold rooms: after an outage their shares take about ten minutes to come back, not one ramp."""
    loop = Loop(*(on_off(f"room-{i:02d}") for i in range(80)))
    loop.step(150_000, steps=30)
    assert loop.last is not None
    assert loop.last.total_w == 120_000
    loop.step(0, steps=30, dark=True)
    assert loop.last.total_w == 0
    totals = [loop.step(150_000).total_w for _ in range(70)]
    assert max(np.diff(totals)) <= 3_000
    reached = next(i for i, total in enumerate(totals) if total == 120_000)
    assert 50 <= reached <= 62


def test_g7_a_new_daemon_starts_from_zero() -> None:
    """After a restart the first decision is one ramp at most, whatever the loads draw."""
    loop = Loop(*(on_off(f"room-{i:02d}") for i in range(80)), sharing=Sharing(mode="on"))
    loop.step(150_000, steps=30)
    loop.state = begin(loop.policy)
    loop.stubborn = {f"room-{i:02d}": 1500 for i in range(80)}
    assert loop.step(150_000).total_w <= 40_000
    assert loop.last is not None
    assert loop.last.flexible_w == 0, "nobody has shares of this daemon: what runs is base load"


def test_a_pause_longer_than_a_share_is_valid_starts_from_zero() -> None:
    """A daemon that stood still for ten minutes finds all controllers on their fallback: no jump to the old shares."""
    loop = Loop(*(on_off(f"room-{i:02d}") for i in range(80)), sharing=Sharing(mode="on"))
    loop.step(150_000, steps=30)
    loop.now += 600_000
    loop.stubborn = {f"room-{i:02d}": 0 for i in range(80)}
    assert loop.step(150_000).total_w <= 40_000


def test_g1_stale_inputs_ramp_the_shares_to_zero_within_the_validity() -> None:
    """Without a snapshot the shares stand for three samples and are zero when the powers are as old as the plan believes."""
    loop = Loop(smooth("a", 60_000))
    loop.step(60_000, steps=5)
    stood = loop.now - STEP
    totals = [loop.step(60_000, at_ms=stood, export_w=None, reason="no power of t1").total_w for _ in range(6)]
    assert totals == sorted(totals, reverse=True)
    assert totals[0] == 60_000
    assert loop.now - STEP - stood == 60_000
    assert totals[-2] > 0
    assert totals[-1] == 0
    assert loop.last is not None
    assert loop.last.available.state is Quality.INVALID
    assert loop.reason("a").endswith("(no power of t1)")


def test_g1_the_connection_still_bounds_the_shares_when_the_pv_meter_is_stale() -> None:
    """PV meter dead and the connection imports: the shares fall at once, not along the ramp."""
    loop = Loop(smooth("a", 60_000))
    loop.step(60_000, steps=6)
    loop.step(60_000, export_w=-50_000, production_w=None)
    assert loop.shares()["a"] <= 10_000


def test_old_snapshots_do_not_let_anything_rise() -> None:
    """The same snapshot seen again and again raises nothing, and after three samples it is stale."""
    loop = Loop(smooth("a", 60_000), sharing=Sharing(mode="on", ramp_w_per_s=500))
    loop.step(60_000, steps=3)
    at = loop.now
    total = 0
    for _ in range(12):
        total = loop.step(60_000, at_ms=at).total_w
    assert total == 0
