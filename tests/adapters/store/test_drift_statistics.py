"""Days of the drift watch are stored by part and day, and a figure that becomes different is seen."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.drift_statistics import DriftDay
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import FigureRow
from tests.adapters.store.journal import BEGIN, figures

DAY = DriftDay("part", BEGIN, 5, b"\x00figures")


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return SqliteStore.writer(tmp_path / "s.sqlite")


def test_a_day_that_is_made_anew_takes_the_place_of_the_old_one(store: SqliteStore) -> None:
    other = replace(DAY, part="another")
    newer = replace(DAY, made_of=9, data=b"newer")
    with store.transaction():
        store.drift_days.keep([DAY, other, replace(DAY, start_ms=BEGIN + 1)])
        store.drift_days.keep([newer])
    assert store.drift_days.marks("part") == {BEGIN: 9, BEGIN + 1: 5}
    assert store.drift_days.data("part", BEGIN) == b"newer"
    assert store.drift_days.marks("another") == {BEGIN: 5}
    assert store.drift_days.marks("nobody") == {}


def test_a_figure_that_becomes_different_marks_its_day_and_no_other(store: SqliteStore) -> None:
    """Of the registers asked for; a figure that is written again as it was marks nothing."""
    figures(store, 0, 192)
    first = BEGIN - BEGIN % DAY_MS
    bounds = [first, first + DAY_MS, first + 2 * DAY_MS, first + 3 * DAY_MS]
    channel = ("q01", IMPORT)
    before = store.drift_days.made_of([channel], bounds)
    others = store.drift_days.made_of([("q01", EXPORT), ("q02", IMPORT)], bounds)
    standing = store.columns([channel], Period.INTERVAL, np.array([BEGIN], dtype=np.int64))
    for energy, same in ((int(standing.energy[0, 0]), [True, True, True]), (7, [False, True, True])):
        with store.transaction():
            late = FigureRow(channel, Period.INTERVAL, BEGIN, energy, 0)
            store.write_figures([late], now_ms=BEGIN + 99, reason="late reading")
        after = store.drift_days.made_of([channel], bounds)
        assert [a == b for a, b in zip(before, after, strict=True)] == same
    assert store.drift_days.made_of([("q01", EXPORT), ("q02", IMPORT)], bounds) == others
    assert store.drift_days.made_of([channel], bounds[:1]) == []


def test_a_day_of_a_store_without_digests_is_never_the_same(store: SqliteStore) -> None:
    """Digests of a store of an earlier version are made piece by piece; before, nothing tells that a day has changed."""
    figures(store, 0, 4)
    day = [BEGIN - BEGIN % DAY_MS, BEGIN - BEGIN % DAY_MS + DAY_MS]
    assert store.drift_days.made_of([("q01", IMPORT)], day) != [None]
    store.connection.execute("UPDATE digest_reach SET complete = 0 WHERE kind = 'figure'")
    assert store.drift_days.made_of([("q01", IMPORT)], day) == [None]
    store.connection.execute("PRAGMA user_version = 6")
    assert store.drift_days.made_of([("q01", IMPORT)], day) == [None]
