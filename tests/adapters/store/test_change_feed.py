"""What a database still has to get is stored in order, comes once, and survives a change of version or of database."""

import sqlite3
from pathlib import Path

import pytest

from meterd.adapters.store.change_feed import Batch, Mark, OutboxReader, Position, Refused
from meterd.adapters.store.journal import SqliteStore
from tests.adapters.store.journal import BEGIN, QUARTER, add, figures, opened


def all_of(reader: OutboxReader, position: Position, limit: int) -> tuple[list[str], Position]:
    """Everything behind a position, batch by batch."""
    results: list[str] = []
    while True:
        batch = reader.next(position, limit)
        assert len(batch.lines) <= limit
        if batch.position == position:
            return results, position
        results += batch.lines
        position = batch.position


def serve(store: SqliteStore, target: str) -> None:
    """Name the database."""
    with store.transaction():
        store.outbox.serve(target)


def test_readings_come_in_the_order_of_the_journal(tmp_path: Path) -> None:
    """Each reading once, in order, with the value in base units, for any size of batch."""
    store = opened(tmp_path / "s.sqlite", 100)
    reader = OutboxReader(tmp_path / "s.sqlite", "mill")
    lines, position = all_of(reader, Position(), 7)
    assert len(lines) == 100
    assert lines[0] == f"reading,site=mill,point=q01,register=import value=0.001 {BEGIN}"
    assert lines[2] == f"reading,site=mill,point=q01,register=power value=-9.5 {BEGIN + 2000}"
    assert [int(line.rpartition(" ")[2]) for line in lines] == [BEGIN + 1000 * n for n in range(100)]
    assert reader.waiting(position) == 0
    add(store, 100, 5)
    assert reader.waiting(position) == 5
    assert len(all_of(reader, position, 1000)[0]) == 5
    reader.close()
    store.close()


def test_changes_are_noted_only_while_a_database_is_fed(tmp_path: Path) -> None:
    """Nothing is written for nobody; a database that is named later gets all there is, once."""
    store = opened(tmp_path / "s.sqlite", 0)
    reader = OutboxReader(tmp_path / "s.sqlite", "mill")
    figures(store, 0, 4)
    assert reader.waiting(Position()) == 0
    serve(store, "http://one mill")
    lines, position = all_of(reader, Position(), 5)
    assert len(lines) == 12
    at = BEGIN
    assert sorted(item for item in lines if item.endswith(f" {at}")) == [
        f"balance,site=mill,board=main,period=interval feed_wh=5.0,outgoing_wh=4.0,residual_wh=1.0,band_wh=2.0,"
        f"verdict=0.0,estimated=0.0,covered=1.0,of=1.0,version=1.0 {at}",
        f"energy,site=mill,point=q01,register=import,period=interval energy_wh=250.0,quality=0.0,version=1.0 {at}",
        f"pv,site=mill,period=interval production_wh=9.0,estimated=0.0,version=1.0 {at}",
    ]
    figures(store, 0, 4)  # the same again is no change
    assert reader.waiting(position) == 0
    figures(store, 3, 1, energy=None)
    lines, position = all_of(reader, position, 100)
    changed = BEGIN + 3 * QUARTER
    assert lines == [f"energy,site=mill,point=q01,register=import,period=interval quality=3.0,version=2.0 {changed}"], (
        "what became missing says so"
    )
    serve(store, "")
    figures(store, 4, 4)
    serve(store, "")
    assert reader.waiting(Position()) == 0
    reader.close()
    store.close()


def test_a_figure_that_changed_twice_comes_once_as_it_stands(tmp_path: Path) -> None:
    """Within one batch only the last state of a figure is worth a line."""
    store = opened(tmp_path / "s.sqlite", 0)
    serve(store, "http://one mill")
    for energy in (1000, 2000, 3000):
        figures(store, 0, 1, energy)
    reader = OutboxReader(tmp_path / "s.sqlite", "mill")
    lines, _ = all_of(reader, Position(), 100)
    energies = [line for line in lines if line.startswith("energy")]
    assert len(energies) == 1
    assert "energy_wh=3.0,quality=0.0,version=3.0" in energies[0]
    reader.close()
    store.close()


def test_marks_and_refused_lines_survive_and_numbers_are_never_used_again(tmp_path: Path) -> None:
    """Sent changes are removed, yet a later one gets a higher number, also after all were removed and a new start."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 3)
    serve(store, "http://one mill")
    figures(store, 0, 2)
    reader = OutboxReader(path, "mill")
    _, end = all_of(reader, Position(), 100)
    marks = [Mark(1, BEGIN, end), Mark(2, BEGIN + 1, end)]
    with store.transaction():
        store.outbox.keep(marks, [Refused("bad", BEGIN, "why"), Refused("bad", BEGIN + 5, "again")])
    store.close()
    store = SqliteStore.writer(path)
    assert store.outbox.marks() == marks
    assert store.outbox.refused() == [Refused("bad", BEGIN, "why")], "a line refused twice is kept once"
    assert store.outbox.proven() == 3
    figures(store, 7, 1)
    assert reader.next(end, 100).position.change > end.change
    serve(store, "http://two mill")
    assert store.outbox.marks() == [], "another database knows nothing yet"
    assert store.outbox.proven() == 0
    serve(store, "")
    assert store.outbox.proven() is None
    reader.close()
    store.close()


def test_a_value_that_no_line_can_hold_is_named(tmp_path: Path) -> None:
    """An infinite value, which only a hand in the file can make, stops nothing."""
    store = opened(tmp_path / "s.sqlite", 4)
    with sqlite3.connect(tmp_path / "s.sqlite") as hand:
        hand.execute("UPDATE reading SET value = 9e999 WHERE seq = 3")
    hand.close()
    reader = OutboxReader(tmp_path / "s.sqlite", "mill")
    batch: Batch = reader.next(Position(), 100)
    assert len(batch.lines) == 3
    assert [reason for _, reason in batch.unfit] == ["the value is not finite"]
    reader.close()
    store.close()


@pytest.mark.parametrize("version", [1, 2, 3, 4, 5])
def test_a_store_of_every_earlier_schema_is_taken_over(tmp_path: Path, version: int) -> None:
    """Readings and figures of an older store are all sent to a database that is named now (fault E7)."""
    path = tmp_path / "old.sqlite"
    script = (Path(__file__).parents[2] / "vectors" / f"store_schema_{version}.sql").read_text(encoding="utf-8")
    old = sqlite3.connect(path)
    old.executescript(script)
    assert old.execute("PRAGMA user_version").fetchone() == (version,)
    old.close()
    store = SqliteStore.writer(path)
    serve(store, "http://one mill")
    reader = OutboxReader(path, "mill")
    lines, _ = all_of(reader, Position(), 100)
    assert len([item for item in lines if item.startswith("reading")]) == 3
    assert len(lines) == 3 + 6
    reader.close()
    store.close()
