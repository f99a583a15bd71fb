"""Shade by hours: found where it has grown since the season of the year before, and in nothing else."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from meterd.core.pv.roof_fit import RoofDays
from meterd.core.pv.roof_shade import shade_of
from meterd.core.pv.roof_watch import Look, watch_roof
from tests.core.pv.roofs import roof
from tests.simulator.roof_study import only, planted

DAYS = 440
MORNING, NOON = slice(24, 36), slice(44, 52)


@cache
def whole() -> RoofDays:
    """More than a year of three arrays, with nothing in them."""
    return roof(DAYS, seed=3)


def changed(slots: slice, part: float | np.ndarray, array: int = 0) -> RoofDays:
    """In some slots an array gives a part, which may change by day."""
    watt = whole().watt.copy()
    watt[:, slots, array] *= np.broadcast_to(part, (DAYS,))[:, None]
    return replace(whole(), watt=watt)


def growing(least: float) -> np.ndarray:
    """From all at the beginning down to a part at the end."""
    return np.linspace(1.0, least, DAYS)


def test_a_year_without_shade_shows_none() -> None:
    """Of three arrays, and of the given ones on every tenth day of two years, with what is planted in them."""
    assert [shade_of(whole(), array) for array in range(3)] == [None] * 3
    given = planted()
    reported = [shade_of(given.until(day), array) for day in range(430, len(given.at_ms) + 1, 10) for array in range(3)]
    assert reported == [None] * len(reported)


@pytest.mark.parametrize("slots", [MORNING, NOON])
def test_shade_that_grows_is_told_with_its_hours_and_what_is_missing(slots: slice) -> None:
    """Half is missing at the end, a tenth less a year before."""
    shade = shade_of(changed(slots, growing(0.5)), 0)
    assert shade is not None
    assert (shade.first, shade.until) == (pytest.approx(slots.start, abs=3), pytest.approx(slots.stop, abs=1))
    assert shade.loss == pytest.approx(1 - 0.52 / 0.93, abs=0.06)
    assert shade.days >= 6


def test_what_was_there_the_year_before_is_no_news_and_what_goes_is_none() -> None:
    """A tree that stands as it stood; one that is felled; one beside another array, which makes this one look better."""
    assert shade_of(changed(MORNING, 0.5), 0) is None
    assert shade_of(changed(MORNING, growing(0.5)[::-1]), 0) is None
    others = [shade_of(changed(MORNING, growing(0.5), array=1), array) for array in (0, 2)]
    assert others == [None, None]


def test_a_neighbour_that_gives_more_takes_nothing_away() -> None:
    """The trees beside both other arrays are felled: the ratio falls, the array itself gives what it gave."""
    watt = whole().watt.copy()
    watt[:, MORNING, 1:] *= growing(0.4)[::-1][:, None, None]
    assert shade_of(replace(whole(), watt=watt), 0) is None


def test_less_at_all_hours_is_no_shade() -> None:
    """Dirt or a lost string is for the other looks."""
    assert shade_of(changed(slice(0, 96), growing(0.6)), 0) is None


def test_one_array_or_less_than_a_year_cannot_tell() -> None:
    shaded = changed(MORNING, growing(0.5))
    assert shade_of(only(shaded, 0), 0) is None
    assert shade_of(shaded.until(380), 0) is None
    assert shade_of(replace(shaded, watt=np.full_like(shaded.watt, np.nan)), 0) is None


def test_the_watch_tells_it_until_it_is_gone() -> None:
    """As one lasting loss of the array, by hours."""
    (loss,) = watch_roof(changed(MORNING, growing(0.5))).losses
    assert (loss.array, loss.look, loss.ended) == ("roof-1", Look.SHADE, None)
    assert loss.slots is not None
