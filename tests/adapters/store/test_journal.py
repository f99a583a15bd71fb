"""The contract of the store: all or nothing, repeats change nothing, late data, versions, one writer, many readers."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.results import Anchor, BalanceRow, FigureRow, KnownSum, Largest, PvRow
from tests.adapters.store.writer_process import POINTS, QUARTER, Mishap, write_one
from tests.brokers import until

FEED = ("feed", IMPORT)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[SqliteStore]:
    result = SqliteStore.writer(path)
    yield result
    result.close()


def figure(start: int, energy: int | None, flags: int = 0, anchor: Anchor | None = None) -> FigureRow:
    return FigureRow(FEED, Period.INTERVAL, start * QUARTER, energy, flags, anchor)


def write(store: SqliteStore, *rows: FigureRow, now_ms: int = 1, reason: str = "test") -> list[FigureRow]:
    with store.transaction():
        return store.write_figures(rows, now_ms=now_ms, reason=reason)


def add(store: SqliteStore, *readings: Reading) -> list[Reading]:
    with store.transaction():
        return store.add_readings(readings)


def starts(*numbers: int) -> np.ndarray:
    return np.array([n * QUARTER for n in numbers], dtype=np.int64)


# -- readings ----------------------------------------------------------------------------------------------------------


def test_reads_back_what_it_wrote(store: SqliteStore) -> None:
    """History is sorted by time and value, of one register only; the newest value of an instantaneous one is a float."""
    given_ = [Reading("feed", IMPORT, t, v, 9) for t, v in ((3000, 7), (1000, 5), (2000, 2**53), (2000, -6))]
    assert add(store, *given_, Reading("feed", EXPORT, 1500, 1, 9), Reading("feed", POWER, 1600, -0.25, 9)) == [
        *given_, Reading("feed", EXPORT, 1500, 1, 9), Reading("feed", POWER, 1600, -0.25, 9)
    ]  # fmt: skip
    times, values = store.history(FEED, 0)
    assert (times.tolist(), values.tolist()) == ([1000, 2000, 2000, 3000], [5, -6, 2**53, 7])
    assert store.history(FEED, 2001)[0].tolist() == [3000]
    assert store.history(("nobody", IMPORT), 0)[0].tolist() == []
    assert store.latest(("feed", POWER)) == (1600, -0.25)
    assert store.latest(("nobody", POWER)) is None
    assert store.reading_count() == 6


@pytest.mark.parametrize("values", [(3.0, 7.0, 5.0), (7.0, 5.0, 3.0)])
def test_of_readings_of_one_time_the_newest_is_the_largest_whatever_came_first(
    store: SqliteStore, values: tuple[float, ...]
) -> None:
    """A result must not depend on the order of arrival."""
    add(store, *(Reading("feed", POWER, 1000, value, 9) for value in values), Reading("feed", POWER, 900, 99.0, 9))
    assert store.latest(("feed", POWER)) == (1000, 7.0)


@given(
    st.lists(st.tuples(st.sampled_from(["a", "b"]), st.integers(0, 6), st.integers(0, 3)), max_size=40),
    st.integers(1, 20),
)
@settings(max_examples=60, deadline=None)
def test_repeats_change_nothing(rows: list[tuple[str, int, int]], size: int) -> None:
    """Whatever comes again, in the same batch or later: new is only what was not there, and the journal is the set."""
    store = in_memory()
    seen: set[tuple[str, int, int]] = set()
    for first in range(0, len(rows), size):
        batch = [Reading(p, IMPORT, t, v, 5) for p, t, v in rows[first : first + size]]
        fresh = [r for i, r in enumerate(batch) if (k := (r.point, r.at_ms, int(r.value))) not in seen
                 and k not in {(q.point, q.at_ms, q.value) for q in batch[:i]}]  # fmt: skip
        assert add(store, *batch) == fresh
        seen |= {(r.point, r.at_ms, int(r.value)) for r in batch}
    for point in ("a", "b"):
        times, values = store.history((point, IMPORT), 0)
        assert list(zip(times.tolist(), values.tolist(), strict=True)) == sorted(
            (t, v) for p, t, v in seen if p == point
        )
    store.close()


def in_memory() -> SqliteStore:
    """A store that no file holds: for properties."""
    from meterd.adapters.store.schema import prepare

    connection = sqlite3.connect(":memory:", isolation_level=None)
    prepare(connection, Path(":memory:"))
    return SqliteStore(connection, None)


def test_history_of_a_column_and_readings_are_one_journal(store: SqliteStore) -> None:
    """Old readings imported and new ones that came live; a repeat of either is one."""
    add(store, Reading("feed", IMPORT, 1000, 5, 1000))
    with store.transaction():
        store.add_history(FEED, np.array([500, 1000]), np.array([4, 5]), 9999)
    assert store.history(FEED, 0)[1].tolist() == [4, 5]


# -- all or nothing ----------------------------------------------------------------------------------------------------


def test_what_goes_wrong_inside_a_transaction_leaves_nothing(store: SqliteStore) -> None:
    """Also a register whose number was given inside it: it gets one again."""
    with pytest.raises(Mishap):
        write_one(store, 0, mishap=True)
    assert (store.reading_count(), store.fact("rounds"), store.span(Period.YEAR)) == (0, None, None)
    write_one(store, 0)
    assert (store.reading_count(), store.fact("rounds")) == (5, "1")


def test_a_full_disk_is_reported_in_words_and_leaves_nothing(store: SqliteStore) -> None:
    """The database says that it cannot write: StoreError, and everything is as before."""
    write_one(store, 0)
    pages = store.connection.execute("PRAGMA page_count").fetchone()[0]
    store.connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreError, match="cannot write to the store: database or disk is full"):
        add(store, *(Reading("feed", IMPORT, t, t, t) for t in range(20_000)))
    assert store.reading_count() == 5
    store.connection.execute("PRAGMA max_page_count = 1000000")
    write_one(store, 1)
    assert store.reading_count() == 10


@pytest.mark.slow
def test_killed_at_any_write_the_store_holds_whole_transactions(path: Path) -> None:
    """E1: kill -9 at random moments, eight times over; no transaction is there in part, and none that counted is lost."""
    moments, before = random.Random(4), 0
    for _ in range(8):
        with subprocess.Popen([sys.executable, "-m", "tests.adapters.store.writer_process", str(path)]) as child:
            assert until(lambda floor=before: rounds(path) > floor, 30.0)
            time.sleep(moments.uniform(0.0, 0.15))
            known = rounds(path)
            child.send_signal(signal.SIGKILL)
        left = SqliteStore.reader(path)
        assert verify(left.connection) == []  # as it was left: digests are of whole transactions too
        left.close()
        store = SqliteStore.writer(path)
        count = int(store.fact("rounds") or 0)
        assert count >= known
        whole(store, count)
        assert verify(store.connection) == []
        store.close()
        before = count


def rounds(path: Path) -> int:
    """How many transactions a reader sees."""
    try:
        reader = SqliteStore.reader(path)
    except StoreError:  # not there yet, or its first transaction is under way
        return 0
    text = reader.fact("rounds")
    reader.close()
    return int(text or 0)


def whole(store: SqliteStore, count: int) -> None:
    """Everything of so many transactions and nothing of another."""
    assert store.connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert store.reading_count() == len(POINTS) * count
    columns = store.columns([("q01", IMPORT)], Period.INTERVAL, starts(*range(count + 2)))
    assert columns.energy[:, 0].tolist() == [*range(count), 0, 0]
    assert columns.present[:, 0].tolist() == [*[True] * count, False, False]
    assert [v.energy for v in store.versions(("q02", IMPORT), Period.YEAR, 0)] == list(range(count))


# -- figures -----------------------------------------------------------------------------------------------------------


def test_only_what_differs_is_a_new_version_and_the_old_ones_stay(store: SqliteStore) -> None:
    """A figure written again is no change; a changed one says when and why; missing is a value of its own."""
    assert write(store, figure(1, 10), now_ms=100) == [figure(1, 10)]
    assert write(store, figure(1, 10), now_ms=200) == []
    assert write(store, figure(1, 10, 1), figure(2, None), now_ms=300, reason="late readings") == [
        figure(1, 10, 1), figure(2, None)
    ]  # fmt: skip
    assert write(store, figure(1, None), now_ms=400, reason="correction") == [figure(1, None)]
    results = [
        (v.version, v.energy, v.flags, v.written_ms, v.reason) for v in store.versions(FEED, Period.INTERVAL, QUARTER)
    ]
    assert results == [(1, 10, 0, 100, "closed"), (2, 10, 1, 300, "late readings"), (3, None, 0, 400, "correction")]


def test_the_same_figure_twice_in_one_call(store: SqliteStore) -> None:
    """The second is a version of the first, or no change."""
    assert len(write(store, figure(1, 10), figure(1, 11), figure(1, 11), figure(1, 12))) == 3
    assert [v.energy for v in store.versions(FEED, Period.INTERVAL, QUARTER)] == [10, 11, 12]


@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 8), st.sampled_from([None, 0, 1, 2]), st.integers(0, 2)), max_size=12),
        max_size=6,
    )
)
@settings(max_examples=80, deadline=None)  # fmt: skip
def test_versions_are_the_history_of_changes(calls: list[list[tuple[int, int | None, int]]]) -> None:
    """Against a plain dictionary of lists, for any calls."""
    store = in_memory()
    model: dict[int, list[tuple[int | None, int]]] = {}
    for rows in calls:
        expected = []
        for start, energy, flags in rows:
            history = model.setdefault(start, [])
            if not history or history[-1] != (energy, flags):
                history.append((energy, flags))
                expected.append(figure(start, energy, flags))
        assert write(store, *(figure(*row) for row in rows)) == expected
    for start, history in model.items():
        versions = store.versions(FEED, Period.INTERVAL, start * QUARTER)
        assert [(v.energy, v.flags) for v in versions] == history
        assert [v.version for v in versions] == list(range(1, len(history) + 1))
    if model:
        columns = store.columns([FEED], Period.INTERVAL, starts(*range(9)))
        newest = [model.get(n, [(None, 0)])[-1] for n in range(9)]
        assert columns.present[:, 0].tolist() == [energy is not None for energy, _ in newest]
        assert columns.energy[:, 0].tolist() == [energy or 0 for energy, _ in newest]
    store.close()


def test_an_anchor_moves_without_a_new_version(store: SqliteStore) -> None:
    """Where a figure can be recalculated from is not part of the figure; the newest at or before a moment is found."""
    write(store, figure(1, 10, anchor=Anchor(5, 6, 7)), figure(2, 10), figure(3, None, anchor=Anchor(8, 9, 10)))
    assert write(store, figure(1, 10, anchor=Anchor(50, 60, 70))) == []
    assert store.anchor(FEED, 2 * QUARTER) == (QUARTER, Anchor(50, 60, 70))
    assert store.anchor(FEED, 2**62) == (3 * QUARTER, Anchor(8, 9, 10))
    assert store.anchor(FEED, QUARTER - 1) is None
    assert len(store.versions(FEED, Period.INTERVAL, QUARTER)) == 1


def test_columns_of_scattered_starts(store: SqliteStore) -> None:
    """In the order asked for; what was not asked for in between is left out; kinds of period do not mix."""
    write(store, *(figure(n, n * 10, n % 4) for n in range(8)), FigureRow(FEED, Period.HOUR, 0, 777, 0))
    columns = store.columns([("nobody", IMPORT), FEED], Period.INTERVAL, starts(1, 2, 6, 99))
    assert columns.energy.tolist() == [[0, 10], [0, 20], [0, 60], [0, 0]]
    assert columns.present.tolist() == [[False, True], [False, True], [False, True], [False, False]]
    assert columns.flags[:, 1].tolist() == [1, 2, 2, 0]
    assert store.columns([FEED], Period.HOUR, starts()).energy.shape == (0, 1)
    assert store.span(Period.INTERVAL) == (0, 7 * QUARTER)


def test_balances_and_pv_read_back_and_are_versioned(store: SqliteStore) -> None:
    """Everything a row holds; the newest version in the span asked for."""
    row = BalanceRow(
        "main", Period.INTERVAL, 0, QUARTER, 5, 4, 1, 2, "inside", True, (), ("q9",), 2, 3, (("q1", 4), ("t1", 4))
    )
    gone = BalanceRow(
        "main", Period.INTERVAL, QUARTER, 2 * QUARTER, None, 4, None, None, "not computable", False, ("t1",)
    )
    pv = PvRow(Period.DAY, 0, 86_400_000, 9, 1, 2, 7, 8, True)
    missing = PvRow(Period.DAY, 86_400_000, 2 * 86_400_000, None, None, None, None, None, False)
    for now, reason in ((1, "closed"), (2, "parts changed")):
        with store.transaction():
            store.write_balances([row, gone], now_ms=now, reason=reason)
            store.write_pv([pv, missing], now_ms=now, reason=reason)
    assert store.balances("main", Period.INTERVAL, 0, 2 * QUARTER) == [row, gone]
    assert store.balances("main", Period.INTERVAL, 1, QUARTER) == []
    assert store.balances("south", Period.INTERVAL, 0, 2 * QUARTER) == []
    assert store.pv(Period.DAY, 0, 2**60) == [pv, missing]
    assert store.connection.execute("SELECT COUNT(*) FROM balance_old").fetchone()[0] == 0
    with store.transaction():
        store.write_pv([PvRow(Period.DAY, 0, 86_400_000, 10, 1, 2, 8, 9, True)], now_ms=3, reason="parts changed")
    assert store.connection.execute("SELECT production, version FROM pv_old").fetchall() == [(9, 1)]
    assert store.connection.execute("SELECT production, version, reason FROM pv WHERE start_ms = 0").fetchall() == [
        (10, 2, "parts changed")
    ]


# -- one writer, many readers ------------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_and_told_who_has_it(path: Path, store: SqliteStore) -> None:
    """H1: the process is named, and what to do."""
    with pytest.raises(StoreError, match=rf"in use by another daemon \(process {os.getpid()}\).*stop that one first"):
        SqliteStore.writer(path)
    write_one(store, 0)
    store.close()
    again = SqliteStore.writer(path)
    assert again.reading_count() == 5
    again.close()


def test_a_reader_sees_whole_transactions_while_a_writer_writes(path: Path, store: SqliteStore) -> None:
    """It is never in the way and never sees half of anything; without a store it says so."""
    write_one(store, 0)
    reader = SqliteStore.reader(path)
    with store.transaction():
        store.add_readings([Reading("feed", IMPORT, 1, 1, 1)])
        assert reader.reading_count() == 5
    assert reader.reading_count() == 6
    with pytest.raises(StoreError, match="cannot write to the store"):
        write_one(reader, 1)
    reader.close()


def test_a_reader_finds_its_file_whatever_it_is_called(tmp_path: Path) -> None:
    """The path becomes an address of the database library: question marks and the like must not be read as options."""
    odd = tmp_path / "100% of #1?" / "store.sqlite"
    SqliteStore.writer(odd).close()
    SqliteStore.reader(odd).close()


def test_a_store_that_is_not_there_is_not_made_by_reading(path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store at"):
        SqliteStore.reader(path.with_name("none.sqlite"))


# -- files that are no store -------------------------------------------------------------------------------------------


def test_a_store_that_has_just_been_begun_says_so(path: Path) -> None:
    """Between the file and its tables, which come all at once."""
    path.touch()
    with pytest.raises(StoreError, match="nothing is in the store"):
        SqliteStore.reader(path)


def test_a_store_of_a_newer_version_is_refused_and_left_alone(path: Path) -> None:
    """E7: the newer version is named."""
    SqliteStore.writer(path).close()
    with sqlite3.connect(path) as other:
        other.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    other.close()
    with pytest.raises(StoreError, match=f"has schema {SCHEMA_VERSION + 1}, this version knows {SCHEMA_VERSION}"):
        SqliteStore.writer(path)
    with pytest.raises(StoreError, match="schema"):  # and the lock is free again
        SqliteStore.writer(path)


@pytest.mark.parametrize(
    "content", [b"this is no database, whatever its name says " * 40, b"SQLite format 3\x00" + b"\xff" * 2000]
)
def test_a_file_that_is_no_store_is_refused_and_left_alone(path: Path, content: bytes) -> None:  # fmt: skip
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"cannot open the store .* move the file away"):
        SqliteStore.writer(path)
    with pytest.raises(StoreError, match="cannot read the store"):
        SqliteStore.reader(path)
    assert path.read_bytes() == content


def test_a_folder_that_cannot_be_written_is_refused_in_words(tmp_path: Path) -> None:
    """As root every folder can be written, so a file stands where the folder should be."""
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"cannot create the store .*choose a folder that can be written"):
        SqliteStore.writer(tmp_path / "file" / "store.sqlite")
    closed = tmp_path / "closed"
    closed.mkdir()
    closed.chmod(0o500)
    if os.geteuid() != 0:
        with pytest.raises(StoreError, match="choose a folder that can be written"):
            SqliteStore.writer(closed / "store.sqlite")
    closed.chmod(0o700)


def test_the_largest_figure_and_single_moments_are_those_of_all_columns(tmp_path: Path) -> None:
    """Ties go to the first; moments asked for one by one are the same as from the whole span."""
    generator = np.random.default_rng(4)
    channel, grid = ("q01", IMPORT), np.arange(400, dtype=np.int64) * 900_000
    energies = [None if generator.random() < 0.2 else int(generator.integers(0, 30)) for _ in grid]
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = [FigureRow(channel, Period.INTERVAL, int(at), e, 0) for at, e in zip(grid, energies, strict=True)]
    with store.transaction():
        store.write_figures(rows, now_ms=1, reason="r")
    for low, high in ((0, 400), (17, 230), (399, 400), (5, 5)):
        some = [(e, -at) for at, e in zip(grid[low:high].tolist(), energies[low:high], strict=True) if e is not None]
        largest = store.largest(channel, low * 900_000, high * 900_000)
        best = max(some, default=None)
        assert largest == (None if best is None else Largest(-best[1], best[0], len(some)))
        first = min((-at for _, at in some), default=None)
        known = store.known_sum(channel, low * 900_000, high * 900_000)
        assert known == KnownSum(first, len(some), sum(energy for energy, _ in some))
    whole, few = store.columns([channel], Period.INTERVAL, grid), store.columns([channel], Period.INTERVAL, grid[::13])
    assert few.energy.tolist() == whole.energy[::13].tolist()
    assert few.present.tolist() == whole.present[::13].tolist()
    store.close()


@pytest.mark.parametrize(
    ("period", "step_ms"), [(Period.INTERVAL, 900_000), (Period.HOUR, 3_600_000), (Period.DAY, 86_400_000)]
)
def test_columns_of_starts_far_apart_are_those_of_all(tmp_path: Path, period: Period, step_ms: int) -> None:
    """Moments one by one, runs of some, runs with a hole between them: figures in a hole are not read, and not needed."""
    generator = np.random.default_rng(5)
    channel, grid = ("q01", IMPORT), np.arange(400, dtype=np.int64) * step_ms
    energies = [None if generator.random() < 0.2 else int(generator.integers(0, 30)) for _ in grid]
    rows = [FigureRow(channel, period, int(at), e, 0) for at, e in zip(grid, energies, strict=True)]
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    with store.transaction():
        store.write_figures(rows, now_ms=1, reason="r")
    whole = store.columns([channel, ("nobody", IMPORT)], period, grid)
    assert whole.energy[:, 0].tolist() == [energy or 0 for energy in energies]
    for places in ([7], [0, 60, 399], [0, 1, 2, 90, 91, 300], [*range(100), 398, 399], list(range(0, 400, 13)), []):
        some = store.columns([channel, ("nobody", IMPORT)], period, grid[places])
        assert some.energy.tolist() == whole.energy[places].tolist()
        assert some.present.tolist() == whole.present[places].tolist()
        assert some.flags.tolist() == whole.flags[places].tolist()
    store.close()
