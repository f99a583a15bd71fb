"""Nights beyond the limit of the plan: since when, how long, when it is over; what is missing and what was accepted."""

import numpy as np
import pytest

from meterd.core.model.periods import DAY_MS
from meterd.core.unusual.days import Loads, UseDays
from meterd.core.unusual.night_limits import with_night_limits
from meterd.core.unusual.watch import Accepted, Kind, Unusual, Watched

LOADS = Loads(("oven", "lamp"), np.zeros((2, 2), dtype=np.bool_), np.zeros(2, dtype=np.bool_))
LEARNED = Unusual("oven", Kind.WEEK, 0, DAY_MS, taken=9.0, usual=5.0, weeks=6, others=1.0, workdays=5.0)
NAN = float("nan")


def seen(nights: list[float], *accepted_days: int) -> Watched:
    """What is told of an oven with a limit of 100 W, of which the watch has told a week."""
    night_w = np.array([[power, 500.0] for power in nights])
    hours = np.zeros((len(nights), 24, 2))
    days = UseDays(
        LOADS, np.arange(len(nights) + 1) * DAY_MS, np.zeros(len(nights), dtype=np.int64), night_w, night_w, hours
    )
    watched = Watched((LEARNED,), (), (), ("oven", "lamp"), len(nights), 2)
    accepted = {"oven": [Accepted(day * DAY_MS, 9 * DAY_MS) for day in accepted_days]}
    return with_night_limits(watched, days, {"oven": 100.0}, accepted)


def test_it_is_told_from_its_first_night_with_the_mean_of_all() -> None:
    """In the place of what was learned of the same load; the night that is not known changes nothing."""
    (item,) = seen([90, 150, NAN, 170]).unusual
    assert (item.kind, item.first_ms, item.until_ms) == (Kind.LIMIT, DAY_MS, 4 * DAY_MS)
    assert (item.taken, item.usual) == (pytest.approx(160), 100.0)


def test_the_first_night_within_the_limit_ends_it() -> None:
    """Then what was learned is told again; exactly the limit is no more than it."""
    watched = seen([150, 150, 100])
    assert watched.unusual == (LEARNED,)
    (ended,) = watched.ended
    assert (ended.load, ended.first_ms, ended.at_ms, ended.how) == ("oven", 0, 2 * DAY_MS, "as before")
    assert seen([90, 90]).ended == ()


def test_what_was_accepted_is_told_no_more_until_it_begins_anew() -> None:
    """The same nights stay quiet, a second time does not."""
    assert seen([90, 150, 150], 1).unusual == (LEARNED,)
    assert seen([90, 150, 90, 150], 1).unusual[0].first_ms == 3 * DAY_MS
