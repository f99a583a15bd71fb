"""Issued documents are found by what they hold, and recorded once."""

from dataclasses import replace

from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.reading import EXPORT, IMPORT
from tests.adapters.store.entered import ISSUED


def test_documents_that_touch_a_register_and_a_time_are_found(store: SqliteStore) -> None:
    """By register and overlap, ends exclusive; the same content issued again is one document."""
    later = replace(ISSUED, period="2026-06", from_ms=2_000, until_ms=3_000, figures=(("q02", EXPORT, 7),))
    with store.transaction():
        assert [store.issued.add(ISSUED), store.issued.add(later), store.issued.add(ISSUED)] == [1, 2, 1]
    assert store.issued.all() == [replace(ISSUED, id=1), replace(later, id=2)]

    def touched(channel: tuple[str, str], low: int, high: int) -> list[int]:
        return [issue.id for issue in store.issued.containing([channel], low, high)]

    assert touched(("q01", IMPORT), 0, 2**62) == [1]
    assert touched(("q02", EXPORT), 1_999, 2_001) == [1, 2]
    assert touched(("q02", EXPORT), 2_000, 2_001) == [2]
    assert touched(("q02", EXPORT), 3_000, 2**62) == []
    assert touched(("q02", IMPORT), 0, 2**62) == []
