"""The decisions one by one: who gets what, why not more, and what happens to those that do not keep to it (faults G1-G12)."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.allocation import AllocationState, Decisions, Draws, allocate, begin
from meterd.loads import Policy, policy_of
from meterd.reading import Quality
from meterd.room import Inputs
from meterd.site import Consumer, Limits, Sharing, Site

T = 1_780_000_000_000
STEP = 10_000
FAST = Sharing(mode="on", ramp_w_per_s=100_000)


def on_off(name: str, power: int = 1500, **more: int) -> Consumer:
    """A load that is on or off."""
    return Consumer(name, min_w=power, max_w=power, step_w=power, **more)


def smooth(name: str, most: int, **more: int) -> Consumer:
    """A load that takes any power."""
    return Consumer(name, min_w=0, max_w=most, **more)


class Loop:
    """Consumers that do what they are told, unless told otherwise, at once; one step is one decision."""

    def __init__(self, *consumers: Consumer, sharing: Sharing = FAST, limits: Limits | None = None) -> None:
        site = Site("mill", "UTC", consumers=consumers, sharing=sharing, limits=limits or Limits())
        self.policy: Policy = policy_of(site)
        self.state: AllocationState = begin(self.policy)
        self.now = T
        self.rows = {name: row for row, name in enumerate(self.policy.names)}
        self.stubborn: dict[str, int] = {}
        self.unmeasured: set[str] = set()
        self.last: Decisions | None = None

    def draws(self) -> np.ndarray:
        draw = self.state.known.given[self.policy.sharing.delay_samples].copy()
        for name, power in self.stubborn.items():
            draw[self.rows[name]] = power
        return draw

    def step(self, pv: int, *, base: int = 0, steps: int = 1, **inputs: object) -> Decisions:
        for _ in range(steps):
            draw = self.draws()
            measured = np.array([name not in self.unmeasured for name in self.policy.names])
            picture = replace(Inputs(self.now, pv - base - int(draw.sum()), pv), **inputs)  # type: ignore[arg-type]
            self.state, self.last = allocate(self.state, picture, Draws(draw, measured), self.policy, self.now)
            self.now += STEP
        assert self.last is not None
        return self.last

    def shares(self) -> dict[str, int]:
        assert self.last is not None
        return {d.consumer: d.share_w for d in self.last}

    def reason(self, name: str) -> str:
        assert self.last is not None
        return self.last.reason(self.rows[name])


# -- who gets what ----------------------------------------------------------------------------------------------------


def test_keshav_example_as_loads() -> None:
    """Four smooth loads of 2, 2.6, 4 and 5 kW and 10 kW of surplus: 2, 2.6, 2.7, 2.7 kW (Keshav 1997)."""
    loop = Loop(smooth("a", 2000), smooth("b", 2600), smooth("c", 4000), smooth("d", 5000))
    loop.step(10_000, steps=3)
    assert loop.shares() == {"a": 2000, "b": 2600, "c": 2700, "d": 2700}
    assert loop.last is not None
    assert loop.last.total_w == 10_000
    assert loop.reason("a") == "runs at 2000 W"
    assert loop.reason("c") == "runs at 2700 W of 4000 W, a fair part of what is left"


def test_a_higher_class_goes_first() -> None:
    """Priority 1 gets all it can take before priority 2 gets anything, and takes it back when there is less."""
    loop = Loop(smooth("second", 5000, priority=2), smooth("first", 5000, priority=1))
    loop.step(7_000, steps=3)
    assert loop.shares() == {"second": 2000, "first": 5000}
    loop.step(4_000)
    assert loop.shares() == {"second": 0, "first": 4000}


def test_least_served_starts_first() -> None:
    """With room for one of two on/off loads the one that has had less runs; the other waits for its turn."""
    loop = Loop(on_off("a"), on_off("b"))
    loop.step(3_200, steps=20)
    assert loop.shares() == {"a": 1500, "b": 0}
    loop.step(0, steps=5)
    loop.step(3_200, steps=5)
    assert loop.shares() == {"a": 0, "b": 1500}
    assert loop.reason("b") == "runs at 1500 W"
    assert loop.reason("a") == "waits: needs 1500 W and 1500 W to spare, 1700 W are left"


def test_turns_change_on_constant_surplus() -> None:
    """After the rotation time the waiting load takes over from the running one, in one decision, and the sum stays."""
    loop = Loop(on_off("a"), on_off("b"), sharing=replace(FAST, rotate_s=600))
    seen = set()
    for _ in range(200):
        loop.step(3_200)
        if loop.now > T + 5 * STEP:
            assert sum(loop.shares().values()) == 1500
        seen.add(tuple(loop.shares().items()))
    assert {(("a", 1500), ("b", 0)), (("a", 0), ("b", 1500))} <= seen


def test_nobody_takes_over_with_a_minimum_time_at_sunset() -> None:
    """A turn that must last ten minutes begins only with the dead band to spare; without a minimum time it may anyhow."""
    for min_on_s, turns in ((0, True), (600, False)):
        loop = Loop(on_off("a", min_on_s=min_on_s), on_off("b", min_on_s=min_on_s), sharing=replace(FAST, rotate_s=600))
        loop.step(3_200, steps=70)
        loop.step(2_900, steps=2)
        before = loop.shares()
        seen = [loop.step(2_900) and loop.shares() != before for _ in range(150)]
        assert any(seen) is turns


def test_steps_are_whole_and_the_rest_goes_to_smooth_loads() -> None:
    """A load of 2 to 6 kW in steps of 2 kW takes 4 of its fair part, and the smooth one the watts that are left."""
    stepped = Consumer("boiler", min_w=2000, max_w=6000, step_w=2000)
    loop = Loop(stepped, smooth("car", 20_000))
    loop.step(12_900, steps=6)
    assert loop.shares()["boiler"] in (2000, 4000, 6000)
    assert sum(loop.shares().values()) == 12_900


def test_stepped_loads_reach_all_they_can_take() -> None:
    """With plenty, and also when another one of their class takes the rest, each stepped load gets its largest step."""
    loop = Loop(*(Consumer(f"boiler-{i}", min_w=2000, max_w=6000, step_w=2000) for i in range(3)))
    loop.step(30_000, steps=12)
    assert set(loop.shares().values()) == {6000}
    assert loop.reason("boiler-0") == "runs at 6000 W"
    mixed = Loop(
        Consumer("small", min_w=2000, max_w=4000, step_w=2000), Consumer("large", min_w=4000, max_w=60_000, step_w=1000)
    )
    mixed.step(20_000, steps=12)
    assert mixed.shares()["small"] == 4000
    assert mixed.shares()["large"] >= 14_000


def test_steps_are_not_taken_back_while_they_fit() -> None:
    """Three stepped loads that are not measured climb to what there is without one step back on a constant surplus."""
    boilers = [Consumer(f"boiler-{i}", min_w=2000 + 1000 * i, max_w=6000 * (i + 1), step_w=2000) for i in range(3)]
    loop = Loop(*boilers, sharing=Sharing(mode="on"))
    loop.unmeasured = set(loop.policy.names)
    totals = [loop.step(29_000).total_w for _ in range(60)]
    assert totals == sorted(totals)
    assert totals[-1] >= 25_000


def test_noise_does_not_step() -> None:
    """A surplus that wavers by half a step around a step moves nothing once it is reached."""
    loop = Loop(Consumer("boiler", min_w=2000, max_w=20_000, step_w=2000))
    seen = []
    for i in range(60):
        loop.step(9_000 + (900 if i % 2 else -900))
        seen.append(loop.shares()["boiler"])
    assert len(set(seen[20:])) == 1


def test_served_less_runs_beside_smooth_loads_of_its_class() -> None:
    """An on/off load whose fair part is too small to run still gets its turns beside a smooth load."""
    loop = Loop(on_off("boiler", 6000), smooth("car-1", 20_000), smooth("car-2", 20_000))
    runs = 0
    for _ in range(400):
        loop.step(13_000)
        runs += loop.shares()["boiler"] > 0
    assert 50 < runs < 400


def test_dead_band_is_at_least_the_largest_load() -> None:
    """A small load starts only with the largest single load's power to spare, or more if the plan says so."""
    loop = Loop(on_off("small", 500), on_off("large", 4000))
    assert loop.policy.dead_band_w == 4000
    loop.step(4_400, steps=3)
    assert loop.shares()["small"] == 0
    loop.step(4_600, steps=3)
    assert loop.shares()["small"] == 500
    assert Loop(on_off("a"), sharing=replace(FAST, dead_band_w=3000)).policy.dead_band_w == 3000


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


