"""What arrays gave of what they should have: clipping, a set point and clouds are no loss; a wrong clock is measured."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.pv.roof_days import given_of
from meterd.core.pv.roof_fit import Roof
from tests.core.pv.roofs import PLACE, PLANES, roof

DAYS = 60
WHOLE = roof(DAYS)
ROOF = Roof(PLACE, PLANES, np.array([9_000.0, 9_000.0, 6_000.0]))


def parts(watt: np.ndarray, array: int = 0) -> np.ndarray:
    """What an array gave of what it should have, on clear days."""
    own = given_of(replace(WHOLE, watt=watt), ROOF).own[:, array]
    return np.exp(own[np.isfinite(own)])


def test_clear_days_give_all_and_clouds_say_nothing() -> None:
    """Haze of 3 % is what is left."""
    given = given_of(WHOLE, ROOF)
    assert 15 < np.isfinite(given.own[:, 0]).sum() < 35
    assert parts(WHOLE.watt) == pytest.approx(1.0, abs=0.12)
    others = given.beside[np.isfinite(given.beside)]
    assert np.abs(others).max() < 0.01, "haze cancels"
    assert np.nanmax(np.abs(given.shift_min)) == 0.0


@pytest.mark.parametrize("limit", [0.5, 0.7])
def test_what_an_inverter_or_a_set_point_cuts_off_is_no_loss(limit: float) -> None:
    """Cut at a part of the highest, on all days or on the last twenty: the shoulders say that all is there."""
    cut = WHOLE.watt.copy()
    most = limit * cut[:, :, 0].max()
    cut[40:, :, 0] = np.minimum(cut[40:, :, 0], most)
    assert parts(cut) == pytest.approx(1.0, abs=0.12)


def test_a_lost_string_is_a_loss_of_its_size() -> None:
    """A fifth."""
    lost = WHOLE.watt.copy()
    lost[:, :, 0] *= 0.8
    assert np.median(parts(lost)) == pytest.approx(0.8, abs=0.01)


@pytest.mark.parametrize("slots", [4, -4, 2])
def test_a_clock_that_is_off_is_measured_and_no_loss_is_told(slots: int) -> None:
    """An hour late or early, half an hour late: those days say nothing of the array."""
    moved = WHOLE.watt.copy()
    moved[30:, :, 0] = np.roll(moved[30:, :, 0], slots, axis=1)
    given = given_of(replace(WHOLE, watt=moved), ROOF)
    late = given.shift_min[30:, 0]
    assert set(late[np.isfinite(late)]) == {15.0 * slots}
    assert not np.isfinite(given.own[30:, 0]).any()
    assert np.isfinite(given.own[:30, 0]).any()


def test_an_array_that_is_off_is_told_while_another_is_clear() -> None:
    """Nothing at all for twenty days: three percent stand for it. Without a fit only bright days are compared."""
    off = WHOLE.watt.copy()
    off[40:, :, 0] = 0.0
    own = given_of(replace(WHOLE, watt=off), ROOF).own[40:, 0]
    assert set(np.round(np.exp(own[np.isfinite(own)]), 6)) == {0.03}
    given = given_of(WHOLE, None)
    assert not np.isfinite(given.own).any()
    assert np.isfinite(given.bright[:, 0]).sum() > 20
