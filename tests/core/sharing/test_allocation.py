"""The decisions one by one: who gets what, why not more, and what happens to those that do not keep to it (faults G1-G12)."""

from meterd.core.model.plan import Consumer
from tests.core.sharing.share_loop import Loop, on_off, smooth


def test_keshav_example_as_loads() -> None:
    """Four smooth loads of 2, 2.6, 4 and 5 kW and 10 kW of surplus: 2, 2.6, 2.7, 2.7 kW (Keshav 1997)."""
    loop = Loop(smooth("a", 2000), smooth("b", 2600), smooth("c", 4000), smooth("d", 5000))
    loop.step(10_000, steps=3)
    assert loop.shares() == {"a": 2000, "b": 2600, "c": 2700, "d": 2700}
    assert loop.last is not None
    assert loop.last.total_w == 10_000
    assert loop.reason("a") == "runs at 2000 W"
    assert loop.reason("c") == "runs at 2700 W of 4000 W, a fair part of what is left"


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


def test_every_decision_has_a_reason() -> None:
    """Whatever happens, every consumer is told in words why it has what it has."""
    loop = Loop(on_off("a", min_on_s=60, min_off_s=60), on_off("b", priority=2), smooth("c", 3000))
    for i in range(100):
        decisions = loop.step((i * 977) % 9000)
        assert all(len(d.reason) > 5 for d in decisions)
        assert len(decisions) == 3
