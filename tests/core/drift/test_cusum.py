"""Cumulative sum charts against published series and run lengths; thresholds by replay."""

import csv
from pathlib import Path

import numpy as np
import pytest

from meterd.core.drift.cusum import advance, calibrate, fresh, independent_threshold, run_length, threshold_of

VECTORS = Path(__file__).parents[2] / "vectors"


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize(
    ("h", "published"),
    [(4.0, (168, 74.2, 26.6, 8.38, 3.34)), (5.0, (465, 139, 38.0, 10.4, 4.01))],
)
def test_run_lengths_of_lucas_and_crosier(h: float, published: tuple[float, ...]) -> None:
    """Lucas and Crosier 1982, k = 0.5, two-sided, shifts 0, 0.25, 0.5, 1, 2; to the printed digits."""
    for shift, expected in zip((0.0, 0.25, 0.5, 1.0, 2.0), published, strict=True):
        assert run_length(h, shift) == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize("row", rows("cusum_design_table"), ids=lambda r: f"k{r['k']}-{r['ARL0_one_sided']}")
def test_design_table(row: dict[str, str]) -> None:
    """cusum_design_table.csv: one-sided run lengths for k 0.25 to 1 with and without a shift; h is printed to 3 digits."""
    k, h = float(row["k"]), float(row["h"])
    assert run_length(h, k=k, two_sided=False) == pytest.approx(float(row["ARL0_one_sided"]), rel=5e-3)
    for shift in ("0.5", "1", "2", "4"):
        expected = float(row[f"ARL1_shift_{shift}sigma"])
        # printed to 0.01: half of it, and a thousandth for h being printed to three digits
        assert run_length(h, float(shift), k=k, two_sided=False) == pytest.approx(expected, rel=1e-3, abs=0.006)


def test_the_recursion_itself_runs_as_long_as_the_integral_equation_says() -> None:
    """Second route: 4,000 simulated charts with h = 4 and a shift of one sigma, mean 8.38."""
    generator, chart = np.random.default_rng(7), fresh(4000)
    length = np.zeros(4000)
    for day in range(1, 200):
        chart = advance(chart, generator.standard_normal(4000) + 1.0)
        crossed = (np.maximum(chart.high, chart.low) > 4.0) & (length == 0)
        length[crossed] = day
    assert length.mean() == pytest.approx(8.38, rel=0.03)


def series(name: str, high: str, low: str, *, mean: float, scale: float, k: float) -> None:
    chart = fresh(1)
    for row in rows(name):
        if row.get("set", "in_control_then_shift") != "in_control_then_shift":
            continue
        chart = advance(chart, np.array([(float(row["x"]) - mean) / scale]), k)
        assert chart.high[0] * scale == pytest.approx(float(row[high]), abs=1e-9)
        if row[low]:
            assert chart.low[0] * scale == pytest.approx(float(row[low]), abs=1e-9)


def test_series_of_lucas_and_crosier() -> None:
    """Lucas and Crosier 1982, the in-control series that shifts, k = 0.5."""
    series("spc_lucas_crosier", "S_hi(k=0.5,start 0)", "S_lo", mean=0, scale=1, k=0.5)


def test_series_of_montgomery() -> None:
    """Montgomery, 30 values, target 10, k = 0.5; the days since zero are his N+ and N-, the signal comes at the 29th."""
    chart, signalled = fresh(1), None
    for row in rows("spc_montgomery_30"):
        chart = advance(chart, np.array([float(row["x"]) - 10.0]))
        assert chart.high[0] == pytest.approx(float(row["C_plus(k=0.5)"]), abs=1e-9)
        assert chart.low[0] == pytest.approx(float(row["C_minus"]), abs=1e-9)
        assert (chart.high_days[0], chart.low_days[0]) == (int(row["N_plus"]), int(row["N_minus"]))
        if signalled is None and max(chart.high[0], chart.low[0]) > 5:
            signalled = int(row["i"])
    assert signalled == 29


def test_series_of_montgomery_and_runger() -> None:
    """Montgomery and Runger table 16-7, target 99, sigma 2, K = 1."""
    series("spc_montgomery_runger_20", "S_hi(k=1.0)", "S_lo(k=1.0)", mean=99, scale=2, k=0.5)


def test_series_of_ross_by_its_moving_average() -> None:
    """Ross, 16 subgroup means, EWMA with alpha 0.25 from 60. The watch itself uses no EWMA: the first signal of its chart is
    asked to come no later than that of the published one (the 14th) on the same values."""
    weighted, chart, seen, published = 60.0, fresh(1), None, None
    for row in rows("spc_ross_ewma"):
        mean = float(row["subgroup_mean(n=4)"])
        weighted = 0.25 * mean + 0.75 * weighted
        assert weighted == pytest.approx(float(row["W_published"]), abs=0.03)  # he rounds on the way
        chart = advance(chart, np.array([(mean - 62.0) / 12.0]))
        published = published or (int(row["t"]) if row["out_of_control_recomputed"] == "1" else None)
        seen = seen or (int(row["t"]) if chart.high[0] > 4.0 else None)
    assert published is not None
    assert seen is not None
    assert seen <= published


def test_threshold_without_history_is_that_of_independent_days() -> None:
    assert run_length(threshold_of(1000.0)) == pytest.approx(1000.0, rel=0.05)
    assert independent_threshold(10).h > independent_threshold(1).h


def test_calibration_holds_on_the_process_it_was_made_from_and_grows_with_correlation() -> None:
    generator = np.random.default_rng(3)
    white = generator.standard_normal((200, 3))
    slow = white.copy()
    for t in range(1, 200):
        slow[t] = 0.5 * slow[t - 1] + np.sqrt(0.75) * white[t]
    allowances = np.full((200, 3), 0.5)
    thresholds = [calibrate(v, allowances, np.random.default_rng(1)) for v in (white, slow)]
    assert thresholds[1].h > thresholds[0].h + 2
    assert all(0 < f.false_alarms_per_year <= 0.1 for f in thresholds)
    # three independent two-sided charts, one false alarm in ten years
    assert thresholds[0].h >= threshold_of(3 * 3652.5) - 1.5


def test_the_same_history_gives_the_same_threshold() -> None:
    values = np.random.default_rng(5).standard_normal((60, 4))
    threshold, two = (calibrate(values, np.full((60, 4), 0.5), np.random.default_rng(60)) for _ in range(2))
    assert threshold == two
