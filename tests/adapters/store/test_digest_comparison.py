"""The comparison sees one moment in each piece, holds nobody up, and looks at what the program reads: also the index."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store import digest_comparison
from meterd.adapters.store.digest_comparison import head, pieces, recent_day, undigested, verify
from meterd.adapters.store.digests import COVERED, KINDS, day_of, summed, summed_by_day
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import IMPORT, Reading
from tests.adapters.store.journal import BEGIN, add, figures, opened

Q01 = ("q01", IMPORT)


def written(path: Path, days: int = 12) -> None:
    """A store of some days, with a superseded figure."""
    store = opened(path, 9)
    with store.transaction():
        store.add_readings([Reading(*Q01, BEGIN + d * DAY_MS + n, n, 1) for d in range(days) for n in range(200)])
    figures(store, 0, days * 96)
    figures(store, 5, 1, energy=7)
    store.close()


def connection(path: Path) -> sqlite3.Connection:
    """As the thread of the daemon has it."""
    return sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)


def test_pieces_are_bounded_and_hold_every_row_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(digest_comparison, "PIECE_ROWS", 500)
    path = tmp_path / "s.sqlite"
    written(path)
    with closing(connection(path)) as db:
        results = list(pieces(db))
        assert max(piece.rows for piece in results) <= 500
        assert not any(piece.changed for piece in results)
        rows = sum(db.execute(f"SELECT COUNT(*) FROM {covered.table}").fetchone()[0] for covered in COVERED)
        digested = db.execute("SELECT COUNT(DISTINCT kind) FROM digest").fetchone()[0]
        assert sum(piece.rows for piece in results) == rows + digested
        later = list(pieces(db, since_day=BEGIN // DAY_MS + 8))
        assert sum(piece.rows for piece in later) < sum(piece.rows for piece in results) / 2


def test_a_writer_goes_on_between_and_during_pieces_and_nothing_it_does_is_a_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digest_comparison, "PIECE_ROWS", 300)
    path = tmp_path / "s.sqlite"
    written(path)
    store = SqliteStore.writer(path)
    store.connection.execute("PRAGMA busy_timeout = 0")
    with closing(connection(path)) as db:
        for number, piece in enumerate(pieces(db)):
            assert piece.changed == ()
            assert not db.in_transaction
            add(store, 100 + 10 * number, 10)
            figures(store, number, 3, energy=number)
            store.digest_step()
            (busy, *_) = store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            assert busy == 0  # no piece keeps the log from being emptied
    store.close()


def test_an_index_that_says_something_else_than_its_table_is_a_change(tmp_path: Path) -> None:
    """The program reads times and values from the index; the database's own check is left out for a large store."""
    path = tmp_path / "s.sqlite"
    written(path, 3)
    with closing(sqlite3.connect(path)) as db:
        index = db.execute("SELECT * FROM sqlite_master WHERE name = 'reading_once'").fetchone()
        db.execute("PRAGMA writable_schema = ON")
        db.execute("DELETE FROM sqlite_master WHERE name = 'reading_once'")
        db.commit()
    with closing(sqlite3.connect(path)) as db:  # the table goes on without its index
        db.execute("UPDATE reading SET value = value + 1000 WHERE at_ms = ?", (BEGIN + DAY_MS + 7,))
        db.execute("PRAGMA writable_schema = ON")
        db.execute("INSERT INTO sqlite_master VALUES (?, ?, ?, ?, ?)", index)
        db.commit()
    with closing(connection(path)) as db:
        value = db.execute(
            "SELECT value FROM reading WHERE channel = 1 AND at_ms = ?", (BEGIN + DAY_MS + 7,)
        ).fetchone()
        assert value == (7,)  # by the index
        assert verify(db) == ["reading q01 1.8.0 of 2026-03-29"]


def test_a_store_of_no_digests_and_a_file_that_is_none_are_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    with closing(sqlite3.connect(path)) as db:
        script = Path(__file__).parents[2] / "vectors" / "store_schema_6.sql"
        db.executescript(script.read_text(encoding="utf-8"))
        assert verify(db) == []
        db.executescript("PRAGMA user_version = 7")
        assert verify(db)[0].startswith("it cannot be read")


def test_a_store_of_version_7_is_compared_as_far_as_it_has_digests(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    with closing(sqlite3.connect(path)) as db:
        script = Path(__file__).parents[2] / "vectors" / "store_schema_7.sql"
        db.executescript(script.read_text(encoding="utf-8"))
        assert verify(db) == []
        assert undigested(db) == 0
        db.execute("UPDATE reading SET value = 2 WHERE seq = 1")
        db.commit()
        assert verify(db) == ["reading q01 1.8.0 of 2026-03-28"]


def test_two_copies_with_the_same_head_hold_the_same(tmp_path: Path) -> None:
    heads = []
    for number, days in enumerate((3, 3, 4)):
        path = tmp_path / f"{number}.sqlite"
        written(path, days)
        with closing(connection(path)) as db:
            heads.append(head(db))
            assert recent_day(db) == BEGIN // DAY_MS + days - 2
    assert heads[0] == heads[1] != heads[2]


def test_every_table_is_covered_or_only_says_what_has_to_be_sent(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    SqliteStore.writer(path).close()
    with closing(sqlite3.connect(path)) as db:
        tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables - KINDS.keys() == {
        "digest",
        "change",
        "line_mark",
        "sqlite_sequence",
        "reading_block",
        "figure_block",
    }


@pytest.mark.parametrize("at_ms", [0, 1, DAY_MS - 1, DAY_MS, -1, -DAY_MS, -DAY_MS - 1, 2**62, -(2**62)])
def test_days_are_told_apart_as_the_database_does(at_ms: int) -> None:
    with closing(sqlite3.connect(":memory:")) as db:
        (day,) = db.execute(f"SELECT {at_ms} / {DAY_MS}").fetchone()
    assert day_of(at_ms) == day
    low, high = digest_comparison._start_of(day), digest_comparison._start_of(day + 1)
    assert low <= at_ms < high


def test_rows_of_one_series_are_summed_as_any_rows_are() -> None:
    figures_ = KINDS["figure"]
    names = ["channel", "period", "start_ms", "energy"]
    rows = [(3, "hour", at_ms, 7) for at_ms in (-1, -DAY_MS, -5, 0, 5, DAY_MS, 5, 3 * DAY_MS, -2 * DAY_MS)]
    sums = {("figure", 3, day): sum_ for day, sum_ in summed_by_day(rows, 2).items()}
    assert sums == summed(figures_, names, rows)