def test_a_cloud_that_comes_is_told_as_the_reason() -> None:
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
    assert loop.step(20_000).room.ramp == "up-ramp"


# -- minimum times ------------------------------------------------------------------------------------------------------


def test_minimum_on_time_holds_a_load_and_counts_it_as_base() -> None:
    """When PV goes, a load inside its minimum on time stays and says how long; it takes the room of the others."""
    loop = Loop(on_off("held", min_on_s=300), smooth("car", 10_000))
    loop.step(6_000, steps=4)
    loop.step(2_000)
    assert loop.shares() == {"held": 1500, "car": 500}
    loop.step(0)
    assert loop.shares() == {"held": 1500, "car": 0}
    assert loop.reason("held") == "stays on: minimum on time 280 s left"
    loop.step(0, steps=29)
    assert loop.shares()["held"] == 0
    assert loop.reason("held").startswith("off: needs 1500 W") or loop.reason("held").startswith("waits")


def test_minimum_off_time_lets_wait() -> None:
    """A load that has just gone off waits for its minimum off time and says how long."""
    loop = Loop(on_off("a", min_off_s=180))
    loop.step(6_000, steps=3)
    loop.step(0)
    loop.step(6_000, steps=4)
    assert loop.shares() == {"a": 0}
    assert loop.reason("a") == "waits: minimum off time 170 s left"


