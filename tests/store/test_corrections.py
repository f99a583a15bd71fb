"""Corrections, records and papers are kept, once per order, and never deleted."""

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.correction import Correction
from meterd.meter_clock import KEPT, clocks_in, words_of
from meterd.reading import EXPORT, IMPORT
from meterd.store.issued import Issued
from meterd.store.records import Record
from meterd.store.salvage import open_sound
from meterd.store.sqlite import SqliteStore
from tests.store.test_salvage import damaged

ONE = Correction(0, "q01", IMPORT, 1_000, None, "5/4", "plate", "Жанна", 9_000)
PAPER = Issued(
    "month-report", "2026-05", 1_000, 2_000, 9_000, "Cleo", "ab" * 32, (("q01", IMPORT, 5), ("q02", EXPORT, None))
)
RECORD = Record("exchange", "q01", 5_000, "Ada", "verified", 9_000, {"old serial": "A-17"})


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A new store."""
    return SqliteStore.writer(tmp_path / "s.sqlite")


def test_a_correction_is_kept_and_withdrawn_once(store: SqliteStore) -> None:
    """The row stays with who withdrew it, when and why; a second time changes nothing."""
    with store.transaction():
        assert store.corrections.add(ONE, "order-1") == 1
        assert store.corrections.add(replace(ONE, until_ms=5_000, factor="2"), "order-2") == 2
        store.corrections.withdraw(1, 11_000, person="Bo", reason="wrong", order="order-3")
        store.corrections.withdraw(1, 12_000, person="Cy", reason="again", order="order-4")
    first, second = store.corrections.all()
    assert first == replace(ONE, id=1, withdrawn_ms=11_000, withdrawn_by="Bo", withdrawn_reason="wrong")
    assert second == store.corrections.one(2) == replace(ONE, id=2, until_ms=5_000, factor="2")
    assert store.corrections.one(3) is None
    assert [store.corrections.carried_out(f"order-{n}") for n in (1, 2, 3, 4)] == [1, 2, 1, None]


def test_papers_that_touch_a_register_and_a_time_are_found(store: SqliteStore) -> None:
    """By register and overlap, ends exclusive; the same content given out again is one paper."""
    later = replace(PAPER, period="2026-06", from_ms=2_000, until_ms=3_000, figures=(("q02", EXPORT, 7),))
    with store.transaction():
        assert [store.issued.add(PAPER), store.issued.add(later), store.issued.add(PAPER)] == [1, 2, 1]
    assert store.issued.all() == [replace(PAPER, id=1), replace(later, id=2)]

    def touched(channel: tuple[str, str], low: int, high: int) -> list[int]:
        return [one.id for one in store.issued.touching([channel], low, high)]

    assert touched(("q01", IMPORT), 0, 2**62) == [1]
    assert touched(("q02", EXPORT), 1_999, 2_001) == [1, 2]
    assert touched(("q02", EXPORT), 2_000, 2_001) == [2]
    assert touched(("q02", EXPORT), 3_000, 2**62) == []
    assert touched(("q02", IMPORT), 0, 2**62) == []


def test_records_of_a_point_come_in_the_order_of_events(store: SqliteStore) -> None:
    """Whenever they were entered."""
    with store.transaction():
        assert store.records.add(RECORD, "order-1") == 1
        assert store.records.add(replace(RECORD, at_ms=1_000, details={})) == 2
        assert store.records.add(replace(RECORD, point="q02")) == 3
    assert [one.id for one in store.records.all("q01")] == [2, 1]
    assert store.records.all("q01")[1] == replace(RECORD, id=1)
    assert len(store.records.all()) == 3
    assert (store.records.carried_out("order-1"), store.records.carried_out("x")) == (1, None)


def test_what_people_entered_survives_a_damaged_store(tmp_path: Path) -> None:
    """Readings and words are taken over together: without the corrections the figures would be others."""
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.corrections.add(ONE)
        store.records.add(RECORD)
        store.issued.add(PAPER)
    store.close()
    damaged(path)
    store, salvage = open_sound(path)
    assert salvage is not None
    assert store.corrections.all() == [replace(ONE, id=1)]
    assert (store.records.all(), store.issued.all()) == ([replace(RECORD, id=1)], [replace(PAPER, id=1)])
    store.close()


def test_what_people_entered_survives_a_damaged_store_of_the_version_before(tmp_path: Path) -> None:
    """It has no corrections of single readings; those by a factor and what was measured of clocks are taken over."""
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.corrections.add(ONE)
        store.set_fact(KEPT, words_of({"q01": ((1_000, 10),)}))
    store.close()
    damaged(path)
    with sqlite3.connect(path) as db:
        db.execute("ALTER TABLE correction DROP COLUMN reads")
        db.execute("PRAGMA user_version = 5")
    db.close()
    store, salvage = open_sound(path)
    assert salvage is not None
    assert store.corrections.all() == [replace(ONE, id=1)]
    assert clocks_in(store.fact(KEPT)) == {"q01": ((1_000, 10),)}
    store.close()


def test_a_store_of_the_version_before_can_be_read_before_its_daemon_has_started(tmp_path: Path) -> None:
    """Its corrections are all by a factor."""
    path = tmp_path / "s.sqlite"
    old = sqlite3.connect(path)
    old.executescript((Path(__file__).parents[1] / "vectors" / "store_schema_5.sql").read_text(encoding="utf-8"))
    old.close()
    store = SqliteStore.reader(path)
    (found,) = store.corrections.all()
    assert (found.factor, found.reads, store.corrections.one(1)) == ("5/4", "", found)
    store.close()
