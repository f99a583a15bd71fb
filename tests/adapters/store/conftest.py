"""A new store for each test that asks for one."""

from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A new store."""
    return SqliteStore.writer(tmp_path / "s.sqlite")
