"""Files of an archive: rows as they were written, units and meanings in the file, damage told."""

from pathlib import Path

import pyarrow.parquet as pq
import pytest

from meterd.adapters.store.month_rows import FIGURES, READINGS, STATE
from meterd.app.operations.archive_tables import TABLES, read_rows, sha256_of, write_rows
from meterd.core.errors import StoreError

ROWS = [(1, "q01", "1.8.0", None, 5, 2, 1), (2, "q01", "16.7.0", 0.5, None, 3, 0)]
ABOUT = {"site": "mill", "plan": "ab" * 32}


def test_rows_there_and_back(tmp_path: Path) -> None:
    """Whole numbers stay whole, what is missing stays missing."""
    file = tmp_path / "r.parquet"
    assert write_rows(file, READINGS, ROWS, ABOUT) == 2
    assert list(read_rows(file, READINGS)) == ROWS
    schema = pq.read_schema(file)
    assert schema.metadata[b"meterd.plan"].decode() == ABOUT["plan"]
    assert all(schema.field(column.name).metadata[b"meaning"] for column in TABLES[READINGS])
    assert write_rows(tmp_path / "none.parquet", READINGS, [], ABOUT) == 0
    assert not (tmp_path / "none.parquet").exists()


def test_the_same_rows_are_the_same_file(tmp_path: Path) -> None:
    """So that a file that is written again has the name it had."""
    for name in ("a", "b"):
        write_rows(tmp_path / name, READINGS, ROWS, ABOUT)
    assert sha256_of(tmp_path / "a") == sha256_of(tmp_path / "b")


def test_every_table_of_a_store_has_its_columns() -> None:
    """As many as its rows have."""
    assert set(TABLES) == {READINGS, STATE, *FIGURES}
    for table, (_, columns) in FIGURES.items():
        names = 2 if "energy" in columns else 0
        assert len(TABLES[table]) == 2 + names + len(columns)


def test_damage_is_told(tmp_path: Path) -> None:
    """A file of another table, and one that is no Parquet."""
    file = tmp_path / "r.parquet"
    write_rows(file, READINGS, ROWS, ABOUT)
    with pytest.raises(StoreError, match=r"r\.parquet has no column period.*it is no table energy of an archive"):
        list(read_rows(file, "energy"))
    file.write_bytes(b"no Parquet at all")
    with pytest.raises(StoreError, match=r"r\.parquet cannot be read"):
        list(read_rows(file, READINGS))
