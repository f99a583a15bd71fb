"""Losses are found by the third clear day and end; snow, haze and clocks are no loss. Given arrays as check."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from meterd.core.pv.roof_fit import RoofDays
from meterd.core.pv.roof_watch import Look, Loss, open_losses, watch_roof
from tests.core.pv.roofs import PLANES, roof
from tests.simulator.roof_study import only, planted

WHOLE = roof(150)


def changed(first: int, until: int, factor: float | np.ndarray, arrays: tuple[int, ...] = (0,)) -> RoofDays:
    """Some arrays give another part of what they did in some days."""
    watt = WHOLE.watt.copy()
    for array in arrays:
        watt[first:until, :, array] *= factor
    return replace(WHOLE, watt=watt)


def found(days: RoofDays) -> list[Loss]:
    return list(watch_roof(days).losses)


def test_nothing_is_found_where_nothing_is_lost() -> None:
    """A hundred and fifty days, three arrays, each by its neighbours."""
    state = watch_roof(WHOLE)
    assert state.losses == ()
    assert state.looks == (Look.NEIGHBOURS,) * 3


@pytest.mark.parametrize("part", [0.1, 0.2])
def test_a_lost_string_is_found_by_the_third_clear_day_and_told_in_its_size(part: float) -> None:
    """From the hundredth day on; it lasts."""
    (loss,) = found(changed(100, 150, 1 - part))
    assert (loss.array, loss.look, loss.ended) == ("roof-1", Look.NEIGHBOURS, None)
    assert loss.loss == pytest.approx(part, abs=0.03)
    assert 100 <= loss.day <= 105
    clear = np.isfinite(watch_roof(WHOLE).given.beside[100 : loss.found + 1, 0]).sum()
    assert clear == 3


def test_a_loss_that_is_mended_ends_and_one_that_grows_is_told_anew() -> None:
    """Twenty days of a fifth; a fifth and then a half."""
    (over,) = found(changed(90, 115, 0.8))
    assert over.ended is not None
    assert 115 <= over.ended <= 125
    assert open_losses([over]) == ()
    grown = changed(90, 150, np.where(np.arange(60) < 25, 0.8, 0.5)[:, None])
    first, second = found(grown)
    assert first.ended == second.found
    assert second.loss == pytest.approx(0.5, abs=0.03)
    assert open_losses([first, second]) == (second,)


def test_evenly_covered_days_hide_no_loss() -> None:
    """Of most smooth days before it the sky left a quarter to every array: against those, nothing was lost."""
    covered = (np.random.default_rng(2).random(150) < 0.75) & (np.arange(150) < 100)
    lost = changed(100, 150, 0.8)
    (loss,) = found(replace(lost, watt=lost.watt * np.where(covered, 0.25, 1.0)[:, None, None]))
    assert (loss.array, loss.look, loss.ended) == ("roof-1", Look.NEIGHBOURS, None)
    assert loss.loss == pytest.approx(0.2, abs=0.03)


def test_snow_on_all_arrays_and_a_common_limit_are_no_loss() -> None:
    """All at once: ten days of a tenth, and twenty of six tenths as a grid operator may order."""
    assert found(changed(100, 110, 0.1, (0, 1, 2))) == []
    watt = WHOLE.watt.copy()
    most = 0.6 * watt.max(axis=(0, 1))
    watt[100:120] = np.minimum(watt[100:120], most)
    assert found(replace(WHOLE, watt=watt)) == []


def test_a_clock_that_goes_wrong_is_told_instead_of_a_loss() -> None:
    """An hour late from the hundred and twentieth day on, with a fifth missing at the same time."""
    watt = WHOLE.watt.copy()
    watt[120:, :, 0] = np.roll(watt[120:, :, 0], 4, axis=1) * 0.8
    lasting = open_losses(found(replace(WHOLE, watt=watt)))
    assert [(loss.array, loss.look, loss.loss) for loss in lasting] == [("roof-1", Look.CLOCK, 60.0)]


def test_an_array_alone_is_judged_with_a_larger_limit() -> None:
    """A fifth is found with haze in it; a tenth is not told from haze."""
    for part, count in ((0.2, 1), (0.05, 0)):
        lost = changed(130, 150, 1 - part)
        state = watch_roof(RoofDays(lost.names[:1], lost.at_ms, lost.watt[:, :, :1]))
        assert state.looks == (Look.ALONE,)
        assert len(open_losses(state.losses)) == count


def test_a_loss_of_an_array_alone_stays_found_in_its_first_year() -> None:
    """A fifth, from the hundred and twentieth day on: a fit that has seen it for a month would take it for a season."""
    watt = roof(200).watt[:, :, :1].copy()
    watt[120:] *= 0.8
    whole = RoofDays(WHOLE.names[:1], roof(200).at_ms, watt)
    for until in (135, 150, 175, 200):
        (loss,) = open_losses(watch_roof(whole.until(until)).losses)
        assert 115 <= loss.day <= 128
        assert loss.loss == pytest.approx(0.2, abs=0.05)


def test_weeks_without_a_clear_day_hide_no_loss_but_what_can_be_seen_is_less() -> None:
    """Clouds on sixty days; then a string is missing. After half a year of clouds nothing can be found."""
    sky, count = np.random.default_rng(3).uniform(0.2, 1.0, (310, 96))[:, :, None], np.arange(310)[:, None, None]
    days = roof(310)
    watt = days.watt * np.where((count >= 120) & (count < 180), sky, 1.0)
    least = [watch_roof(replace(days, watt=watt).until(until)).least[0] for until in (120, 180)]
    assert least[0] is not None
    assert least[1] is not None
    assert least[0] + 0.02 < least[1] < 0.15
    watt[180:, :, 0] *= 0.8
    (loss,) = open_losses(watch_roof(replace(days, watt=watt).until(200)).losses)
    assert (loss.array, loss.look) == ("roof-1", Look.NEIGHBOURS)
    assert loss.loss == pytest.approx(0.2, abs=0.03)
    endless = days.watt * np.where(count >= 120, sky, 1.0)
    assert watch_roof(replace(days, watt=endless)).least == (None,) * 3


def test_what_an_array_alone_can_show_depends_on_how_its_clear_days_differ() -> None:
    """Days that differ by a tenth: a fifth is within what they do, a half is not."""
    days = roof(200)
    sky = np.random.default_rng(4).normal(1.0, 0.12, 200)
    watt = days.watt[:, :, :1] * sky[:, None, None]
    calm = watch_roof(RoofDays(days.names[:1], days.at_ms, days.watt[:, :, :1])).least[0]
    state = watch_roof(RoofDays(days.names[:1], days.at_ms, watt))
    assert state.losses == ()
    assert calm is not None
    assert state.least[0] is not None
    assert calm == pytest.approx(0.12, abs=0.02)
    assert 0.16 < state.least[0] < 0.35
    watt = watt.copy()
    watt[150:] *= 0.5
    (loss,) = open_losses(watch_roof(RoofDays(days.names[:1], days.at_ms, watt)).losses)
    assert loss.loss == pytest.approx(0.5, abs=0.07)


def test_without_clear_days_a_half_is_seen_on_bright_days() -> None:
    """The sky changes in each slot of all days: no orientation is found, neighbours are compared. A fifth is not seen."""
    cloudy = roof(90, clear=0.0)
    for part, names in ((0.5, ["roof-1"]), (0.2, [])):
        watt = cloudy.watt.copy()
        watt[60:, :, 0] *= 1 - part
        state = watch_roof(replace(cloudy, watt=watt))
        assert state.looks == (Look.BRIGHT,) * 3
        assert [loss.array for loss in state.losses] == names
        assert all(loss.found - 60 <= 12 for loss in state.losses)


def test_dirt_that_grows_is_seen_against_the_year_before() -> None:
    """Half a percent a week is never three clear days below the twelve before; after a year it is 20 %."""
    days = roof(440, PLANES[:2], seed=5)
    watt = days.watt.copy()
    watt[:, :, 0] *= np.linspace(1.0, 0.8, 440)[:, None]
    losses = open_losses(watch_roof(replace(days, watt=watt)).losses)
    assert [(loss.array, loss.look) for loss in losses] == [("roof-1", Look.SEASON)]
    assert 0.1 < losses[0].loss < 0.2


@cache
def given_losses() -> tuple[Loss, ...]:
    """Three simulated arrays of three years, made without this program (see tests/data)."""
    return watch_roof(planted()).losses


def test_the_strings_planted_in_the_given_arrays_are_found_and_nothing_else() -> None:
    """-33 % on 2022-05-10, -10 % on 2023-06-01, -20 % on 2023-03-20; snow and a clipped inverter are no fault."""
    quick = {loss.array: loss for loss in given_losses() if loss.look is Look.NEIGHBOURS}
    assert {loss.look for loss in given_losses()} == {Look.NEIGHBOURS}
    assert len(quick) == len(given_losses()) == 3
    assert [round(quick[name].loss, 2) for name in ("pv1", "pv2", "pv3")] == pytest.approx([0.33, 0.1, 0.2], abs=0.035)
    assert [quick[name].found - begin for name, begin in (("pv1", 494), ("pv2", 881), ("pv3", 808))] <= [10, 30, 16]


def test_the_dirt_planted_in_a_given_array_is_seen_while_another_one_lacks_a_third() -> None:
    """Up to 15 % in four months of 2022, washed off on 30 July: told on 18 July, gone in August."""
    (dirt,) = [loss for loss in watch_roof(planted().until(564)).losses if loss.look is Look.SEASON]
    assert (dirt.array, dirt.loss) == ("pv2", pytest.approx(0.12, abs=0.03))


def test_one_given_array_alone_shows_its_string_too() -> None:
    """-33 % with haze and season in it."""
    first = [loss for loss in watch_roof(only(planted(), 0).until(560)).losses if loss.look is Look.ALONE]
    assert len(first) == 1
    assert first[0].found - 494 <= 10
