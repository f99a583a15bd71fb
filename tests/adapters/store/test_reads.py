"""What the page asks of the store: samples of a power, completeness of a month, the span of the stored figures."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.completeness import StoredEnergies
from meterd.core.model.periods import Period
from meterd.core.model.reading import Reading
from meterd.core.model.results import FigureRow

Q, R = ("q01", "1.8.0"), ("q02", "1.8.0")
STEP = 900_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """Four intervals of one register (good, estimated, missing, at least), two of another, a day, and some powers."""
    result = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = [
        FigureRow(channel, Period.INTERVAL, i * STEP, energy, flags)
        for channel, figures in ((Q, [(100, 0), (40, 3), (None, 0), (7, 4)]), (R, [(5, 0), (6, 0)]))
        for i, (energy, flags) in enumerate(figures)
    ]
    readings = [Reading("q01", "16.7.0", 1000 * i, 1.5 * i, 1000 * i) for i in range(10)]
    with result.transaction():
        result.write_figures([*rows, FigureRow(Q, Period.DAY, 0, 1, 0)], now_ms=1, reason="test")
        result.add_readings(readings)
    yield result
    result.close()


def test_known_and_estimated_intervals_are_counted_with_their_energies(store: SqliteStore) -> None:
    """A lower bound is estimated, a missing one is not known; a register without figures is empty."""
    assert store.stored_energies([Q, R, ("none", "1.8.0")], 0, 4 * STEP) == [
        StoredEnergies(3, 2, 147, 47),
        StoredEnergies(2, 0, 11, 0),
        StoredEnergies(),
    ]


def test_the_stretch_is_half_open(store: SqliteStore) -> None:
    """From its start on, not to its end."""
    assert store.stored_energies([Q], STEP, 3 * STEP) == [StoredEnergies(1, 1, 40, 40)]


def test_samples_keep_their_fractions(store: SqliteStore) -> None:
    """Powers are floats, and the end is exclusive."""
    times, values = store.samples(("q01", "16.7.0"), 2000, 5000)
    assert times.tolist() == [2000, 3000, 4000]
    assert values.tolist() == [3.0, 4.5, 6.0]
    assert [len(column) for column in store.samples(("none", "16.7.0"), 0, 5000)] == [0, 0]


def test_the_span_is_that_of_all_registers(store: SqliteStore) -> None:
    """First and last start, also where a register has fewer; None for a kind that has no figures."""
    assert store.span(Period.INTERVAL) == (0, 3 * STEP)
    assert store.span(Period.DAY) == (0, 0)
    assert store.span(Period.YEAR) is None
