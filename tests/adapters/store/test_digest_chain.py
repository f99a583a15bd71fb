"""A day that went whole, with its digest, or came back as it was before, breaks the chain behind it."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store.digest_chain import broken_days, link_days, link_of, open_chains
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import IMPORT, Reading

Q01 = ("q01", IMPORT)
MAY = 1_777_852_800_000  # 2026-05-04 00:00 UTC


def write_days(path: Path, days: range, value: int = 0) -> None:
    """Readings of some days, closed in order."""
    store = SqliteStore.writer(path)
    with store.transaction():
        store.add_readings([Reading(*Q01, MAY + day * DAY_MS + n, value + n, 1) for day in days for n in range(5)])
    store.close()


def compared(path: Path) -> list[str]:
    """What is found."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        return verify(db)


def test_a_day_that_went_with_its_digest_is_told_by_the_day_behind_it(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    write_days(path, range(5))
    assert compared(path) == []
    day = MAY // DAY_MS + 2
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("DELETE FROM reading WHERE at_ms / 86400000 = ?", (day,)).rowcount == 5
        assert db.execute("DELETE FROM digest WHERE kind = 'reading' AND day = ?", (day,)).rowcount == 1
        db.commit()
    assert compared(path) == ["reading q01 1.8.0 of 2026-05-07"]


def test_rows_and_digest_that_are_as_they_once_were_are_told(tmp_path: Path) -> None:
    """Pages of a disk that gives back what stood there before."""
    path = tmp_path / "s.sqlite"
    write_days(path, range(3))
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute("SELECT * FROM digest WHERE kind = 'reading' ORDER BY day").fetchall()
        (last,) = db.execute("SELECT MAX(seq) FROM reading").fetchone()
    write_days(path, range(1, 4), 1000)
    assert compared(path) == []
    with closing(sqlite3.connect(path)) as db:
        db.execute("DELETE FROM reading WHERE seq > ? AND at_ms < ?", (last, MAY + 2 * DAY_MS))
        db.execute("DELETE FROM digest WHERE kind = 'reading' AND day = ?", (rows[1][2],))
        db.execute("INSERT INTO digest VALUES (?, ?, ?, ?, ?, ?)", rows[1])
        db.commit()
    assert compared(path) == ["reading q01 1.8.0 of 2026-05-06"]


def test_a_day_is_linked_when_a_later_one_begins_and_the_last_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    for day in range(3):
        with store.transaction():
            store.add_readings([Reading(*Q01, MAY + day * DAY_MS + n, n, 1) for n in range(3_000)])
        while store.digest_step():
            pass
    ask = "SELECT link IS NULL FROM digest WHERE kind = 'reading' ORDER BY day"
    assert store.connection.execute(ask).fetchall() == [(0,), (0,), (1,)]
    assert ("reading", 1) in open_chains(store.connection)
    store.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute(ask).fetchall() == [(0,), (0,), (0,)]
        assert open_chains(db) == []


def test_a_late_reading_opens_its_day_and_the_chain_is_linked_anew_from_there(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    write_days(path, range(6))
    with closing(sqlite3.connect(path)) as db:
        before = db.execute("SELECT day, link FROM digest WHERE kind = 'reading' ORDER BY day").fetchall()
    store = SqliteStore.writer(path)
    with store.transaction():
        store.add_readings([Reading(*Q01, MAY + 2 * DAY_MS + 77, 1, 1)])
    store.digest_writer._digest_readings(10)
    assert list(broken_days(store.connection, ("reading", 1))) == []  # nothing behind an open day is judged
    store.close()
    assert compared(path) == []
    with closing(sqlite3.connect(path)) as db:
        after = db.execute("SELECT day, link FROM digest WHERE kind = 'reading' ORDER BY day").fetchall()
    assert [old == new for old, new in zip(before, after, strict=True)] == [True, True, False, False, False, False]


def test_a_link_is_of_the_link_before_the_name_the_day_and_the_content() -> None:
    links = {
        link_of(b"", ("reading", 1), 5, (3, 77)),
        link_of(b"x", ("reading", 1), 5, (3, 77)),
        link_of(b"", ("reading", 2), 5, (3, 77)),
        link_of(b"", ("reading", "1"), 5, (3, 77)),
        link_of(b"", ("reading", 1), 6, (3, 77)),
        link_of(b"", ("reading", 1), 5, (4, 77)),
        link_of(b"", ("reading", 1), 5, (3, 78)),
    }
    assert len(links) == 7
    assert {len(link) for link in links} == {8}


def test_a_chain_without_an_open_day_has_nothing_to_link(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    write_days(path, range(2))
    with closing(sqlite3.connect(path)) as db:
        link_days(db, ("reading", 1), last=True)
        link_days(db, ("reading", 99), last=True)
        assert db.total_changes == 0


@pytest.mark.parametrize("column", ["count", "sum", "link"])
def test_a_changed_digest_is_told(tmp_path: Path, column: str) -> None:
    path = tmp_path / "s.sqlite"
    write_days(path, range(3))
    with closing(sqlite3.connect(path)) as db:
        value = "x'0011223344556677'" if column == "link" else f"{column} + 1"
        db.execute(f"UPDATE digest SET {column} = {value} WHERE kind = 'reading' AND day = ?", (MAY // DAY_MS + 1,))
        db.commit()
    assert "reading q01 1.8.0 of 2026-05-05" in compared(path)
