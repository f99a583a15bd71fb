"""The shares in a closed loop: nothing swings, PV is used, and no fault makes the site import for the loads."""

import math
from functools import lru_cache

import numpy as np
import pytest

from meterd.sharing import gain_limit
from meterd.site import Sharing
from tests.simulator.loop import (
    HOUR,
    LOAD_W,
    NIGHT,
    Day,
    Ints,
    Shared,
    World,
    clear_day,
    cloudy_day,
    coordinator,
    run,
    shared,
    threshold,
)

AFTERNOON = clear_day()[NIGHT + 3 * HOUR // 2 : NIGHT + 5 * HOUR]  # noon in its middle
NOON = 3 * HOUR // 2  # in it
SETTLED = 120  # samples


def swing(flexible_w: Ints) -> float:
    """Largest less smallest flexible load after settling, in loads."""
    settled = flexible_w[SETTLED:]
    return float(settled.max() - settled.min()) / LOAD_W


@lru_cache
def day_of(count: int, delay: int, sky: str, min_on_s: int = 0) -> Day:
    """A day of the allocation with minimum on times, and off times half as long."""
    sharer, world = shared(count, delay, min_on_s=min_on_s, min_off_s=min_on_s // 2)
    return run(sharer, world, clear_day() if sky == "clear" else cloudy_day())


@pytest.mark.parametrize("delay", range(7))
@pytest.mark.parametrize("count", [1, 10, 80, 300])
def test_constant_surplus_does_not_swing_by_more_than_two_loads(count: int, delay: int) -> None:
    """After settling nothing moves but one exchange at a time, whatever the number of loads and the delay."""
    sharer, world = shared(count, delay)
    day = run(sharer, world, np.full(360, round(0.6 * count * LOAD_W) + 700, dtype=np.int64))
    assert swing(day.flexible_w) <= 2
    assert day.import_max_w == 0


def test_noise_of_the_base_load_does_not_swing() -> None:
    """Base load with 300 W of noise per sample (standard deviation): at most two loads move, and none imports for it."""
    noise = np.rint(np.random.default_rng(1).normal(0, 300, 1000)).astype(np.int64)
    sharer, world = shared(80, 2)
    day = run(sharer, world, np.full(1000, 65_300, dtype=np.int64), 5_000 + noise)
    assert swing(day.flexible_w) <= 2
    assert day.import_max_w <= LOAD_W
    assert day.used > 0.95


@pytest.mark.parametrize(
    ("count", "delay", "used"),
    # a delay of seven samples lets a cloud pass unseen for 70 s; the target of 90 % is asked of the usual two
    [(1, 0, 0.90), (10, 2, 0.90), (80, 0, 0.90), (80, 2, 0.90), (300, 2, 0.90), (80, 6, 0.85)],
)
def test_pv_is_used_without_timers(count: int, delay: int, used: float) -> None:
    """At least 98 % of the usable PV on a clear day, nearly nothing imported; at least 90 % on a cloudy one."""
    clear = day_of(count, delay, "clear")
    fall = int(-np.diff(clear_day()).min()) * (delay + 1)  # of PV until a decision acts
    assert clear.used >= 0.98
    assert clear.import_max_w <= max(LOAD_W, fall)
    assert day_of(count, delay, "cloudy").used >= used


@pytest.mark.parametrize("count", [10, 80])
def test_pv_is_used_with_minimum_times(count: int) -> None:
    """With minimum times of 10 and 5 minutes at least 95 % on a clear and 85 % on a cloudy day."""
    clear = day_of(count, 2, "clear", 600)
    assert clear.used >= 0.95
    assert clear.import_max_w <= LOAD_W
    assert day_of(count, 2, "cloudy", 600).used >= 0.85


@pytest.mark.parametrize("min_on_s", [0, 600], ids=["without timers", "10 and 5 min"])
@pytest.mark.parametrize("sky", ["clear", "cloudy"])
def test_no_policy_of_the_table_is_better(sky: str, min_on_s: int) -> None:
    """At the same settings no other policy uses more PV and imports less: checks.md, table of 80 loads and two samples."""
    ours = day_of(80, 2, sky, min_on_s)
    for other in (threshold, coordinator(), coordinator(lag=1)):
        world = World(np.full(80, LOAD_W, dtype=np.int64), 2, min_on_s // 10, min_on_s // 20)
        theirs = run(other, world, clear_day() if sky == "clear" else cloudy_day())
        assert ours.used >= theirs.used or ours.import_kwh <= theirs.import_kwh


def test_the_table_of_checks_is_reproduced() -> None:
    """One threshold for all on the clear day imports 199 kWh (checks.md, simulated): within 10 % in this world."""
    day = run(threshold, World(np.full(80, LOAD_W, dtype=np.int64), 2), clear_day(hours=12))
    assert day.import_kwh == pytest.approx(199, rel=0.10)


def test_g4_one_sample_off_misses_the_targets() -> None:
    """Flexible load added back one sample late: a plain coordinator swings by all loads, ours loses the 98 %."""
    steady = np.full(360, 60_300, dtype=np.int64)
    powers = np.full(80, LOAD_W, dtype=np.int64)
    assert swing(run(coordinator(), World(powers, 2), steady).flexible_w) == 0
    assert swing(run(coordinator(lag=1), World(powers, 2), steady).flexible_w) == 80
    sharer, world = shared(80, 2, lag=1)
    assert run(sharer, world, clear_day()).used < 0.97
    assert day_of(80, 2, "clear").used >= 0.98


# -- faults ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("min_on_s", [0, 600])
@pytest.mark.parametrize(
    "fault",
    [
        {"down": (NOON, NOON + 6)},
        {"down": (NOON, NOON + 60)},
        {"stale": (NOON, NOON + 6)},
        {"stale": (NOON, NOON + 30)},
        {"stale": (NOON, NOON + 360)},
        {"cut": (NOON, NOON + 60)},
        {"backup": (NOON, NOON + 60)},
    ],
    ids=["G7 restart", "G7 down 10 min", "G1 1 min", "G1 5 min", "G1 60 min", "broker outage", "G9 backup"],
)
def test_fault_at_noon_imports_no_more_than_one_load(fault: dict[str, tuple[int, int]], min_on_s: int) -> None:
    """G1, G7, G9: never more import than the base's own plus one load, and afterwards no step above the ramp."""
    sharer, world = shared(80, 2, min_on_s=min_on_s, min_off_s=min_on_s // 2, **fault)
    day = run(sharer, world, AFTERNOON)
    assert day.import_max_w <= LOAD_W
    ramp_w = 80 * LOAD_W * 10 // 60 + LOAD_W  # all loads in a minute, and what was saved up for one load
    assert int(np.diff([d.total_w for d in sharer.decisions]).max()) <= ramp_w
    if not min_on_s:  # controllers whose minimum times end together may start together
        assert int(np.diff(day.flexible_w[NOON:]).max()) <= ramp_w


def test_g1_dead_pv_meter_while_the_inverters_stop() -> None:
    """The PV meter dies with its last value and PV falls to nothing: the connection tells, loads go off within the delay."""
    pv = AFTERNOON.copy()
    pv[NOON + 3 :] = 0
    sharer, world = shared(80, 2, stale=(NOON, NOON + 300))
    day = run(sharer, world, pv)
    assert day.flexible_w[NOON + 3 + 2 + 2 :].max() == 0


def test_g5_all_controllers_act_at_once_within_the_contract() -> None:
    """The contracted power bounds flexible and base load together even when the reserve would allow more."""
    sharer, world = shared(80, 2, sharing=Sharing(mode="on", delay_samples=2, reserve_w=-100_000))
    day = run(sharer, world, AFTERNOON // 2)
    assert day.import_max_w > 50_000, "a negative reserve imports on purpose"
    sharer, world = shared(80, 2)
    assert run(sharer, world, AFTERNOON // 2).import_max_w <= LOAD_W


def test_g11_flicker_around_zero_switches_nothing() -> None:
    """A surplus that flickers around nothing, less than a load: not one switching in two hours."""
    flicker = np.where(np.arange(2 * HOUR) % 2 == 0, 1_000, 0).astype(np.int64)
    sharer, world = shared(80, 2)
    day = run(sharer, world, flicker, np.full(2 * HOUR, 500, dtype=np.int64))
    assert day.switches == 0


def test_g11_flicker_around_running_loads_switches_rarely() -> None:
    """The same above 40 running loads: the dead band of one load leaves them alone."""
    flicker = 61_000 + np.where(np.arange(1000) % 2 == 0, 700, -700).astype(np.int64)
    sharer, world = shared(80, 2, sharing=Sharing(mode="on", delay_samples=2, rotate_s=86_400))
    day = run(sharer, world, flicker)
    assert day.switches <= 2.0


def test_rotation_serves_all_alike() -> None:
    """Half the power for six hours: after them the least served load has at least nine tenths of the most served one."""
    sharer, world = shared(20, 2)
    day = run(sharer, world, np.full(2160, 16_600, dtype=np.int64))
    assert day.energy_wh.min() >= 0.9 * day.energy_wh.max()
    assert swing(day.flexible_w) <= 2


def test_wrong_delay_in_the_plan_does_no_harm() -> None:
    """A loop that is three times slower than the plan says still imports about one load on a clear day."""
    sharer, _ = shared(80, 2)
    day = run(sharer, World(np.full(80, LOAD_W, dtype=np.int64), 6), clear_day())
    assert day.import_max_w <= 1.1 * LOAD_W  # the fall of this steep sine within seven samples is 1,526 W
    assert day.used >= 0.95


@pytest.mark.parametrize("delay", [0, 2, 4])
def test_loads_that_are_not_measured_settle_at_any_delay(delay: int) -> None:
    """Shares count as drawn; whether the loop is faster or slower than the plan's two samples, nothing swings."""
    sharer, _ = shared(80, 2, measured=False)
    steady = run(sharer, World(np.full(80, LOAD_W, dtype=np.int64), delay), np.full(360, 60_300, dtype=np.int64))
    assert swing(steady.flexible_w) <= 2
    assert steady.import_max_w == 0
    assert steady.used > 0.9
    sharer, _ = shared(80, 2, measured=False)
    day = run(sharer, World(np.full(80, LOAD_W, dtype=np.int64), delay), clear_day())
    assert day.used >= 0.98
    assert day.import_max_w <= LOAD_W


# -- controllers that see only the surplus -------------------------------------------------------------------------------


def _grows(product: float, delay: int, count: int = 50) -> bool:
    """Whether N proportional reactions x += k (s - sum of x, d samples ago) diverge after a small push."""
    gain = product / count
    x = np.zeros(count)
    sums = [1.0] * (delay + 1)  # one away from the balance at 0
    for _ in range(6000):
        x = x - gain * sums[0]
        sums = [*sums[1:], 1.0 + float(x.sum())]
        if abs(sums[-1]) > 1e3:
            return True
    return max(abs(s) for s in sums) > 1.0


@pytest.mark.parametrize("delay", range(7))
def test_stability_limit_of_many_controllers(delay: int) -> None:
    """Simulated limit of N k against 2 sin(pi / (2 (2d + 1))), within 3 % (checks.md: 1.998, 0.997, 0.614, 0.442)."""
    low, high = 0.0, 2.5
    while high - low > 0.002:
        middle = (low + high) / 2
        low, high = (low, middle) if _grows(middle, delay) else (middle, high)
    assert low == pytest.approx(gain_limit(delay), rel=0.03)
    assert gain_limit(delay) == pytest.approx(2 * math.sin(math.pi / (2 * (2 * delay + 1))))


def test_shares_never_exceed_the_room_without_minimum_times() -> None:
    """At every sample of the cloudy day the sum of the shares is at most the room found."""
    sharer, world = shared(80, 2)
    run(sharer, world, cloudy_day())
    assert isinstance(sharer, Shared)
    assert all(d.total_w <= d.room.keep_w for d in sharer.decisions)
