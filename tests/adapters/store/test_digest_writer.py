"""What the program itself does to a store leaves digests that hold, at every moment, whatever it does."""

import random
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

import pytest

from meterd.adapters.store import digest_writer
from meterd.adapters.store.digest_comparison import reach_of, undigested, verify
from meterd.adapters.store.digests import KINDS, REACH
from meterd.adapters.store.drift_statistics import DriftDay
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.adapters.store.joined_readings import JoinedReadings
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.obsolete_periods import withdraw
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.adapters.store.renames import adopt
from meterd.adapters.store.retention import prunable, prune
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.results import FigureRow
from meterd.core.registers.register_line import Flag
from tests.adapters.store.earlier import back_to_version_9
from tests.adapters.store.journal import BEGIN, QUARTER, add, figures, opened, reading

VECTORS = Path(__file__).parents[2] / "vectors"


def compared(path: Path) -> list[str]:
    """What another process finds."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)) as db:
        return verify(db)


def digested(path: Path, kind: str) -> int:
    """How many rows of a table are in digests."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return int(db.execute("SELECT COALESCE(SUM(count), 0) FROM digest WHERE kind = ?", (kind,)).fetchone()[0])


def of_many_days(store: SqliteStore, generator: random.Random) -> None:
    """Readings and figures of any of twenty days, now and then with another value or energy."""
    days = [BEGIN + generator.randrange(-10, 10) * DAY_MS for _ in range(30)]
    with store.transaction():
        store.add_readings(
            [Reading(f"q0{generator.randrange(3)}", IMPORT, day + generator.randrange(5), 5, 1) for day in days]
        )
        rows = [
            FigureRow(
                (f"q0{generator.randrange(3)}", IMPORT), generator.choice(list(Period)), day, generator.randrange(3),
                generator.choice([0, Flag.START]),
            )
            for day in days
        ]  # fmt: skip
        store.write_figures(rows, now_ms=generator.randrange(9), reason="any")


def replaced_rows(store: SqliteStore, generator: random.Random) -> None:
    """Rows that take the place of others."""
    with store.transaction():
        name = f"q0{generator.randrange(3)}"
        store.finding_tables.write(FindingRow(Finding("stale", name, generator.randrange(9), "x"), 1, 2, "new"))
        store.drift_days.keep([DriftDay("main", BEGIN, generator.randrange(9), generator.randbytes(9))])
        store.set_fact("epoch", str(generator.randrange(9)))


def given_back(store: SqliteStore, _: random.Random) -> None:
    """A transaction that is not kept."""
    with suppress(KeyError), store.transaction():
        store.add_readings([Reading("q09", IMPORT, BEGIN + n, n, 1) for n in range(50)])
        store.write_figures([FigureRow(("q09", IMPORT), Period.DAY, BEGIN, 4, 0)], now_ms=1, reason="any")
        raise KeyError
    assert ("q09", IMPORT) not in store.channels()


def renamed(store: SqliteStore, generator: random.Random) -> None:
    """A name goes on as another, which may have a history."""
    with store.transaction():
        adopt(store, *generator.sample(["q00", "q01", "q02"], 2))


def set_aside(store: SqliteStore, generator: random.Random) -> None:
    """A day that is none any more."""
    start = BEGIN + generator.randrange(1, DAY_MS)
    with store.transaction():
        store.write_figures([FigureRow(("q01", IMPORT), Period.DAY, start, 4, 0)], now_ms=1, reason="any")
        assert withdraw(store, (BEGIN, BEGIN + DAY_MS), lambda _, at_ms: at_ms != start) == 1


def pruned(store: SqliteStore, generator: random.Random) -> None:
    """Old readings go."""
    before = BEGIN + generator.randrange(-8, 4) * DAY_MS
    prune(store, prunable(store, dict.fromkeys(store.channels(), before)))


def digests_some(store: SqliteStore, _: random.Random) -> None:
    """A piece of the work beside."""
    store.digest_step()


