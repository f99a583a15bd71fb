"""The band of a running interval is as wide as its own outlooks of the last week made necessary."""

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from meterd.core.forecast.demand_band import (
    FEWEST,
    LOOKS,
    MOST,
    NARROWEST,
    WIDEST,
    DemandBand,
    follow,
    from_text,
    to_text,
)
from meterd.core.model.demand import DemandOutlook

QUARTER_MS = 900_000


def outlook(at_ms: int, middle_w: float, width_w: float, *, forecast: bool = True) -> DemandOutlook:
    return DemandOutlook(at_ms, middle_w - width_w, middle_w, middle_w + width_w, forecast)


def interval(band: DemandBand, number: int, errors: list[float], width_w: float = 100.0) -> DemandBand:
    """A quarter hour that comes to 1 kW: outlooks that are wrong by so much, then the end."""
    start = number * QUARTER_MS
    for left, error in zip(LOOKS, errors, strict=True):
        at_ms = start + round((1 - left) * QUARTER_MS) + 1000
        band = follow(band, outlook(at_ms, 1000.0 + error, width_w * band.scale), (start, QUARTER_MS))
    return follow(band, outlook(start + QUARTER_MS - 1000, 1000.0, 0.0), (start, QUARTER_MS))


def test_four_of_five_values_fall_into_a_band_that_was_too_narrow_or_too_wide() -> None:
    """Errors of a normal distribution, twice and half as wide as the forecast says: the scale is the quantile of 80 %."""
    random = np.random.default_rng(4)
    for spread in (200.0, 50.0):
        band = DemandBand()
        for number in range(600):
            band = interval(band, number, random.normal(0, spread, 3).tolist())
        assert len(band.errors) <= MOST
        assert math.isclose(band.scale, spread / 100 * NormalDist().inv_cdf(0.9), rel_tol=0.08)


def test_nothing_is_scaled_before_a_day_is_known() -> None:
    band = DemandBand()
    for number in range(FEWEST // 3):
        band = interval(band, number, [300.0, 300.0, 300.0])
    assert band.scale == 1.0
    assert interval(interval(band, FEWEST, [0.0] * 3), FEWEST + 1, [0.0] * 3).scale == WIDEST


def test_the_scale_has_its_limits() -> None:
    """Always right is no reason for a band of nothing."""
    for error, scale in ((0.0, NARROWEST), (1e6, WIDEST)):
        band = DemandBand()
        for number in range(FEWEST):
            band = interval(band, number, [error] * 3)
        assert band.scale == scale


def test_an_interval_that_was_not_seen_to_its_end_teaches_nothing() -> None:
    """A daemon that stood, an outlook without forecast, nothing known, a width of nothing."""
    seen = interval(DemandBand(), 1, [50.0, 50.0, 50.0])
    cut = follow(seen, outlook(2 * QUARTER_MS + 100_000, 1e9, 100.0), (2 * QUARTER_MS, QUARTER_MS))
    after = interval(cut, 3, [10.0] * 3)
    assert after.errors == (0.5, 0.5, 0.5)
    assert interval(after, 4, [0.0] * 3).errors == (*after.errors, 0.1, 0.1, 0.1)
    alone = follow(DemandBand(), outlook(100_000, 5.0, 5.0, forecast=False), (0, QUARTER_MS))
    assert alone == follow(DemandBand(), None, (0, QUARTER_MS)) == DemandBand()
    flat = follow(DemandBand(), outlook(100_000, 5.0, 0.0), (0, QUARTER_MS))
    assert flat == replace(DemandBand(), newest=(5.0, 800_000 / 900_000))


def test_a_stored_band_goes_on_where_it_stopped() -> None:
    """With the scale it had, to a thousandth; what comes after counts as without the stop."""
    random = np.random.default_rng(5)
    band = DemandBand()
    for number in range(FEWEST // len(LOOKS) + 40):
        band = interval(band, number, random.normal(0, 170, 3).tolist())
    again = from_text(to_text(band))
    assert again.scale == pytest.approx(band.scale, abs=0.001)
    assert len(again.errors) == len(band.errors)
    more = [random.normal(0, 170, 3).tolist() for _ in range(50)]
    for number, errors in enumerate(more, FEWEST):
        band, again = interval(band, number, errors), interval(again, number, errors)
    assert again.scale == pytest.approx(band.scale, rel=0.02)  # the interval that ran is not in it


@pytest.mark.parametrize("text", [None, "", "{}", "[1, null]", '["1"]', "[-1]", "[NaN]", "[1e999]", "[1", "null"])
def test_what_cannot_be_read_is_a_new_band(text: str | None) -> None:
    """A store of an older program, or of a later one."""
    assert from_text(text) == DemandBand()


def test_a_stored_band_is_no_longer_than_a_week() -> None:
    """The newest count."""
    stored = from_text(to_text(DemandBand(errors=tuple(float(i) for i in range(MOST + 5)))))
    assert (len(stored.errors), stored.errors[-1]) == (MOST, MOST + 4.0)
