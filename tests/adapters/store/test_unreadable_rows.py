"""Bytes of a store that make a row unreadable which every start reads: the daemon starts, says so, and goes on."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store import unreadable_rows
from meterd.adapters.store.journal import SqliteStore
from meterd.core.registers.corrections import FIGURES_FROM
from tests.faults.flipped_bytes import fill_every_table
from tests.faults.mill import reading_count, running, site
from tests.faults.test_i_digests import CHANGED, in_the_evening

CHANGES = {
    "state": "UPDATE finding SET state = 'ndw'",
    "lists": "UPDATE finding SET points = '{' || substr(points, 2), evidence = '[}'",
    "fact": "UPDATE fact SET value = '3' || substr(value, 2) || '!' WHERE name = 'closed_to_ms'",
    "factor": "UPDATE correction SET factor = '1,02'",
    "reads": "UPDATE correction SET reads = '12a'",
}


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with rows in every table."""
    return fill_every_table(tmp_path_factory.mktemp("full"))


@pytest.mark.slow
@pytest.mark.parametrize("names", [("state", "fact", "factor"), ("lists", "reads")], ids=" ".join)
def test_i11_a_row_that_cannot_be_read_is_reported_and_stops_nothing(
    full: Path, tmp_path: Path, names: tuple[str, ...]
) -> None:
    """Found by changing one byte of each column: four of them ended the daemon at every start, one its findings."""
    path = tmp_path / "s.sqlite"
    shutil.copy(full, path)
    with closing(sqlite3.connect(path)) as db, db:
        for name in names:
            assert db.execute(CHANGES[name]).rowcount == 1, name
    with running(site(), path, in_the_evening()) as here:
        assert here.has(CHANGED, 200), here.findings()
        message = here.findings()[CHANGED].text
        assert "correction" in message
        assert "finding stale-q05" in message
    assert reading_count(path) == reading_count(full)
    store = SqliteStore.reader(path)
    (correction,) = store.corrections.all()
    store.close()
    assert correction.withdrawn_reason == unreadable_rows.REASON


def test_what_holds_stays_as_it_is_and_final_figures_stay_final(full: Path, tmp_path: Path) -> None:
    """Of a fact that is no number any more the careful reading counts: everything that is closed is final."""
    path = tmp_path / "s.sqlite"
    shutil.copy(full, path)
    store = SqliteStore.writer(path)
    before = list(store.connection.iterdump())
    unreadable_rows.put_right(store, [], 7)
    assert [line for line in store.connection.iterdump() if line not in before] == []
    closed_to = store.fact("closed_to_ms")
    for value, right in (("17778!", closed_to), ("1777852800000", "1777852800000")):
        store.set_fact(FIGURES_FROM, value)
        unreadable_rows.put_right(store, [f"fact {FIGURES_FROM}"], 7)
        assert store.fact(FIGURES_FROM) == right
    store.close()
