"""Loads that are on or off, stepped or smooth take turns: classes, least served first, minimum times, whole steps."""

from dataclasses import replace

from meterd.core.model.plan import Consumer, Sharing
from tests.core.sharing.share_loop import FAST, STEP, Loop, T, on_off, smooth


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
