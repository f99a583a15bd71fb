"""Yields and performance ratio by IEC 61724-1: a worked example, an independent integral, and no ratio where anything lacks."""

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import trapezoid

from meterd.core.pv.performance import LONGEST_GAP_MS, Yields, irradiation, together, yields_of

MINUTE, HOUR = 60_000, 3_600_000
EXAMPLE = Path(__file__).parents[2] / "vectors" / "pv_yields_61724.csv"


def test_a_worked_example() -> None:
    """100 kW, 430 kWh, 5.2 kWh/m2."""
    rows = csv.DictReader(line for line in EXAMPLE.read_text(encoding="utf-8").splitlines() if line[0] != "#")
    wanted = {row["quantity"]: float(row["expected"]) for row in rows}
    got = yields_of(0, 430_000_000, 5200.0, 100.0)
    assert got.final_h == pytest.approx(wanted["final yield"])
    assert got.reference_h == pytest.approx(wanted["reference yield"])
    assert got.ratio == pytest.approx(wanted["performance ratio"], abs=5e-5)


def test_the_integral_is_that_of_scipy_and_parts_add_up() -> None:
    """Values at odd moments; a day is the sum of its hours. Below zero is zero."""
    random = np.random.default_rng(3)
    at_ms = np.cumsum(random.integers(20_000, 400_000, 600)).astype(np.int64)
    watt = random.uniform(-5, 1000, 600)
    first, last = int(at_ms[0]), int(at_ms[-1])
    assert irradiation(at_ms, watt, first, last) == pytest.approx(trapezoid(np.maximum(watt, 0), at_ms) / HOUR)
    edges = [first + n * (last - first) // 7 for n in range(8)]
    parts = [irradiation(at_ms, watt, low, high) for low, high in pairwise(edges)]
    assert None not in parts
    whole = irradiation(at_ms, watt, edges[0], edges[-1])
    assert sum(part for part in parts if part is not None) == pytest.approx(whole)


@pytest.mark.parametrize("hole", [0, 50, 99])
def test_a_gap_of_more_than_ten_minutes_leaves_nothing(hole: int) -> None:
    """At the begin, inside and at the end; ten minutes themselves are no gap."""
    at_ms = np.arange(0, 101 * 5 * MINUTE, 5 * MINUTE, dtype=np.int64)
    watt = np.full(len(at_ms), 500.0)
    assert irradiation(at_ms, watt, 0, int(at_ms[-1])) == pytest.approx(500 * 100 / 12)
    ten = np.delete(at_ms, hole + (hole == 50))
    assert irradiation(ten, watt[1:], 0, int(at_ms[-1])) is not None
    more = np.delete(at_ms, [min(max(hole + n, 0), 100) for n in ((0, 1, 2) if hole < 99 else (-1, 0, 1))])
    assert irradiation(more, watt[: len(more)], 0, int(at_ms[-1])) is None
    assert LONGEST_GAP_MS == 10 * MINUTE


def test_nothing_known_gives_no_ratio() -> None:
    """No value, one value, a night, a missing energy: None, never 0 or infinite."""
    empty = np.array([], dtype=np.int64)
    assert irradiation(empty, np.array([]), 0, HOUR) is None
    assert irradiation(np.array([0], dtype=np.int64), np.array([5.0]), 0, HOUR) is None
    assert yields_of(0, None, 5200.0, 100.0).ratio is None
    assert yields_of(0, 430_000_000, None, 100.0).ratio is None
    assert yields_of(0, 0, 0.0, 100.0).ratio is None
    assert yields_of(0, 1_000, 99.0, 100.0).ratio is None


def test_a_month_is_of_the_days_that_are_known() -> None:
    """Sums over sums, so that a dark day counts little; a day that lacks one side lacks both."""
    days = [Yields(1, 4.0, 5.0), Yields(2, 0.1, 0.5), Yields(3, None, 6.0), Yields(4, 5.0, None)]
    whole, known = together(days)
    assert known == 2
    assert whole is not None
    assert (whole.start_ms, whole.final_h, whole.reference_h) == (1, 4.1, 5.5)
    assert whole.ratio == pytest.approx(4.1 / 5.5)
    assert together(days[2:]) == (None, 0)
