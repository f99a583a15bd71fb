"""Registers of every width that is in use roll over without losing or inventing energy."""

import csv
from pathlib import Path

import numpy as np
import pytest

from meterd.core.registers.tracker import Rule, Tracker

MINUTE = 60_000
VECTORS = Path(__file__).parents[2] / "vectors" / "register_rollover.csv"
ROWS = {row["register"]: row for row in csv.DictReader(VECTORS.read_text(encoding="utf-8").splitlines())}

# row of the table -> modulus and step in mWh
WIDTHS = {
    "5-digit register": (100_000_000, 1000),
    "10 000 000 units (default of one meter family)": (10_000_000_000, 1000),
    "7-digit counter": (10_000_000_000, 1000),
    "four 16-bit words, each 0..9999 (MOD10)": (10**19, 1000),
    "8-digit display with two decimals": (10**12, 10_000),
    "unsigned 32-bit in Wh": (2**32 * 1000, 1000),
    "signed 32-bit in Wh": (2**31 * 1000, 1000),
    "SunSpec acc32": (2**32 * 10_000, 10_000),
    "M-Bus 8-digit BCD (DIF 0x0C)": (10**8 * 1000, 1000),
    "M-Bus 12-digit BCD (DIF 0x0E)": (10**12 * 1000, 1000),
}


def follow(rule: Rule, values: list[int]) -> Tracker:
    tracker = Tracker([rule])
    tracker.run(np.arange(len(values), dtype=np.int64) * MINUTE, np.array(values, dtype=np.int64))
    return tracker


@pytest.mark.parametrize("name", WIDTHS)
def test_rollover_at_the_width_of_the_table(name: str) -> None:
    """register_rollover.csv: the largest value is followed by zero; the energy across is (new - old) mod width."""
    assert name in ROWS
    modulus, step = WIDTHS[name]
    if modulus > 2**63:  # wider than what can be counted in mWh with 64 bits: it never comes to its end
        tracker = follow(Rule(capacity=modulus, resolution=step), [2**52, 2**52 + step, 2**52 + 3 * step])
        assert (tracker.total, tracker.events) == (2**52 + 3 * step - 2**52, [])
        return
    shown = [(modulus - 3 * step + i * step) % modulus for i in range(9)]
    assert modulus - step in shown
    assert 0 in shown
    tracker = follow(Rule(capacity=modulus, resolution=step), shown)
    assert tracker.total is not None
    assert tracker.total - tracker.breakpoints.total[0] == 8 * step
    assert [event.kind for event in tracker.events] == ["rollover"]


@pytest.mark.parametrize(("before", "after", "modulus", "delta"), [(99_986, 11, 10**5, 25), (9_999_998, 3, 10**7, 5)])
def test_examples_of_the_table(before: int, after: int, modulus: int, delta: int) -> None:
    """register_rollover.csv: "previous 99 986, now 11 -> delta 25", "9 999 998 then 3 -> delta 5"."""
    values = [wh * 1000 for wh in (before, after, after + 1)]
    tracker = follow(Rule(capacity=modulus * 1000, resolution=1000), values)
    assert tracker.total is not None
    assert tracker.total - tracker.breakpoints.total[0] == (delta + 1) * 1000


def test_a_year_and_a_half_at_full_load() -> None:
    """register_rollover.csv: 999 999.99 kWh at 69 kW are reached in about 1.65 years, so a rollover is no rarity."""
    hours = (WIDTHS["8-digit display with two decimals"][0] - 10_000) / 1e6 / 69
    assert hours / 8760 == pytest.approx(1.654, abs=5e-4)


def test_register_of_32_bit_floats_that_stands_still_invents_nothing() -> None:
    """register_rollover.csv: above 2^24 a step of 1 is lost; what is not counted is not made up."""
    largest = np.float32(2**24)
    assert largest + np.float32(1) == largest
    shown = [int(np.float32(2**24 - 2) + np.float32(i)) for i in range(3)] + [int(largest)] * 5
    tracker = follow(Rule(capacity=2**31 * 1000, resolution=1000), [wh * 1000 for wh in shown])
    assert tracker.total is not None
    assert (tracker.total - tracker.breakpoints.total[0], tracker.events) == (2000, [])
