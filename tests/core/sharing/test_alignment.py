"""Powers of one moment: readings of different samples are never combined (faults G1 to G4)."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.model.plan import Limits, Point, PointState, Role, Sharing, Site
from meterd.core.model.snapshot import Now, Snapshot
from meterd.core.sharing.alignment import aligned_points, aligned_powers
from meterd.core.sharing.allocation import allocate, begin
from meterd.core.sharing.consumers import policy_of
from tests.share_snapshots import LOAD_W, T, mill, shot
from tests.simulator.loop import World


def test_all_of_one_sample_are_one_snapshot() -> None:
    """Meters that answer within the same sample: export, production and draws of it."""
    site = mill()
    snapshot = shot(
        site, T + 3000, t1=(-5_000, T), pv=(9_000, T + 2000), room_00=(1500, T + 1000), room_01=(0, T + 2000)
    )
    inputs, draws = aligned_powers(aligned_points(site), snapshot)
    assert (inputs.export_w, inputs.production_w, inputs.at_ms) == (5_000, 9_000, T)
    assert draws.power_w.tolist() == [1500, 0]
    assert draws.measured.all()


def test_g3_the_moment_is_one_that_all_have_reached() -> None:
    """The feed is one sample ahead of a room: the snapshot goes back to the sample that both have."""
    site = mill()
    first = shot(site, T, t1=(-5_000, T), pv=(9_000, T), room_00=(1500, T), room_01=(0, T))
    then = shot(
        site,
        T + 11_000,
        first,
        t1=(-3_500, T + 10_000),
        pv=(9_000, T + 10_000),
        room_00=(0, T + 10_000),
        room_01=(0, T),
    )
    inputs, draws = aligned_powers(aligned_points(site), then)
    assert inputs.at_ms == T
    assert inputs.export_w == 5_000
    assert draws.power_w.tolist() == [1500, 0]


def test_g1_a_stale_pv_meter_makes_the_snapshot_invalid() -> None:
    """Older than the plan believes: no production, and the reason names the point."""
    site = mill()
    first = shot(site, T, t1=(-5_000, T), pv=(9_000, T), room_00=(0, T), room_01=(0, T))
    later = T + 82_000
    then = shot(site, later, first, t1=(-5_000, later), pv=(9_000, T), room_00=(0, later), room_01=(0, later))
    inputs, _ = aligned_powers(aligned_points(site), then)
    assert not inputs.valid
    assert inputs.production_w is None
    assert inputs.export_w == 5_000
    assert inputs.reason == "no power of the same moment from pv"


def test_g2_a_stale_room_is_not_measured_and_the_rest_goes_on() -> None:
    """One room is silent: its share counts as drawn, the snapshot of the others stays valid."""
    site = mill()
    first = shot(site, T, t1=(-5_000, T), pv=(9_000, T), room_00=(0, T), room_01=(0, T))
    later = T + 70_000
    then = shot(site, later, first, t1=(-5_000, later), pv=(9_000, later), room_00=(1500, later), room_01=(0, T))
    inputs, draws = aligned_powers(aligned_points(site), then)
    assert inputs.valid
    assert draws.measured.tolist() == [True, False]


def test_retained_powers_are_not_present_powers() -> None:
    """What the broker retained from before the start does not count."""
    site = mill()
    snapshot = shot(site, T, t1=(-5_000, T), pv=(9_000, T))
    old = replace(snapshot, instant={key: Now(now.value, now.at_ms, old=True) for key, now in snapshot.instant.items()})
    inputs, _ = aligned_powers(aligned_points(site), old)
    assert not inputs.valid


def test_g9_backup_and_dark_mains_are_seen() -> None:
    """The engine supplies; and the voltage at the feed is gone."""
    site = mill()
    snapshot = shot(site, T, engine=(20_000, T))
    assert aligned_powers(aligned_points(site), snapshot)[0].backup
    gone = shot(site, T, t1=(0, T))
    instant = {**gone.instant, ("t1", "32.7.0"): Now(3.0, T), ("t1", "52.7.0"): Now(2.0, T)}
    inputs, _ = aligned_powers(aligned_points(site), replace(gone, instant=instant))
    assert inputs.dark
    instant["t1", "52.7.0"] = Now(229.0, T)
    assert not aligned_powers(aligned_points(site), replace(gone, instant=instant))[0].dark


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
    assert aligned_points(replace(site, consumers=consumers, points=points)).consumers == (None, None, None, None)


def among(site: Site, **more: object) -> Site:
    """The same with rooms in which other loads draw too."""
    return replace(site, consumers=tuple(replace(c, alone=False) for c in site.consumers), **more)  # type: ignore[arg-type]


def lately(site: Site, *powers: float, every_ms: int = 10_000) -> list[int]:
    """The most that the load of the first room can draw, after samples of it; the second room sends nothing."""
    taken = None
    for k, power in enumerate(powers):
        at = T + k * every_ms
        taken = shot(site, at, taken, t1=(-5_000, at), pv=(9_000, at), room_00=(power, at))
    assert taken is not None
    _, draws = aligned_powers(aligned_points(site), taken)
    assert not draws.measured.any()
    assert draws.most_w is not None
    return draws.most_w.tolist()


def test_a_load_among_others_draws_no_more_than_all_of_them_did_lately() -> None:
    """The largest of the last samples; nothing is known of a meter that is slow, silent or shows what flows back."""
    site = among(mill())
    assert lately(site, 2_000, 300, 200, 400.4, 100) == [400, -1], "2 kW is half a minute ago"
    assert lately(site, 2_000, 300, 200, 400, every_ms=8_000) == [2_000, -1]
    assert lately(site, 300) == [-1, -1], "one sample tells no period"
    assert lately(site, 300, -50, 200) == [-1, -1]
    assert lately(site, 300, 300, 300, every_ms=20_000) == [-1, -1]


def test_behind_a_point_with_pv_a_load_may_draw_more_than_passes_it() -> None:
    site = among(mill())
    roof = Point("roof", "north", Role.PV, below="board-of-room", rating_a=10.0)
    box = Point("board-of-room", "north", Role.SUB, below="room-00")
    assert aligned_points(site).among == ("room-00", "room-01")
    assert aligned_points(replace(site, points=(*site.points, box, roof))).among == (None, "room-01")


def test_a_room_at_its_own_phase_is_measured_and_one_without_a_sample_near_is_not() -> None:
    """Three quarters of a sample: half of it by the phase of its meter, the rest by jitter."""
    site = mill()
    for beside_ms, measured in ((7_500, True), (7_501, False)):
        snapshot = shot(site, T + 9_000, t1=(-5_000, T), pv=(9_000, T), room_00=(1500, T + beside_ms), room_01=(0, T))
        _, draws = aligned_powers(aligned_points(site), snapshot)
        assert draws.measured.tolist() == [measured, True]


def test_the_snapshot_says_how_slow_its_meters_are() -> None:
    """Feed every 60 s: its powers may be 90 s old, and the shares do not begin to sink before."""
    site = mill(0)
    snapshot = shot(site, T, t1=(-5_000, T), pv=(9_000, T))
    snapshot = shot(site, T + 60_000, snapshot, t1=(-5_000, T + 60_000), pv=(9_000, T + 60_000))
    inputs, _ = aligned_powers(aligned_points(site), replace(snapshot, now_ms=T + 149_000))
    assert (inputs.valid, inputs.every_ms, inputs.limit_ms) == (True, 60_000, 90_000)
    assert not aligned_powers(aligned_points(site), replace(snapshot, now_ms=T + 151_000))[0].valid


@pytest.mark.parametrize("late", [0, 1])
def test_g4_rooms_that_report_one_sample_late_do_not_make_the_loads_swing(late: int) -> None:
    """Room meters arrive a whole sample after the feed: the snapshots are still of one moment, and no room swings.

    A combination of the newest powers would be one sample off; the export and the draws handed to the allocation must
    add up to the true surplus at every decision.
    """
    site = mill(20)
    policy, aligned = policy_of(site), aligned_points(site)
    state = begin(policy)
    snapshot: Snapshot | None = None
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
        snapshot = shot(site, now, snapshot, **{k.replace("-", "_"): v for k, v in powers.items()})
        inputs, draws = aligned_powers(aligned, snapshot)
        if t > late and inputs.export_w is not None:
            assert inputs.export_w + int(draws.power_w.sum()) == surplus, "powers of two samples were combined"
        state, decisions = allocate(state, inputs, draws, policy, now)
        world.command(decisions.shares_w, t)
        totals.append(int(draw.sum()))
    assert (max(totals[100:]) - min(totals[100:])) / LOAD_W <= 2
    assert min(totals[100:]) >= 10 * LOAD_W


def test_limits_are_those_of_the_plan() -> None:
    """Meters of every 30 s, 14 s apart, and a power of 60 s ago is still believed."""
    site = replace(mill(0), limits=Limits(power_max_age_s=90), sharing=Sharing(mode="on", sample_s=30))
    before = shot(site, T, t1=(-5_000, T - 30_000), pv=(9_000, T - 16_000))
    snapshot = shot(site, T + 60_000, before, t1=(-5_000, T), pv=(9_000, T + 14_000))
    assert aligned_powers(aligned_points(site), snapshot)[0].valid
