"""Readings that come twice are stored once and not handed on, in one large batch as in single ones."""

from pathlib import Path

import pytest

from meterd.adapters.store.journal import ONE_BY_ONE, SqliteStore
from meterd.core.model.reading import Reading


def reading(step: int, point: str = "q01") -> Reading:
    """One reading a minute."""
    return Reading(point, "1.8.0", 1_767_225_600_000 + 60_000 * step, 1000 * step, 1_767_225_600_000, True, False)


@pytest.mark.parametrize("count", [1, ONE_BY_ONE - 1, ONE_BY_ONE, 500])
def test_only_new_readings_are_returned(count: int, tmp_path: Path) -> None:
    """A batch that repeats some of an earlier one, and itself, gives exactly what was not known yet, in its order."""
    store = SqliteStore.writer(tmp_path / "mill.sqlite")
    known = [reading(step) for step in range(0, count, 2)]
    wanted = [r for step in range(count) for r in (reading(step), reading(step, "q02")) if r not in known]
    batch = [r for step in range(count) for r in (reading(step), reading(step, "q02"), reading(step))]
    with store.transaction():
        assert store.add_readings(known) == known
    with store.transaction():
        assert store.add_readings(batch) == wanted
        assert store.add_readings(batch) == []
    assert store.reading_count() == 2 * count
    store.close()


def keep_and_fail(store: SqliteStore) -> None:
    """A transaction that keeps a large batch and then fails."""
    with store.transaction():
        assert len(store.add_readings([reading(step) for step in range(100)])) == 100
        raise RuntimeError


def test_a_batch_of_new_readings_is_kept_whole_or_not_at_all(tmp_path: Path) -> None:
    """What fails after a large batch takes the batch with it."""
    store = SqliteStore.writer(tmp_path / "mill.sqlite")
    with pytest.raises(RuntimeError):
        keep_and_fail(store)
    assert store.reading_count() == 0
    store.close()
