"""Base load, peak, duration curve and hours by days against pandas and by hand."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from meterd.core.energy.load_profile import duration_curve, hours_by_days, mean_powers, profile
from meterd.core.model.periods import Period, starts, to_ms

VIENNA = ZoneInfo("Europe/Vienna")


def test_base_and_peak_are_those_of_pandas() -> None:
    """Of the steps that are known."""
    watt = np.random.default_rng(7).uniform(10, 900, 500)
    present = np.random.default_rng(8).uniform(0, 1, 500) > 0.1
    result = profile(watt, present)
    series = pd.Series(watt).where(present)
    assert result is not None
    assert result.base_w == series.quantile(0.05)
    assert (result.peak_w, result.peak_row) == (series.max(), series.idxmax())
    assert (result.known, round(result.mean_w, 9)) == (series.count(), round(series.mean(), 9))
    assert profile(watt, np.zeros(500, dtype=np.bool_)) is None
    few = [profile(watt[:n], np.ones(n, dtype=np.bool_)) for n in (19, 20)]
    assert [item is not None and item.base_w is not None for item in few] == [False, True]


def test_a_mean_power_is_energy_over_time() -> None:
    """Steps of any length."""
    assert mean_powers(np.array([1_000_000, 1_000_000]), [0, 3_600_000, 5_400_000]).tolist() == [1000.0, 2000.0]


def test_a_duration_curve_falls_and_ends_with_the_lowest() -> None:
    """Its mean is that of the powers, and what is missing has no part in it."""
    watt = np.array([5.0, 1.0, 9.0, 7.0, 100.0])
    present = np.array([True, True, True, True, False])
    assert duration_curve(watt, present, 100) == [(0.25, 9.0), (0.5, 7.0), (0.75, 5.0), (1.0, 1.0)]
    thin = duration_curve(np.arange(10_000.0), np.ones(10_000, dtype=np.bool_), 50)
    assert len(thin) == 50
    assert (thin[0][1], thin[-1]) == (9999.0, (1.0, 0.0))
    assert duration_curve(watt, np.zeros(5, dtype=np.bool_), 5) == []


def test_hours_by_days_follow_the_clock() -> None:
    """The doubled hour of autumn is a mean, the one that spring leaves out is neither known nor missing."""
    low, high = to_ms(datetime(2026, 10, 23, 22, tzinfo=UTC)), to_ms(datetime(2026, 10, 26, 23, tzinfo=UTC))
    begins = starts(Period.HOUR, low, high, VIENNA, 900_000)
    energy = np.full(len(begins), 2_000_000)
    energy[27] = 4_000_000  # the second 02:00 of 25 October is row 24 + 3
    present = np.ones(len(begins), dtype=np.bool_)
    present[5] = False
    table = hours_by_days(begins, energy, present, VIENNA)
    assert table.watt.shape == (24, 3)
    assert table.watt[2].tolist() == [2000.0, 3000.0, 2000.0]
    assert table.missing[5, 0]
    assert not table.present[5, 0]
    assert table.present.sum() == 71
    spring = starts(Period.HOUR, to_ms(datetime(2026, 3, 28, 23, tzinfo=UTC)), to_ms(datetime(2026, 3, 29, 22, tzinfo=UTC)), VIENNA, 900_000)  # fmt: skip # noqa: E501
    table = hours_by_days(spring, np.ones(23, dtype=np.int64), np.ones(23, dtype=np.bool_), VIENNA)
    assert not table.present[2, 0]
    assert not table.missing.any()
