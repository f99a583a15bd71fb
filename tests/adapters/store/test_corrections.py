"""Corrections, records and documents are stored, once per order, and never deleted."""

import sqlite3
from dataclasses import replace
from pathlib import Path

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.recovery import open_sound
from meterd.core.model.reading import IMPORT
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in, words_of
from meterd.core.registers.corrections import Correction
from tests.adapters.store.entered import ISSUED, RECORD
from tests.adapters.store.test_recovery import damaged

ONE = Correction(0, "q01", IMPORT, 1_000, None, "5/4", "plate", "Жанна", 9_000)


def test_a_correction_is_kept_and_withdrawn_once(store: SqliteStore) -> None:
    """The row stays with who withdrew it, when and why; a second time changes nothing."""
    with store.transaction():
        assert store.corrections.add(ONE, "order-1") == 1
        assert store.corrections.add(replace(ONE, until_ms=5_000, factor="2"), "order-2") == 2
        store.corrections.withdraw(1, 11_000, person="Bo", reason="wrong", order="order-3")
        store.corrections.withdraw(1, 12_000, person="Cy", reason="again", order="order-4")
    first, second = store.corrections.all()
    assert first == replace(ONE, id=1, withdrawn_ms=11_000, withdrawn_by="Bo", withdrawn_reason="wrong")
    assert second == store.corrections.by_number(2) == replace(ONE, id=2, until_ms=5_000, factor="2")
    assert store.corrections.by_number(3) is None
    assert [store.corrections.carried_out(f"order-{n}") for n in (1, 2, 3, 4)] == [1, 2, 1, None]


def test_what_people_entered_survives_a_damaged_store(tmp_path: Path) -> None:
    """Readings and words are taken over together: without the corrections the figures would be others."""
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.corrections.add(ONE)
        store.records.add(RECORD)
        store.issued.add(ISSUED)
    store.close()
    damaged(path)
    store, salvage = open_sound(path)
    assert salvage is not None
    assert store.corrections.all() == [replace(ONE, id=1)]
    assert (store.records.all(), store.issued.all()) == ([replace(RECORD, id=1)], [replace(ISSUED, id=1)])
    store.close()


def test_what_people_entered_survives_a_damaged_store_of_the_version_before(tmp_path: Path) -> None:
    """It has no corrections of single readings; those by a factor and what was measured of clocks are taken over."""
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    with store.transaction():
        store.corrections.add(ONE)
        store.set_fact(METER_CLOCKS, words_of({"q01": ((1_000, 10),)}))
    store.close()
    damaged(path)
    with sqlite3.connect(path) as db:
        db.execute("ALTER TABLE correction DROP COLUMN reads")
        db.execute("PRAGMA user_version = 5")
    db.close()
    store, salvage = open_sound(path)
    assert salvage is not None
    assert store.corrections.all() == [replace(ONE, id=1)]
    assert clocks_in(store.fact(METER_CLOCKS)) == {"q01": ((1_000, 10),)}
    store.close()


def test_a_store_of_the_version_before_can_be_read_before_its_daemon_has_started(tmp_path: Path) -> None:
    """Its corrections are all by a factor."""
    path = tmp_path / "s.sqlite"
    old = sqlite3.connect(path)
    old.executescript((Path(__file__).parents[2] / "vectors" / "store_schema_5.sql").read_text(encoding="utf-8"))
    old.close()
    store = SqliteStore.reader(path)
    (correction,) = store.corrections.all()
    assert (correction.factor, correction.reads, store.corrections.by_number(1)) == ("5/4", "", correction)
    store.close()
