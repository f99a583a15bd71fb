"""When digests are compared, and that a change is told by name until it is gone."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import digest_check
from meterd.app.daemon.digest_check import CHANGED, DigestCheck, at_start
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import IMPORT, Reading
from tests.adapters.store.journal import BEGIN
from tests.brokers import until


def filled(path: Path, days: int) -> None:
    """Two hundred readings a day of one register."""
    store = SqliteStore.writer(path)
    with store.transaction():
        store.add_readings(
            [Reading("q01", IMPORT, BEGIN + d * DAY_MS + n, n, 1) for d in range(days) for n in range(200)]
        )
    store.close()


def change(path: Path, day: int, value: int) -> None:
    """Somebody else writes a reading of a day."""
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("UPDATE reading SET value = ? WHERE at_ms = ?", (value, BEGIN + day * DAY_MS + 5)).rowcount
        db.commit()


def test_a_start_compares_a_small_store_whole_and_of_a_large_one_the_last_days(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "s.sqlite"
    filled(path, 10)
    change(path, 2, 99)
    assert at_start(path) == ["reading q01 1.8.0 of 2026-03-30"]
    monkeypatch.setattr(digest_check, "WHOLE", 100)
    assert at_start(path) == []
    change(path, 8, 99)
    assert at_start(path) == ["reading q01 1.8.0 of 2026-04-05"]
    monkeypatch.setattr(digest_check, "AT_START", 1)
    assert at_start(path) == []  # the rest is left to the thread


def test_a_file_that_is_no_store_is_told(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    path.write_bytes(b"nothing of ours " * 100)
    (text,) = at_start(path)
    assert text.startswith("it cannot be read")


def test_a_change_is_told_by_its_name_when_asked_until_it_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digest_check, "SOON_S", 0.01)
    path = tmp_path / "s.sqlite"
    filled(path, 10)
    check = DigestCheck(path, [])
    check.start()
    try:
        change(path, 2, 99)
        check.ask()
        assert until(lambda: check.findings("mill", 7), 60)
        (finding,) = check.findings("mill", 7)
        assert (finding.cause, finding.subject) == (CHANGED, "mill")
        assert "reading q01 1.8.0 of 2026-03-30" in finding.text
        change(path, 2, 5)
        assert until(lambda: "1 days or tables differ, see the finding store-changed" in check.outcome(), 60)
        check.ask()
        assert until(lambda: not check.findings("mill", 7), 60)
        assert until(lambda: check.outcome().endswith("rows compared with their digests"), 60)
        assert not check.revive()
    finally:
        check.stop(10.0)
    assert not check._worker.alive
    assert not check.revive()