@pytest.mark.parametrize("seed", range(6))
def test_whatever_is_written_in_whatever_order_holds_also_after_a_kill(
    tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Compared by another connection after every act; now and then the writer is gone without a word."""
    monkeypatch.setattr(digest_writer, "LEAST_READINGS", 70)
    path, generator = tmp_path / "s.sqlite", random.Random(seed)
    store = SqliteStore.writer(path)
    acts = (of_many_days, of_many_days, replaced_rows, given_back, renamed, set_aside, pruned, digests_some)
    for _ in range(60):
        generator.choice(acts)(store, generator)
        assert compared(path) == []
        if generator.random() < 0.1:
            ended(store, generator.random() < 0.5)
            store = SqliteStore.writer(path)
            assert compared(path) == []
    store.close()
    assert compared(path) == []
    with closing(sqlite3.connect(path)) as db:
        assert undigested(db) == 0
        assert db.execute("SELECT COUNT(*) FROM digest WHERE link IS NULL").fetchone() == (0,)
        assert db.execute("SELECT SUM(count) FROM digest WHERE kind = 'figure_old'").fetchone()[0] > 0


def ended(store: SqliteStore, in_order: bool) -> None:
    """Close a store, or leave it as a process that was killed leaves it."""
    if not in_order:
        store.digest_writer.finish = lambda: None  # type: ignore[method-assign]
    store.close()


def test_readings_are_digested_when_they_are_many_when_periods_close_and_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digest_writer, "LEAST_READINGS", 100)
    path = tmp_path / "s.sqlite"
    store = opened(path, 90)
    assert digested(path, "reading") == 0
    add(store, 90, 10)
    assert digested(path, "reading") == 100
    add(store, 100, 10)
    assert undigested(store.connection) == 10
    figures(store, 0, 1)
    assert digested(path, "reading") == 110
    add(store, 110, 10)
    store.close()
    assert digested(path, "reading") == 120


def test_the_number_of_a_deleted_reading_is_given_again_and_its_new_owner_is_digested(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    store = opened(path, 9)
    ended(store, True)
    store = SqliteStore.writer(path)
    with store.transaction():
        store.connection.execute("DELETE FROM reading WHERE seq >= 8")
    add(store, 20, 2)
    assert compared(path) == []
    store.close()
    assert compared(path) == []
    assert digested(path, "reading") == 9


def old_store(path: Path, version: int) -> None:
    """A store as an earlier version left it."""
    with closing(sqlite3.connect(path)) as db:
        db.executescript((VECTORS / f"store_schema_{version}.sql").read_text(encoding="utf-8"))


@pytest.mark.parametrize("version", range(1, SCHEMA_VERSION))
def test_a_store_of_an_earlier_version_has_digests_of_everything_once_it_was_opened(
    tmp_path: Path, version: int
) -> None:
    path = tmp_path / "s.sqlite"
    old_store(path, version)
    SqliteStore.writer(path).close()
    assert compared(path) == []
    with closing(sqlite3.connect(path)) as db:
        assert reach_of(db).complete == KINDS.keys()
        packed = {"reading": JoinedReadings(db).count(), "figure": JoinedFigures(db).count()}
        for kind in KINDS:
            rows = packed.get(kind) or db.execute(f"SELECT COUNT(*) FROM {kind}").fetchone()[0]
            assert digested(path, kind) == rows, kind


def test_a_row_that_was_changed_under_an_earlier_version_is_still_told_after_it_was_taken_over(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    old_store(path, 7)
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE figure SET energy = energy + 1 WHERE version = 1")
        db.commit()
    SqliteStore.writer(path).close()
    assert compared(path) == ["figure q01 1.8.0 of 2026-03-28"]


def test_a_large_store_without_digests_gets_them_in_pieces_while_it_is_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is written into parts that have digests, and into parts that have none yet, is counted once."""
    path, generator = tmp_path / "s.sqlite", random.Random(3)
    store = SqliteStore.writer(path)
    for _ in range(5):
        of_many_days(store, generator)
    store.close()
    back_to_version_9(path)
    with closing(sqlite3.connect(path)) as db:  # as version 6 left it
        db.executescript(f"DROP TABLE digest; DROP TABLE {REACH}; DROP TABLE forecast; PRAGMA user_version = 6")
    monkeypatch.setattr(digest_writer, "BEGIN_ROWS", 0)
    monkeypatch.setattr(digest_writer, "LEAST_READINGS", 5)
    monkeypatch.setattr(digest_writer, "PIECE_READINGS", 20)
    store, pieces = SqliteStore.writer(path), 0
    while store.digest_step():
        pieces += 1
        if pieces % 3 == 0:
            of_many_days(store, generator)
        if pieces == 10:  # killed in the middle
            ended(store, False)
            store = SqliteStore.writer(path)
        assert compared(path) == []
        assert pieces < 500
    assert pieces > 20
    assert reach_of(store.connection).complete == KINDS.keys()
    assert digested(path, "figure") == store.connection.execute("SELECT COUNT(*) FROM figure").fetchone()[0]
    store.close()


def test_a_store_that_cannot_be_written_when_it_is_closed_closes(tmp_path: Path) -> None:
    """The digests that are lacking are made with the next start."""
    path = tmp_path / "s.sqlite"
    store = opened(path, 9)

    def refuses() -> None:
        raise sqlite3.OperationalError("database or disk is full")

    store.digest_writer.finish = refuses  # type: ignore[method-assign]
    store.close()
    assert digested(path, "reading") == 0
    SqliteStore.writer(path).close()
    assert digested(path, "reading") == 9


@pytest.mark.parametrize(
    "text",
    [
        "UPDATE figure SET reason = 'x' WHERE start_ms = :at",
        "UPDATE figure_old SET energy = 1 WHERE start_ms = :at",
        "UPDATE balance SET verdict = 'outside' WHERE start_ms = :at",
        "UPDATE pv SET production = 1 WHERE start_ms = :at",
        "UPDATE reading SET received_ms = 1 WHERE seq = 5",
        "UPDATE finding SET text = 'y'",
        "UPDATE fact SET value = '8' WHERE name = 'epoch'",
        f"UPDATE {REACH} SET seq = seq - 1 WHERE kind = 'reading'",
        f"UPDATE {REACH} SET complete = 0 WHERE kind = 'figure'",
        "UPDATE digest SET kind = 'figurf' WHERE kind = 'figure'",
        "DELETE FROM drift_day",
        "INSERT INTO notice VALUES ('mail', 'x', 1, 1, 0)",
    ],
)
def test_a_change_from_outside_differs_and_stays_different_whatever_is_written_afterwards(
    tmp_path: Path, text: str
) -> None:
    path = tmp_path / "s.sqlite"
    store = opened(path, 9)
    figures(store, 0, 4)
    figures(store, 0, 2, energy=3)
    replaced_rows(store, random.Random(1))
    store.close()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute(text, {"at": BEGIN} if ":at" in text else {}).rowcount == 1 or "digest" in text
        db.commit()
    results = compared(path)
    assert results
    store = SqliteStore.writer(path)
    figures(store, 0, 4, energy=7)
    add(store, 30, 5)
    store.close()
    assert compared(path)


def test_the_writer_tells_that_digests_are_not_kept(tmp_path: Path) -> None:
    """A piece is a transaction like any other."""
    store = opened(tmp_path / "s.sqlite", 9)

    def refuses() -> bool:
        raise sqlite3.OperationalError("database or disk is full")

    store.digest_writer.step = refuses  # type: ignore[method-assign]
    with pytest.raises(StoreError, match="disk is full"):
        store.digest_step()
    store.close()


def test_powers_and_repeats_are_digested_as_they_are_stored(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)

    def many(value: float) -> list[Reading]:
        return [Reading("q01", POWER, BEGIN + n, value, 1) for n in range(20)]

    with store.transaction():
        store.add_readings([*many(1.5), *many(2.0), *many(1.5), reading(1), Reading("q03", EXPORT, BEGIN, 7, 1)])
        store.write_figures(
            [FigureRow(("q03", EXPORT), Period.INTERVAL, BEGIN - QUARTER, None, Flag.BOUND)], now_ms=1, reason=""
        )
    store.close()
    assert compared(path) == []
    assert digested(path, "reading") == 42
