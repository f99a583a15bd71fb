"""A whole history at once gives what following it step by step gives, and asks the zone rules no more than it must."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.core.energy.batch import Table, follow, parent_table
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import HOUR_MS, Period, bounds, floor, to_ms
from meterd.core.model.plan import Limits
from meterd.core.registers.register_line import Ints, figures
from meterd.core.registers.tracker import Rule, Tracker

QUARTER_MS = 900_000
START_MS = 1_767_225_600_000
RULE = Rule(capacity=1_000_000_000, limit_per_s=20_000, resolution=1)
LIMITS = Limits()


def history(seed: int) -> tuple[Ints, Ints]:
    """Readings a minute apart with gaps, rollovers, zeros, spikes, resets and a stretch that stood still."""
    draw = np.random.default_rng(seed)
    count = 3000
    times = START_MS + np.cumsum(draw.choice([60_000, 61_000, 5_400_000], p=[0.9, 0.097, 0.003], size=count))
    counted = 999_000_000 + np.cumsum(draw.integers(0, 200_000, size=count))
    shown = counted % 1_000_000_000
    shown[draw.integers(0, count, 5)] = 0
    shown[draw.integers(0, count, 5)] += 77_000_000
    still = int(draw.integers(100, count - 100))
    shown[still : still + 30] = shown[still]
    reset = int(draw.integers(count // 2, count - 10))
    shown[reset:] -= shown[reset]
    return times.astype(np.int64), np.maximum(shown, 0).astype(np.int64)


@pytest.mark.parametrize("seed", range(12))
def test_lean_columns_give_the_figures_of_single_steps(seed: int) -> None:
    """Energies, gaps and flags are the same, in any order of the readings and with repeats."""
    times, raws = history(seed)
    slow = Tracker((RULE,))
    for t, raw in zip(times.tolist(), raws.tolist(), strict=True):
        slow.step(t, raw)
    assert slow.rerun_from is None
    mixed = np.random.default_rng(seed).permutation(np.r_[np.arange(len(times)), 7, 7, 99])
    fast = follow(("q01", "1.8.0"), (RULE,), times[mixed], raws[mixed], limits=LIMITS, interval_ms=QUARTER_MS)
    wanted = figures(
        slow.breakpoints,
        floor(slow.breakpoints.t[0], QUARTER_MS),
        floor(slow.breakpoints.t[-1], QUARTER_MS),
        interval_ms=QUARTER_MS,
        gap_exact_ms=LIMITS.gap_exact_s * 1000,
        gap_estimate_ms=LIMITS.gap_estimate_s * 1000,
    )
    for name in ("start_ms", "energy", "present", "flags"):
        np.testing.assert_array_equal(getattr(fast.figures, name), getattr(wanted, name))
    assert fast.events == tuple(slow.events)
    assert fast.events, "the history holds what makes a register special"


@pytest.mark.parametrize("zone", ["Europe/Vienna", "Australia/Lord_Howe", "America/Sao_Paulo", "Asia/Kolkata", "UTC"])
def test_hours_of_a_table_are_those_of_the_zone_rules(zone: str) -> None:
    """Through both changes of a year, half-hour changes and offsets, and midnights that do not exist (2018)."""
    rules = ZoneInfo(zone)
    first = to_ms(datetime(2018, 1, 1, tzinfo=UTC))
    start = np.arange(first, first + 365 * 24 * HOUR_MS, QUARTER_MS, dtype=np.int64)
    shape = (len(start), 1)
    columns = Columns(np.ones(shape, dtype=np.int64), np.ones(shape, dtype=np.bool_), np.zeros(shape, dtype=np.uint8))
    intervals = Table(Period.INTERVAL, start, start + QUARTER_MS, (("q01", "1.8.0"),), columns)
    hours = parent_table(intervals, Period.HOUR, rules, QUARTER_MS)
    wanted, moment = [], int(start[0])
    while moment <= int(start[-1]):
        wanted.append(bounds(Period.HOUR, moment, rules, QUARTER_MS))
        moment = wanted[-1][1]
    assert list(zip(hours.start_ms.tolist(), hours.end_ms.tolist(), strict=True)) == wanted
