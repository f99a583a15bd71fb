"""One moment of a store, row by row: what is written meanwhile is not in it, spans are half open."""

import sqlite3
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.dump import BALANCE, FIGURE, ArchiveReader
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT, Reading
from tests.app.two_meters import BEGIN, DAY, HOUR, fill, plan_file

ALWAYS = (-(2**62), 2**62)
F1 = ("f1", IMPORT)
DAYS = 7


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store of some days."""
    return fill(tmp_path, DAYS)


def test_what_is_written_meanwhile_is_not_in_the_snapshot(store: Path) -> None:
    now = BEGIN + DAYS * DAY
    with closing(ArchiveReader(store)) as reader:
        before = list(reader.readings(F1, *ALWAYS)), list(reader.figures(F1, Period.HOUR, *ALWAYS))
        site = load_plan(plan_file(store.parent)).site
        with closing(SqliteStore.writer(store)) as writer:
            Ledger(writer, site, ZoneInfo(site.zone)).tick([Reading("f1", IMPORT, now + HOUR, 10**9, now)], now + DAY)
        assert (list(reader.readings(F1, *ALWAYS)), list(reader.figures(F1, Period.HOUR, *ALWAYS))) == before
    with closing(ArchiveReader(store)) as later:
        assert len(list(later.readings(F1, *ALWAYS))) == len(before[0]) + 1
        assert len(list(later.figures(F1, Period.HOUR, *ALWAYS))) > len(before[1])


def test_neighbouring_spans_give_each_row_once_and_in_order(store: Path) -> None:
    cut = BEGIN + DAY
    with closing(ArchiveReader(store)) as reader:
        for rows in (
            [list(reader.figures(F1, Period.HOUR, *span)) for span in ((0, cut), (cut, 2**62), ALWAYS)],
            [list(reader.balances("main", Period.HOUR, *span)) for span in ((0, cut), (cut, 2**62), ALWAYS)],
        ):
            first, second, whole = rows
            assert first + second == whole == sorted(whole)
            assert second[0][0] == cut, "a row belongs to the span in which it starts"
        assert reader.boards() == ["main"]
        assert len(whole[0]) == len(BALANCE)
        assert len(next(reader.figures(F1, Period.DAY, *ALWAYS))) == len(FIGURE)


def test_the_span_begins_with_the_longest_period_that_holds_a_reading(store: Path) -> None:
    """The week of the first reading begins before it: an export by months would lose it else."""
    with closing(ArchiveReader(store)) as reader:
        first = next(reader.readings(F1, *ALWAYS))[0]
        span = reader.span()
        assert span is not None
        assert span[0] == next(reader.figures(F1, Period.WEEK, *ALWAYS))[0] < int(str(first))
        newest = [*reader.readings(F1, *ALWAYS), *reader.readings(("feed", IMPORT), *ALWAYS)]
        assert span[1] > max(int(str(row[0])) for row in newest)


def test_an_empty_store_has_no_span_and_other_files_are_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with pytest.raises(StoreError, match=r"there is no store at .*s\.sqlite"):
        ArchiveReader(path)
    SqliteStore.writer(path).close()
    with closing(ArchiveReader(path)) as reader:
        assert (reader.span(), reader.boards()) == (None, [])
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("UPDATE fact SET value = '999' WHERE name = 'schema'")
        db.execute("PRAGMA user_version = 999")
    with pytest.raises(StoreError, match="newer"):
        ArchiveReader(path)
    path.write_bytes(b"no database at all, but a text that is long enough to be taken for one" * 20)
    with pytest.raises(StoreError, match="cannot read the store"):
        ArchiveReader(path)
