"""A forecast from outside: brought to intervals without guessing, of weight only by what it was worth, never seen too early."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from meterd.core.forecast.history import History, Outside
from meterd.core.forecast.model import fit, issue
from meterd.core.forecast.outside import OLDEST_MS, known_at, on_grid, shape_of, worth_of
from meterd.core.model.forecast import OutsideQuantity, Quantity
from meterd.core.model.periods import HOUR_MS
from tests.core.forecast.outside_walk import LEADS, Spoil, Walked, likely, walk, with_outside
from tests.core.forecast.walk import history

FIRST, DAYS = 110, 28
CHANGE = FIRST + 12  # the day on which those begin to lie that were good


@cache
def site_a() -> History:
    return history("siteA").until(96 * (FIRST + DAYS + 5))


@pytest.mark.parametrize(
    ("times", "values", "expected"),
    [
        ([0, 60, 120], [1.0, 3.0, 5.0], [1.0, 1.0, 3.0, 3.0, 5.0, 5.0, None, None]),
        ([15, 75, 135], [1.0, 3.0, 5.0], [None, 1.0, 2.0, 3.0, 4.0, 5.0, None, None]),
        ([0, 10, 20, 30], [1.0, 2.0, 6.0, 4.0], [3.0, None, None, None, None, None, None, None]),
        ([0, 60, 120, 180], [1.0, None, 5.0, 7.0], [1.0, 1.0, None, None, 5.0, 5.0, 7.0, 7.0]),
        ([0, 30, 120, 150], [1.0, 2.0, 5.0, 7.0], [1.0, 2.0, None, None, 5.0, 7.0, None, None]),  # a hole in the list
        ([0, 30, 60, 150], [1.0, 2.0, 5.0, 7.0], [1.0, 2.0, 5.0, None, None, 7.0, 7.0, 7.0]),
        ([0], [1.0], [None] * 8),
        ([-500, -400], [1.0, 2.0], [None] * 8),
    ],
)
def test_values_become_means_of_intervals_and_a_hole_stays_one(
    times: list[int], values: list[float | None], expected: list[float | None]
) -> None:
    """Intervals of 30 from 0 on. Beyond the last value, and where none was said, nothing is."""
    got = on_grid(times, values, 0, 30, 8)
    assert [None if np.isnan(item) else round(float(item), 9) for item in got] == expected


def test_an_older_one_counts_for_half_a_day() -> None:
    """As known at the end of each of 60 quarter hours: shifted by its age, then nothing."""
    step = 900_000
    known = known_at([(0, np.arange(300.0))], 59 * step, step, 60, 4)
    assert known[0].tolist() == [0.0, 1.0, 2.0, 3.0]
    assert known[10].tolist() == [10.0, 11.0, 12.0, 13.0]
    last = OLDEST_MS // step
    assert np.isfinite(known[last]).all()
    assert np.isnan(known[last + 1 :]).all()


def test_a_cloudy_sky_lets_a_quarter_through() -> None:
    """Kasten and Czeplak 1980: of a sky that is covered as a whole 25 % of the irradiance of a clear one come through."""
    sky = shape_of(OutsideQuantity.CLOUD_COVER, np.array([0.0, 0.5, 1.0]), np.full(3, 1000.0))
    assert sky.tolist() == pytest.approx([1000.0, 1000 - 750 * 0.5**3.4, 250.0])


def test_below_seven_days_of_errors_it_has_no_weight() -> None:
    """However good it is."""
    random = np.random.default_rng(1)
    actual = random.uniform(100, 200, 96 * 14)
    for days, weight in ((6, 0.0), (7, 1.0)):
        output = np.where(np.arange(96 * 14) >= 96 * (14 - days), actual, np.nan)
        worth = worth_of(output, actual * 1.5, actual, np.full(96 * 14, 300.0), day=96, by_time=False)
        assert (worth.days, worth.weight) == (days, weight)


@pytest.mark.parametrize("by_time", [False, True])
def test_a_scale_is_learned(by_time: bool) -> None:
    """An irradiance of a roof that looks west: its ratio to the power is that of the time of day."""
    slots = np.arange(96 * 14)
    plane = 500.0 * np.clip(np.sin(2 * np.pi * (slots % 96) / 96 - np.pi / 2), 0, None) + 1
    clouds = np.random.default_rng(2).uniform(0.2, 1.0, len(slots))
    west = 2 + np.cos(2 * np.pi * slots / 96) if by_time else np.full(len(slots), 0.7)
    worth = worth_of(plane * clouds, plane * west * 0.6, plane * clouds * west, plane * 5, day=96, by_time=by_time)
    assert worth.ratio == pytest.approx(west[:96], rel=0.1)
    assert worth.weight >= 0.9


def after(result: Walked, first: int, last: int) -> tuple[list[float], list[float]]:
    """Errors of published and own forecasts by lead, over some days of the walk."""
    both = (result.published, result.own)
    published, own = ([float(np.nanmean(row[first:last])) for row in table] for table in both)
    return published, own


def test_a_good_forecast_from_outside_improves_ours() -> None:
    """siteA, walked forward through a month: a third less error from 3 h on, at 1 h no worse."""
    result = walk(with_outside(site_a(), likely(site_a())), FIRST, DAYS)
    published, own = after(result, 0, DAYS)
    assert published[0] < 1.01 * own[0]
    assert all(ours < 0.75 * without for ours, without in zip(published[1:], own[1:], strict=True))


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda day, expected: np.full_like(expected, 50_000.0), id="constant"),
        pytest.param(lambda day, expected: np.random.default_rng(day).permutation(expected), id="shuffled"),
        pytest.param(lambda day, expected: np.roll(expected, 4), id="hours-late"),
        pytest.param(lambda day, expected: expected * np.random.default_rng(day).uniform(0, 3), id="scale-by-chance"),
    ],
)
def test_a_useless_one_does_no_harm(spoil: Spoil) -> None:
    """Over a month never worse than without it by more than 2 %."""
    result = walk(with_outside(site_a(), likely(site_a()), spoil), FIRST, DAYS)
    published, own = after(result, 0, DAYS)
    assert all(ours < 1.02 * without for ours, without in zip(published, own, strict=True)), (published, own)


@pytest.mark.parametrize(
    "lie",
    [
        pytest.param(lambda expected: np.roll(expected, 6), id="shifted"),
        pytest.param(lambda expected: expected * 0.0, id="nothing"),
        pytest.param(lambda expected: expected / 1000, id="other-unit"),
        pytest.param(lambda expected: expected * 1e6, id="huge"),
    ],
)
def test_one_that_lies_after_it_was_good_is_let_go_within_days(lie: Spoil) -> None:
    """From a week later on it costs a quarter at most, and over the month a fifth, since it was trusted at first."""

    def spoil(day: int, expected: np.ndarray) -> np.ndarray:
        return expected if day < CHANGE else lie(expected)  # type: ignore[call-arg]

    result = walk(with_outside(site_a(), likely(site_a()), spoil), FIRST, DAYS)
    assert (result.weights[1:, CHANGE - FIRST - 1] > 0.5).all()
    for first, allowed in ((0, 1.2), (CHANGE - FIRST + 8, 1.25)):
        published, own = after(result, first, DAYS)
        assert all(ours < allowed * without for ours, without in zip(published, own, strict=True)), (published, own)


def test_one_that_dies_is_missed_by_nobody() -> None:
    """From the interval on in which it is too old the forecast is the own one, number by number."""
    whole = with_outside(site_a(), likely(site_a()))
    assert whole.outside is not None
    count = 96 * FIRST + 48
    silent = whole.outside.known.copy()
    silent[count - 1 :] = np.nan
    model = fit(whole.until(96 * FIRST), list(LEADS))
    dead = issue(model, replace(whole, outside=Outside(OutsideQuantity.POWER, silent)).until(count))
    alive = issue(model, whole.until(count))
    assert dead is not None
    assert alive is not None
    assert dead.of(Quantity.PV) == dead.of(Quantity.PV_OWN) == alive.of(Quantity.PV_OWN) != alive.of(Quantity.PV)
    assert dead.outside is not None
    assert dead.outside.known_ms is None


@pytest.mark.parametrize("day", [20, 112])
def test_nothing_after_the_moment_of_issue_changes_a_forecast(day: int) -> None:
    """Later powers, and all that is said from outside later, are another world: no number of the forecast moves."""
    whole = with_outside(site_a(), likely(site_a()))
    assert whole.outside is not None
    count = day * 96 + 50
    random = np.random.default_rng(17)
    pv, known = whole.pv.copy(), whole.outside.known.copy()
    pv[count:] = random.normal(3e5, 1e5, len(pv) - count)
    known[count:] = random.normal(3e5, 1e5, known[count:].shape)
    other = replace(whole, pv=pv, outside=replace(whole.outside, known=known))
    item, two = (issue(fit(each.until(day * 96), [1, 4, 96, 97, 192]), each.until(count)) for each in (whole, other))
    assert item is not None
    assert item == two


def test_a_site_of_hours_has_rows_of_hours() -> None:
    """The length of an interval is that of the site."""
    values = on_grid([0, 2 * HOUR_MS, 4 * HOUR_MS], [1.0, 2.0, 3.0], 0, HOUR_MS, 6)
    assert values.tolist() == [1.0, 1.0, 2.0, 2.0, 3.0, 3.0]