def test_clock_set_back_never_lengthens_a_minimum_time() -> None:
    """An hour back: the minimum on time starts again at most once."""
    loop = Loop(on_off("a", min_on_s=300))
    loop.step(6_000, steps=3)
    loop.now -= 3_600_000
    loop.step(0)
    assert loop.reason("a") == "stays on: minimum on time 300 s left"


# -- limits ---------------------------------------------------------------------------------------------------------------


def test_contracted_power_bounds_the_shares() -> None:
    """Projected 90 kW of 95 kW with half the quarter hour left: 10 kW more for the rest, although 40 kW are over."""
    loop = Loop(smooth("a", 100_000), limits=Limits(contracted_w=95_000))
    loop.step(40_000, steps=1, expected_w=90_000, into_ms=450_000)
    assert loop.last is not None
    assert loop.last.room.keep_w == 10_000
    assert loop.last.room.reason == "contracted power"


def test_the_end_of_an_interval_does_not_pass_the_contract_on_to_the_next() -> None:
    """A minute is left and the mean is low: not fifteen times what is missing, but no more import than the contract; the
    largest single load is kept free of it."""
    loop = Loop(smooth("a", 200_000), limits=Limits(contracted_w=95_000))
    loop.step(40_000, export_w=-60_000, production_w=300_000, expected_w=50_000, into_ms=840_000)
    assert loop.last is not None
    assert loop.last.room.keep_w == 0, "nothing is exported"
    greedy = replace(FAST, reserve_w=-500_000)
    loop = Loop(smooth("a", 200_000), on_off("b", 1500), sharing=greedy, limits=Limits(contracted_w=95_000))
    loop.step(40_000, export_w=-60_000, expected_w=50_000, into_ms=840_000)
    assert loop.last is not None
    assert loop.last.room.keep_w == 35_000 - 1_500
    assert loop.last.room.reason == "contracted power"


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
    assert loop.reason("a").endswith("(on backup supply)")
    after = [loop.step(40_000).total_w for _ in range(3)]
    assert after[0] <= 1_000
    assert after == sorted(after)
    budget = Loop(smooth("a", 60_000), sharing=replace(FAST, backup_budget_w=8_000))
    budget.step(40_000, steps=4)
    assert budget.step(40_000, backup=True).total_w == 8_000


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


# -- what is not known ---------------------------------------------------------------------------------------------------


def test_g1_stale_inputs_ramp_the_shares_to_zero_within_the_validity() -> None:
    """Without a picture the shares sink and are zero after three samples and the validity; never the last value for good."""
    loop = Loop(smooth("a", 60_000))
    loop.step(60_000, steps=5)
    stood = loop.now - STEP
    totals = [loop.step(60_000, at_ms=stood, export_w=None, reason="no power of t1").total_w for _ in range(10)]
    assert totals == sorted(totals, reverse=True)
    assert totals[0] == 60_000
    assert totals[-1] == 0
    assert loop.last is not None
    assert loop.last.room.state is Quality.INVALID
    assert loop.reason("a").endswith("(no power of t1)")


def test_g1_the_connection_still_bounds_the_shares_when_the_pv_meter_is_stale() -> None:
    """PV meter dead and the connection imports: the shares fall at once, not along the ramp."""
    loop = Loop(smooth("a", 60_000))
    loop.step(60_000, steps=6)
    loop.step(60_000, export_w=-50_000, production_w=None)
    assert loop.shares()["a"] <= 10_000


