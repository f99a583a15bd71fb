"""What is known of each consumer: what it draws, what it takes, which way its meter counts."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.model.reading import Quality
from tests.core.sharing.share_loop import FAST, Loop, on_off, smooth


def test_dead_band_is_at_least_the_largest_load() -> None:
    """A small load starts only with the largest single load's power to spare, or more if the plan says so."""
    loop = Loop(on_off("small", 500), on_off("large", 4000))
    assert loop.policy.dead_band_w == 4000
    loop.step(4_400, steps=3)
    assert loop.shares()["small"] == 0
    loop.step(4_600, steps=3)
    assert loop.shares()["small"] == 500
    assert Loop(on_off("a"), sharing=replace(FAST, dead_band_w=3000)).policy.dead_band_w == 3000


def test_unknown_draws_count_as_drawn_by_their_share() -> None:
    """Loads without a measurement: the share that acts counts as drawn, and the room is the same as with one."""
    loop = Loop(*(on_off(f"room-{i}") for i in range(4)), smooth("car", 3000))
    loop.unmeasured = set(loop.policy.names)
    for _ in range(60):
        loop.step(9_000)
        assert loop.last is not None
        assert loop.last.available.keep_w == 9_000
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
    assert loop.last.available.state is Quality.INVALID
    assert "a sign is wrong" in loop.last.available.reason


def test_g12_a_right_sign_is_not_refused() -> None:
    """The slope is about -1 when all is wired as drawn, also while loads follow PV and the base load is noisy."""
    loop = Loop(smooth("a", 60_000))
    noise = np.random.default_rng(3).normal(0, 400, 200)
    for i in range(200):
        loop.step(30_000 + 10_000 * (i % 3), base=5_000 + int(noise[i]))
    slope = loop.state.previous.sign_check.slope
    assert slope == pytest.approx(-1.0, abs=0.05)
    assert loop.last is not None
    assert loop.last.total_w > 20_000
