"""The shares in a closed loop: nothing swings, PV is used, and no fault makes the site import for the loads."""

import math
from functools import lru_cache

import numpy as np
import pytest

from meterd.core.model.plan import Sharing
from meterd.core.sharing.open_loop import gain_limit
from tests.simulator.bound import best
from tests.simulator.loop import (
    HOUR,
    LOAD_W,
    NIGHT,
    QUARTER,
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

NOON = HOUR // 2  # samples before noon in `around_noon`
SETTLED = 120  # samples
SETTINGS = [(1, 6), (80, 2), (300, 6)]  # loads, delay; all of them: `sharing_study`


def swing(flexible_w: Ints) -> float:
    """Largest less smallest flexible load after settling, in loads."""
    settled = flexible_w[SETTLED:]
    return float(settled.max() - settled.min()) / LOAD_W


@lru_cache
def shared_day(count: int, delay: int, sky: str, min_on_s: int) -> tuple[Day, Shared]:
    """A day of the allocation with minimum on times, and off times half as long; and who decided."""
    sharer, world = shared(count, delay, min_on_s=min_on_s, min_off_s=min_on_s // 2)
    return run(sharer, world, clear_day() if sky == "clear" else cloudy_day()), sharer


def day_of(count: int, delay: int, sky: str, min_on_s: int = 0) -> Day:
    """What came of that day."""
    return shared_day(count, delay, sky, min_on_s)[0]


def around_noon(ends: int = NOON) -> Ints:
    """PV of the clear day from half an hour before noon to half an hour after that sample."""
    middle = NIGHT + 3 * HOUR
    return clear_day()[middle - NOON : middle + ends]


@pytest.mark.parametrize(
    ("count", "delay"), [(1, 0), (1, 6), (10, 3), *((n, d) for n in (80, 300) for d in (0, 1, 2, 4, 6))]
)
def test_constant_surplus_does_not_swing_by_more_than_two_loads(count: int, delay: int) -> None:
    """After settling nothing moves but one exchange at a time, whatever the number of loads and the delay."""
    sharer, world = shared(count, delay)
    day = run(sharer, world, np.full(360, round(0.6 * count * LOAD_W) + 700, dtype=np.int64))
    assert swing(day.flexible_w) <= 2
    assert day.import_max_w == 0


def test_noise_of_pv_does_not_swing() -> None:
    """PV with 300 W of noise per sample: what is read ahead of it moves at most two loads."""
    noise = np.rint(np.random.default_rng(2).normal(0, 300, 1000)).astype(np.int64)
    sharer, world = shared(80, 2)
    day = run(sharer, world, 65_300 + noise)
    assert swing(day.flexible_w) <= 2
    assert day.import_max_w <= LOAD_W
    assert day.used > 0.95


def test_noise_of_the_base_load_does_not_swing() -> None:
    """Base load with 300 W of noise per sample (standard deviation): at most two loads move, and none imports for it."""
    noise = np.rint(np.random.default_rng(1).normal(0, 300, 1000)).astype(np.int64)
    sharer, world = shared(80, 2)
    day = run(sharer, world, np.full(1000, 65_300, dtype=np.int64), 5_000 + noise)
    assert swing(day.flexible_w) <= 2
    assert day.import_max_w <= LOAD_W
    assert day.used > 0.95


@pytest.mark.parametrize(("count", "delay"), SETTINGS)
def test_pv_is_used_on_a_clear_day(count: int, delay: int) -> None:
    """At least 98 % of the usable PV, whatever the delay, and nothing imported for it."""
    clear = day_of(count, delay, "clear")
    assert clear.used >= 0.98
    assert clear.import_kwh < 0.01


@pytest.mark.parametrize(("count", "delay"), [*SETTINGS, (80, 0), (80, 4), (80, 6)])
def test_pv_is_used_under_clouds(count: int, delay: int) -> None:
    """At least 90 %, or 98.5 % of what anyone could expect who knows the law of the clouds: `bound`.

    At a delay of six samples a cloud passes unseen for 70 s, and not even then are 90 % to be had.
    """
    bound = best(count, delay)[0] if delay else 1.0
    assert day_of(count, delay, "cloudy").used >= min(0.90, 0.985 * bound)


@pytest.mark.parametrize("count", [80, 300])
def test_the_bound_is_below_the_target_at_the_longest_delay_only(count: int) -> None:
    """On this day and on average of fifty: below 90 % at six samples, above it up to four; any price of import from a
    third to three times that of PV gives the same, and only to import on purpose gives more."""
    for price in (1 / 3, 1.0, 3.0):
        assert best(count, 6, price=price)[0] < 0.90
        assert best(count, 4, price=price)[0] > 0.90
    assert np.mean([best(count, 6, seed=seed)[0] for seed in range(50)]) < 0.90
    more, less = best(count, 6, price=0.2), best(count, 6)
    assert more[0] > 0.90
    assert more[1] > 2 * less[1]


@pytest.mark.parametrize(("count", "delay"), SETTINGS)
def test_pv_is_used_with_minimum_times(count: int, delay: int) -> None:
    """With minimum times of 10 and 5 minutes at least 95 % on a clear and 85 % on a cloudy day."""
    clear = day_of(count, delay, "clear", 600)
    assert clear.used >= 0.95
    assert clear.import_max_w <= LOAD_W
    assert day_of(count, delay, "cloudy", 600).used >= 0.85


@pytest.mark.parametrize("min_on_s", [0, 600], ids=["without timers", "10 and 5 min"])
@pytest.mark.parametrize("sky", ["clear", "cloudy"])
@pytest.mark.parametrize(("count", "delay"), SETTINGS)
def test_no_policy_of_the_table_is_better(count: int, delay: int, sky: str, min_on_s: int) -> None:
    """None of the table of checks.md uses as much PV and imports as little at the same settings: a clear day is without
    any import, and on a cloudy one less PV is lost and imported together from 80 loads on."""
    ours = day_of(count, delay, sky, min_on_s)
    pv = clear_day() if sky == "clear" else cloudy_day()
    usable_kwh = float(np.minimum(pv, count * LOAD_W).sum()) * 10 / 3.6e6
    for other in (threshold, coordinator(), coordinator(lag=1)):
        world = World(np.full(count, LOAD_W, dtype=np.int64), delay, min_on_s // 10, min_on_s // 20)
        theirs = run(other, world, pv)
        assert ours.used > theirs.used or ours.import_kwh < theirs.import_kwh
        if sky == "cloudy" and count >= 80:
            assert _lost(ours, usable_kwh) < _lost(theirs, usable_kwh)


def _lost(day: Day, usable_kwh: float) -> float:
    """kWh of PV not used and kWh imported."""
    return (1.0 - day.used) * usable_kwh + day.import_kwh


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
    day = run(sharer, world, around_noon(max(end for _, end in fault.values())))
    assert day.import_max_w <= LOAD_W
    ramp_w = 80 * LOAD_W * 10 // 30 + LOAD_W  # all loads in half a minute, and what was saved up for one load
    assert int(np.diff([d.total_w for d in sharer.decisions]).max()) <= ramp_w
    if not min_on_s:  # controllers whose minimum times end together may start together
        assert int(np.diff(day.flexible_w[NOON:]).max()) <= ramp_w


def test_g1_dead_pv_meter_while_the_inverters_stop() -> None:
    """The PV meter dies with its last value and PV falls to nothing: the connection tells, loads go off within the delay."""
    pv = around_noon(NOON + 300).copy()
    pv[NOON + 3 :] = 0
    sharer, world = shared(80, 2, stale=(NOON, NOON + 300))
    day = run(sharer, world, pv)
    assert day.flexible_w[NOON + 3 + 2 + 2 :].max() == 0


@pytest.mark.parametrize("min_on_s", [0, 600])
@pytest.mark.parametrize("delay", [0, 6])
def test_g5_no_quarter_hour_above_the_contract_because_of_shares(delay: int, min_on_s: int) -> None:
    """A reserve that asks for import on purpose, and a base load that approaches the contract in steps of 10 kW: no quarter
    hour is above the contract; without a contract in the plan nearly all are."""
    base = _approaching(8 * QUARTER)
    pv = np.full(len(base), 30_000, dtype=np.int64)
    greedy = Sharing(mode="on", delay_samples=delay, sample_s=10, reserve_w=-400_000)
    means = []
    for contracted_w in (80_000, None):
        sharer, world = shared(
            80, delay, min_on_s=min_on_s, min_off_s=min_on_s // 2, sharing=greedy, contracted_w=contracted_w
        )
        day = run(sharer, world, pv, base)
        drawn = np.maximum(0, base + day.flexible_w - pv)
        means.append(drawn.reshape(-1, QUARTER).mean(axis=1))
    assert means[0].max() <= 80_000
    assert means[0][1:].mean() > 70_000, "what the contract leaves is used"
    assert np.count_nonzero(means[1] > 80_000) >= 6


def _approaching(samples: int) -> Ints:
    """A base load that rises to within 5 kW of 80 kW beyond PV of 30 kW, with steps and noise, and falls again."""
    rng = np.random.default_rng(5)
    slope = np.interp(np.arange(samples), [0, samples * 0.7, samples], [40_000, 94_000, 60_000])
    steps = rng.choice([0, 10_000], samples // 30).repeat(30)
    return np.rint(slope + steps + rng.normal(0, 500, samples)).astype(np.int64)


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


@pytest.mark.parametrize("delay", [0, 4])
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


# -- controllers that see only the surplus -----------------------------------------------------------------------------


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
    _, sharer = shared_day(80, 2, "cloudy", 0)
    assert len(sharer.decisions) == len(cloudy_day())
    assert all(d.total_w <= d.available.keep_w for d in sharer.decisions)
