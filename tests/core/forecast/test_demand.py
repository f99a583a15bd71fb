"""To what mean the running interval will come: edges, and how well on a real house."""

import numpy as np
import pandas as pd
import pytest

from meterd.core.forecast.demand import demand_outlook, expected_draw
from meterd.core.forecast.model import fit, issue
from meterd.core.model.forecast import Course, Quantity, SiteForecast
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import PowerNow
from tests.core.forecast.walk import DATA, history

QUARTER = 900_000


def forecast(load: int | None, pv: int | None = None) -> SiteForecast:
    """The same for each interval, with a band of 30 W of the load and 40 W of PV to both sides."""
    courses = [(Quantity.LOAD, _course(load, 30))]
    courses += [] if pv is None else [(Quantity.PV, _course(pv, 40))]
    return SiteForecast(0, QUARTER, False, 60, tuple(courses))


def _course(watt: int | None, around: int) -> Course:
    if watt is None:
        return Course((None,) * 4, (None,) * 4, (None,) * 4)
    return Course((watt - around,) * 4, (watt,) * 4, (watt + around,) * 4)


def test_the_expected_draw_is_load_less_pv_with_what_runs_besides() -> None:
    """Errors of both are taken as independent: 30 and 40 make 50."""
    assert expected_draw(forecast(900, 200), QUARTER, 100.0) == (800.0, 50.0)
    assert expected_draw(forecast(900), 0, 0.0) == (900.0, 30.0)


@pytest.mark.parametrize(
    ("issued", "start_ms"), [(forecast(900), -QUARTER), (forecast(900), 2 * QUARTER), (forecast(None), 0), (None, 0)]
)
def test_a_forecast_that_says_nothing_of_the_interval_has_no_part(issued: SiteForecast | None, start_ms: int) -> None:
    """Issued later, too long ago, of missing values, or not at all."""
    assert expected_draw(issued, start_ms, 0.0) is None


def test_what_is_counted_is_never_taken_back() -> None:
    """An export that is expected lowers nothing: the interval has taken at least what was counted."""
    so_far = PowerNow(60_000.0, QUARTER // 2, Quality.GOOD)
    ahead = demand_outlook(so_far, -90_000.0, (0, QUARTER), (-80_000.0, 10_000.0))
    assert ahead is not None
    assert (ahead.low_w, ahead.middle_w, ahead.high_w) == (30_000.0, 30_000.0, 35_000.0)
    whole = demand_outlook(PowerNow(60_000.0, QUARTER, Quality.GOOD), 0.0, (0, QUARTER), (0.0, 9.0))
    assert whole is not None
    assert (whole.low_w, whole.high_w) == (60_000.0, 60_000.0), "at the end nothing is uncertain"
    assert demand_outlook(PowerNow(None, 0, Quality.INVALID), 5.0, (0, QUARTER), None) is None


def test_eight_of_ten_quarter_hours_of_a_real_house_end_within_the_band() -> None:
    """Six days of minutes (UCI 235), forecast as it would have been given out. As good as with the draw alone (144 and 146 W)."""
    minutes = pd.read_csv(DATA / "uci_house_1min.csv.gz", usecols=["ts_utc", "main_w"])
    whole = history("uci")
    by_minute = pd.Series(minutes.main_w.to_numpy(), index=pd.to_datetime(minutes.ts_utc))
    begin = pd.Timestamp(whole.start_ms, unit="ms", tz=by_minute.index.tz)
    watt = by_minute.reindex(pd.date_range(begin, periods=len(whole.load) * 15, freq="min")).to_numpy().reshape(-1, 15)
    errors, alone, inside = [], [], []
    for day in range(30, 36):
        model = fit(whole.until(day * 96), [1, 96])
        for row in range(day * 96, (day + 1) * 96, 2):
            issued, known = issue(model, whole.until(row)), watt[row]
            if issued is None or not np.isfinite(known).all():
                continue
            start = issued.issued_ms
            for minute in (1, 5, 8):
                so_far = PowerNow(float(known[:minute].mean()), start + minute * 60_000, Quality.GOOD)
                draw, truth = float(known[minute - 1]), known.mean()
                with_it = demand_outlook(so_far, draw, (start, QUARTER), expected_draw(issued, start, 0.0))
                without = demand_outlook(so_far, draw, (start, QUARTER), None)
                assert with_it is not None
                assert without is not None
                assert with_it.forecast
                errors.append(abs(with_it.middle_w - truth))
                alone.append(abs(without.middle_w - truth))
                inside.append(with_it.low_w - 0.5 <= truth <= with_it.high_w + 0.5)
    assert len(errors) > 600
    assert np.mean(errors) < 1.03 * np.mean(alone)
    assert np.mean(inside) > 0.8


def test_a_scale_widens_the_band_and_moves_nothing_else() -> None:
    """What was counted stays the least."""
    so_far = PowerNow(60_000.0, 450_000, Quality.GOOD)
    item, two, ten = (
        demand_outlook(so_far, 100_000.0, (0, 900_000), (50_000.0, 20_000.0), scale=scale) for scale in (1.0, 2.0, 10.0)
    )
    assert item is not None
    assert two is not None
    assert ten is not None
    assert (item.low_w, item.middle_w, item.high_w) == (65_000.0, 75_000.0, 85_000.0)
    assert (two.low_w, two.middle_w, two.high_w) == (55_000.0, 75_000.0, 95_000.0)
    assert ten.low_w == 30_000.0
