"""Harrow Mill with its controllers, readings to shares to draws: one of them ignores its share."""

from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.faults import Fault
from meterd.adapters.simulator.physics import flexible
from meterd.adapters.simulator.run import DEFAULT_SEED, plan_path, summer_offset_ms
from meterd.adapters.simulator.site import Simulator
from meterd.app.daemon.sharing_job import SharingJob
from meterd.core import engine, live

T = 1_780_000_000_000
STEPS = 120  # of 10 s
BEGINS_S = 600.0


def twenty_minutes(faults: tuple[Fault, ...]) -> tuple[SharingJob, list[dict[str, int]], list[list[str]]]:
    """Twenty minutes: shares and the subjects of the findings of each step. Every consumer obeys at once."""
    site = load_plan(plan_path()).site
    simulator = Simulator(site, DEFAULT_SEED, faults, start_ms=T, world_offset_ms=summer_offset_ms(T, site.zone))
    state, sharing_job = engine.begin(site, ZoneInfo(site.zone), None), SharingJob(site)
    shares: list[dict[str, int]] = []
    findings: list[list[str]] = []
    for step in range(1, STEPS + 1):
        now_ms = T + step * 10_000
        engine.take(state, simulator.readings(now_ms))
        shown = sharing_job.step(live.snapshot(state, now_ms, closed={}, pv_day=None, findings=()))
        for consumer in flexible(site):
            simulator.give(consumer.name, float(shown.shares[consumer.name].power_w or 0))
        shares.append({name: int(share_now.power_w or 0) for name, share_now in shown.shares.items()})
        findings.append([finding.subject for finding in sharing_job.findings if finding.cause == "overdraw"])
    return sharing_job, shares, findings


def test_overdraw_shows_and_the_others_are_kept_whole() -> None:
    """G6: the water heater of the bakery draws 9 kW of at most 6 kW: a minute later it is on its fallback of zero with a
    finding that names it and nobody else; what the others have together is never more than 9 kW less than without it."""
    _, calm, none = twenty_minutes(())
    sharing_job, shares, findings = twenty_minutes((Fault("overdraw", "bakery-water", 1.5, BEGINS_S),))
    assert not any(none)
    begun = int(BEGINS_S) // 10
    assert not any(findings[:begun])
    first = next(i for i, names in enumerate(findings) if names)
    assert begun + 6 <= first <= begun + 9
    assert {name for names in findings for name in names} == {"bakery-water"}
    assert all(item["bakery-water"] == 0 for item in shares[first:])
    assert sharing_job.decisions is not None
    assert sharing_job.decisions.reason(0) == "on its fallback of 0 W: drew more than its share"
    for own, others in zip(calm[first + 12 :], shares[first + 12 :], strict=True):
        without = sum(own.values()) - own["bakery-water"]
        assert sum(others.values()) >= without - 9_000 - 6_000, "its draw, and the dead band of the largest load"
