"""A store of any earlier version becomes one of this version, with everything that was in it (fault E7)."""

import sqlite3
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.reading_connection import SCHEMA_VERSION

VECTORS = Path(__file__).parents[2] / "vectors"
EARLIER = range(1, SCHEMA_VERSION)


def shape(path: Path) -> list[tuple[object, ...]]:
    """Every table and index as it is described."""
    with sqlite3.connect(path) as db:
        rows = db.execute(
            "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%' ORDER BY name"
        ).fetchall()
    db.close()
    return [(kind, name, sql and " ".join(sql.split())) for kind, name, sql in rows]


def content(
    path: Path, like: dict[str, list[str]] | None = None
) -> tuple[dict[str, list[str]], dict[str, list[object]]]:
    """Columns and rows of every table; `like` names tables and columns to look at."""
    with sqlite3.connect(path) as db:
        tables = (
            [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
            if like is None
            else like
        )
        columns = like or {t: [row[1] for row in db.execute(f"PRAGMA table_info({t})")] for t in tables}
        rows = {
            t: sorted(db.execute(f"SELECT {', '.join(c)} FROM {t}").fetchall(), key=repr) for t, c in columns.items()
        }
    db.close()
    return columns, rows


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store made by this version."""
    path = tmp_path_factory.mktemp("fresh") / "s.sqlite"
    SqliteStore.writer(path).close()
    return path


@pytest.mark.parametrize("version", EARLIER)
def test_e7_a_store_of_every_earlier_schema_is_taken_over_whole(version: int, tmp_path: Path, fresh: Path) -> None:
    """The script of each version was dumped by the program of its time; whoever raises the version adds that of the last one."""
    path = tmp_path / "old.sqlite"
    old = sqlite3.connect(path)
    old.executescript((VECTORS / f"store_schema_{version}.sql").read_text(encoding="utf-8"))
    assert old.execute("PRAGMA user_version").fetchone() == (version,)
    old.close()
    columns, before = content(path)
    for name in ("digest", "digest_reach"):  # more are added; `test_digest_writer` compares them
        columns.pop(name, None)
        before.pop(name, None)
    assert len(before["reading"]) == 3
    assert before["figure"]
    for _ in range(2):  # the second opening finds nothing left to do
        SqliteStore.writer(path).close()
        assert shape(path) == shape(fresh)
        assert content(path, columns)[1] == before


def test_e7_a_step_that_fails_leaves_the_store_as_it_was(tmp_path: Path) -> None:
    """A table of the next version is in the way: refused, and what was there is still there."""
    path = tmp_path / "old.sqlite"
    old = sqlite3.connect(path)
    old.executescript((VECTORS / "store_schema_2.sql").read_text(encoding="utf-8"))
    old.execute("CREATE TABLE line_refused (somebody TEXT)")
    old.commit()
    old.close()
    before = content(path)
    with pytest.raises(Exception, match="line_refused"):
        SqliteStore.writer(path)
    assert content(path) == before
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (2,)
    db.close()
