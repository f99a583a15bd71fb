"""Days of the drift watch are stored by part and day, and a figure that is written later is seen."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.drift_statistics import DriftDay
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import FigureRow
from tests.adapters.store.journal import BEGIN, QUARTER, figures

DAY = DriftDay("part", BEGIN, 5, b"\x00figures")


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    return SqliteStore.writer(tmp_path / "s.sqlite")


def test_a_day_that_is_made_anew_takes_the_place_of_the_old_one(store: SqliteStore) -> None:
    other = replace(DAY, part="another")
    newer = replace(DAY, made_of_ms=9, data=b"newer")
    with store.transaction():
        store.drift_days.keep([DAY, other, replace(DAY, start_ms=BEGIN + 1)])
        store.drift_days.keep([newer])
    assert store.drift_days.of("part") == {BEGIN: newer, BEGIN + 1: replace(DAY, start_ms=BEGIN + 1)}
    assert store.drift_days.of("another") == {BEGIN: other}
    assert store.drift_days.of("nobody") == {}


def test_the_newest_figure_of_a_day_decides(store: SqliteStore) -> None:
    """Of the registers asked for, of intervals that start in the day; its end is exclusive."""
    figures(store, 0, 4)
    made_of = store.drift_days.made_of
    channel = ("q01", IMPORT)
    assert made_of([channel], BEGIN, BEGIN + 4 * QUARTER) == BEGIN
    with store.transaction():
        late = FigureRow(channel, Period.INTERVAL, BEGIN + 3 * QUARTER, 7, 0)
        store.write_figures([late], now_ms=BEGIN + 99, reason="late reading")
    assert made_of([channel], BEGIN, BEGIN + 4 * QUARTER) == BEGIN + 99
    assert made_of([channel], BEGIN, BEGIN + 3 * QUARTER) == BEGIN
    assert made_of([("q01", EXPORT), ("q02", IMPORT)], BEGIN, BEGIN + 4 * QUARTER) == 0
    assert made_of([], BEGIN, BEGIN + 4 * QUARTER) == 0
