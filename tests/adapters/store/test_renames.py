"""A point goes on under a new name with everything it had, also where both names have a history."""

from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.maintenance_log import Record
from meterd.adapters.store.renames import adopt
from meterd.core.model.finding import Finding, FindingNote, FindingRow, Suppression
from meterd.core.model.periods import Period
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.model.results import FigureRow
from meterd.core.registers.corrections import Correction

QUARTER = 900_000
OLD, NEW = ("q07", IMPORT), ("oven", IMPORT)


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A store with a point that has readings, figures, findings and a correction."""
    result = SqliteStore.writer(tmp_path / "s.sqlite")
    with result.transaction():
        result.add_readings([Reading("q07", r, t, 7 * t, t) for r in (IMPORT, EXPORT) for t in (1000, 2000)])
        for energy in (3, 4):
            result.write_figures([FigureRow(OLD, Period.INTERVAL, 0, energy, 0)], now_ms=energy, reason="r")
        result.corrections.add(Correction(0, "q07", IMPORT, 0, None, "2", "r", "Ada", 0))
        result.records.add(Record("exchange", "q07", 0, "Ada", "n", 0, {}))
        result.finding_tables.write(FindingRow(Finding("drift", "q07", 1, "x", points=("q07", "q08")), 1, 2, "new"))
        result.finding_tables.write(FindingRow(Finding("stale", "q08", 1, "x", points=("q07",)), 1, 2, "new"))
        result.finding_tables.add_note(FindingNote("drift-q07", 1, 5, "seen", "Ada", "n"))
        result.finding_tables.add_suppression(Suppression("q07", 0, 9, "Ada", "work"), "")
    return result


def test_everything_goes_to_the_new_name(store: SqliteStore) -> None:
    """Readings, versions, findings with their notes, corrections, records and planned work."""
    with store.transaction():
        assert adopt(store, "q07", "oven") == []
    assert store.channels() == [("oven", IMPORT), ("oven", EXPORT)]
    assert store.history(NEW, 0)[1].tolist() == [7000, 14000]
    assert [v.energy for v in store.versions(NEW, Period.INTERVAL, 0)] == [3, 4]
    results = {row.finding.id: row.finding.points for row in store.finding_tables.all()}
    assert results == {"drift-oven": ("oven", "q08"), "stale-q08": ("oven",)}
    assert [note.note for note in store.finding_tables.notes("drift-oven")] == ["n"]
    assert store.corrections.all()[0].point == store.records.all()[0].point == "oven"
    assert store.finding_tables.suppressions(0)[0].what == "oven"
    with store.transaction():
        store.add_readings([Reading("oven", IMPORT, 3000, 1, 1)])
        assert adopt(store, "q07", "oven") == []
    assert len(store.channels()) == 2


def test_two_histories_become_one(store: SqliteStore) -> None:
    """Readings of both; of two figures the known one of the new name stands, the other is kept aside."""
    with store.transaction():
        store.add_readings([Reading("oven", IMPORT, 2000, 14000, 1), Reading("oven", IMPORT, 3000, 1, 1)])
        rows = [FigureRow(OLD, Period.INTERVAL, s * QUARTER, e, 0) for s, e in ((1, 5), (2, 6))]
        rows += [FigureRow(NEW, Period.INTERVAL, s * QUARTER, e, 0) for s, e in ((1, None), (2, 8), (3, 9))]
        store.write_figures(rows, now_ms=9, reason="r")
        assert adopt(store, "q07", "oven") == [IMPORT]
    assert store.channels() == [("oven", IMPORT), ("oven", EXPORT)]
    assert store.history(NEW, 0)[0].tolist() == [1000, 2000, 3000]
    grid = np.arange(4, dtype=np.int64) * QUARTER
    assert store.columns([NEW], Period.INTERVAL, grid).energy[:, 0].tolist() == [4, 5, 8, 9]
    assert [(v.version, v.energy) for v in store.versions(NEW, Period.INTERVAL, 2 * QUARTER)] == [(0, 6), (1, 8)]


def test_a_finding_under_both_names_stays_under_the_new_one(store: SqliteStore) -> None:
    """Nothing is lost and nothing stands twice."""
    with store.transaction():
        store.finding_tables.write(FindingRow(Finding("drift", "oven", 1, "newer"), 3, 4, "seen"))
        adopt(store, "q07", "oven")
    results = {row.finding.id: row.state for row in store.finding_tables.all()}
    assert results == {"drift-oven": "seen", "drift-q07": "new", "stale-q08": "new"}
