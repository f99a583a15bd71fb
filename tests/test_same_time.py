"""Powers of one moment: readings of different samples are never combined (faults G1 to G4)."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.allocation import allocate, begin
from meterd.loads import policy_of
from meterd.same_time import Traces, follow, moment, picture, plan_of, power_at
from meterd.site import Limits, PointState, Sharing, Site
from meterd.snapshot import Now, Snapshot
from tests.share_pictures import LOAD_W, T, mill, shot
from tests.simulator.loop import World


def seen(site: Site, *shots: Snapshot) -> Traces:
    """Traces after these pictures."""
    traces: Traces = {}
    for one in shots:
        traces = follow(traces, one.instant, plan_of(site).points)
    return traces


def test_all_of_one_sample_are_one_picture() -> None:
    """Meters that answer within the same sample: export, production and draws of it."""
    site = mill()
    one = shot(site, T + 3000, t1=(-5_000, T), pv=(9_000, T + 2000), room_00=(1500, T + 1000), room_01=(0, T + 2000))
    inputs, draws = picture(plan_of(site), seen(site, one), one)
    assert (inputs.export_w, inputs.production_w, inputs.at_ms) == (5_000, 9_000, T)
    assert draws.power_w.tolist() == [1500, 0]
    assert draws.measured.all()


def test_g3_the_moment_is_one_that_all_have_reached() -> None:
    """The feed is one sample ahead of a room: the picture goes back to the sample that both have."""
    site = mill()
    first = shot(site, T, t1=(-5_000, T), pv=(9_000, T), room_00=(1500, T), room_01=(0, T))
    then = shot(
        site, T + 11_000, t1=(-3_500, T + 10_000), pv=(9_000, T + 10_000), room_00=(0, T + 10_000), room_01=(0, T)
    )
    inputs, draws = picture(plan_of(site), seen(site, first, then), then)
    assert inputs.at_ms == T
    assert inputs.export_w == 5_000
    assert draws.power_w.tolist() == [1500, 0]


def test_g1_a_stale_pv_meter_makes_the_picture_invalid() -> None:
    """Older than the plan believes: no production, and the reason names the point."""
    site = mill()
    first = shot(site, T, t1=(-5_000, T), pv=(9_000, T), room_00=(0, T), room_01=(0, T))
    later = T + 70_000
    then = shot(site, later, t1=(-5_000, later), pv=(9_000, T), room_00=(0, later), room_01=(0, later))
    inputs, _ = picture(plan_of(site), seen(site, first, then), then)
    assert not inputs.valid
    assert inputs.production_w is None
    assert inputs.export_w == 5_000
    assert inputs.reason == "no power of the same moment from pv"


def test_g2_a_stale_room_is_not_measured_and_the_rest_goes_on() -> None:
    """One room is silent: its share counts as drawn, the picture of the others stays valid."""
    site = mill()
    first = shot(site, T, t1=(-5_000, T), pv=(9_000, T), room_00=(0, T), room_01=(0, T))
    later = T + 70_000
    then = shot(site, later, t1=(-5_000, later), pv=(9_000, later), room_00=(1500, later), room_01=(0, T))
    inputs, draws = picture(plan_of(site), seen(site, first, then), then)
    assert inputs.valid
    assert draws.measured.tolist() == [True, False]


def test_retained_powers_are_not_present_powers() -> None:
    """What the broker kept from before the start does not count."""
    site = mill()
    one = shot(site, T, t1=(-5_000, T), pv=(9_000, T))
    old = replace(one, instant={key: replace(now, old=True) for key, now in one.instant.items()})
    inputs, _ = picture(plan_of(site), seen(site, old), old)
    assert not inputs.valid
    assert moment(plan_of(site), {}, 10_000) is None


def test_g9_backup_and_dark_mains_are_seen() -> None:
    """The engine supplies; and the voltage at the feed is gone."""
    site = mill()
    one = shot(site, T, engine=(20_000, T))
    assert picture(plan_of(site), seen(site, one), one)[0].backup
    gone = shot(site, T, t1=(0, T))
    instant = {**gone.instant, ("t1", "32.7.0"): Now(3.0, T), ("t1", "52.7.0"): Now(2.0, T)}
    inputs, _ = picture(plan_of(site), {}, replace(gone, instant=instant))
    assert inputs.dark
    instant["t1", "52.7.0"] = Now(229.0, T)
    assert not picture(plan_of(site), {}, replace(gone, instant=instant))[0].dark


def test_a_point_with_other_loads_measures_nothing() -> None:
    """Not alone, shared by two consumers, not live, or without a point: the draw is unknown."""
    site = mill(4)
    consumers = (
        replace(site.consumers[0], alone=False),
        replace(site.consumers[1], point="room-02"),
        site.consumers[2],
        site.consumers[3],
    )
    points = tuple(replace(p, state=PointState.FITTED) if p.name == "room-03" else p for p in site.points)
    assert plan_of(replace(site, consumers=consumers, points=points)).consumers == (None, None, None, None)


def test_power_at_is_the_nearest_within_half_a_sample() -> None:
    """Half a sample is the same sample; more is another."""
    trace = ((T, 1.0), (T + 10_000, 2.0))
    assert power_at(trace, T + 4_000, 5_000) == 1.0
    assert power_at(trace, T + 6_000, 5_000) == 2.0
    assert power_at(trace, T + 16_000, 5_000) is None
    assert power_at((), T, 5_000) is None


@pytest.mark.parametrize("late", [0, 1])
def test_g4_rooms_that_report_one_sample_late_do_not_make_the_loads_swing(late: int) -> None:
    """Room meters arrive a whole sample after the feed: the pictures are still of one moment, and no room swings.

    A combination of the newest powers would be one sample off; the export and the draws handed to the allocation must
    add up to the true surplus at every decision.
    """
    site = mill(20)
    policy, plan = policy_of(site), plan_of(site)
    state, traces = begin(policy), {}
    world = World(np.full(20, LOAD_W, dtype=np.int64), 2)
    surplus = 18_700
    past: list[np.ndarray] = []
    totals = []
    for t in range(300):
        now = T + t * 10_000
        draw = world.draw()
        past.append(draw)
        rooms = past[max(0, t - late)]
        at = now - late * 10_000
        powers = {"t1": (float(draw.sum() - surplus), now), "pv": (40_000.0, now)}
        powers |= {f"room-{i:02d}": (float(rooms[i]), at) for i in range(20)}
        one = shot(site, now, **{k.replace("-", "_"): v for k, v in powers.items()})
        traces = follow(traces, one.instant, plan.points)
        inputs, draws = picture(plan, traces, one)
        if t > late and inputs.export_w is not None:
            assert inputs.export_w + int(draws.power_w.sum()) == surplus, "powers of two samples were combined"
        state, decisions = allocate(state, inputs, draws, policy, now)
        world.command(decisions.shares_w, t)
        totals.append(int(draw.sum()))
    assert (max(totals[100:]) - min(totals[100:])) / LOAD_W <= 2
    assert min(totals[100:]) >= 10 * LOAD_W


def test_limits_are_those_of_the_plan() -> None:
    """A sample of 30 s: half of it is 15 s, and a power of 60 s ago is still believed."""
    site = replace(mill(0), limits=Limits(power_max_age_s=90), sharing=Sharing(mode="on", sample_s=30))
    one = shot(site, T + 60_000, t1=(-5_000, T), pv=(9_000, T + 14_000))
    assert picture(plan_of(site), seen(site, one), one)[0].valid