def test_old_pictures_do_not_let_anything_rise() -> None:
    """The same picture seen again and again raises nothing, and after three samples it is stale."""
    loop = Loop(smooth("a", 60_000), sharing=Sharing(mode="on", ramp_w_per_s=500))
    loop.step(60_000, steps=3)
    at = loop.now
    total = 0
    for _ in range(12):
        total = loop.step(60_000, at_ms=at).total_w
    assert total == 0


def test_unknown_draws_count_as_drawn_by_their_share() -> None:
    """Loads without a measurement: the share that acts counts as drawn, and the room is the same as with one."""
    loop = Loop(*(on_off(f"room-{i}") for i in range(4)), smooth("car", 3000))
    loop.unmeasured = set(loop.policy.names)
    for _ in range(60):
        loop.step(9_000)
        assert loop.last is not None
        assert loop.last.room.keep_w == 9_000
    assert sum(loop.shares().values()) >= 7_500


def test_g6_overdraw_goes_to_fallback_with_a_finding_and_others_are_kept() -> None:
    """One of four draws double: after a minute it is on its fallback, named in a finding; the others keep their shares."""
    loop = Loop(*(on_off(f"room-{i}") for i in range(4)))
    loop.step(20_000, steps=10)
    assert set(loop.shares().values()) == {1500}
    loop.stubborn = {"room-2": 3000}
    findings = []
    for _ in range(30):
        findings += loop.step(20_000).findings
        assert all(loop.shares()[f"room-{i}"] == 1500 for i in (0, 1, 3))
    assert loop.shares()["room-2"] == 0
    assert {(f.cause, f.subject) for f in findings} == {("overdraw", "room-2")}
    assert "draws 3000 W of a share of" in findings[0].text
    assert loop.reason("room-2") == "on its fallback of 0 W: drew more than its share"


def test_g6_a_controller_that_ignores_zero_is_found_and_comes_back() -> None:
    """It goes on drawing without a share: a finding after its patience; ten minutes of good conduct give it shares again."""
    loop = Loop(on_off("a", fallback_w=0), on_off("b"))
    loop.step(10_000, steps=10)
    loop.stubborn = {"a": 1500}
    for _ in range(40):
        loop.step(0)
    assert [f.subject for f in loop.step(0).findings] == ["a"]
    loop.stubborn = {}
    loop.step(10_000, steps=70)
    assert loop.shares()["a"] == 1500
    assert loop.last is not None
    assert loop.last.findings == ()


def test_a_share_that_is_not_drawn_goes_to_others_and_comes_back() -> None:
    """A heater that is hot leaves its share: after two minutes another gets it; ten minutes later it is asked again."""
    loop = Loop(on_off("hot"), on_off("cold"))
    loop.stubborn = {"hot": 0}
    loop.step(3_200, steps=5)
    assert loop.shares() == {"hot": 1500, "cold": 0}
    loop.step(3_200, steps=45)
    assert loop.shares() == {"hot": 0, "cold": 1500}
    assert loop.reason("hot").startswith("waits: did not draw its share, offered again in ")


def test_g12_a_wrong_sign_refuses_to_share() -> None:
    """The connection is read the wrong way round: the draw rises with PV, and after some changes nothing is shared."""
    loop = Loop(smooth("a", 60_000))
    for i in range(30):
        pv = 30_000 + 10_000 * (i % 3)
        loop.step(pv, export_w=int(loop.draws().sum()) - pv + 60_000)
    assert loop.last is not None
    assert loop.last.total_w == 0
    assert loop.last.room.state is Quality.INVALID
    assert "a sign is wrong" in loop.last.room.reason


def test_g12_a_right_sign_is_not_refused() -> None:
    """The slope is about -1 when all is wired as drawn, also while loads follow PV and the base load is noisy."""
    loop = Loop(smooth("a", 60_000))
    noise = np.random.default_rng(3).normal(0, 400, 200)
    for i in range(200):
        loop.step(30_000 + 10_000 * (i % 3), base=5_000 + int(noise[i]))
    slope = loop.state.past.sign.slope
    assert slope == pytest.approx(-1.0, abs=0.05)
    assert loop.last is not None
    assert loop.last.total_w > 20_000


def test_every_decision_has_a_reason() -> None:
    """Whatever happens, every consumer is told in words why it has what it has."""
    loop = Loop(on_off("a", min_on_s=60, min_off_s=60), on_off("b", priority=2), smooth("c", 3000))
    for i in range(100):
        decisions = loop.step((i * 977) % 9000)
        assert all(len(d.reason) > 5 for d in decisions)
        assert len(decisions) == 3
