"""Records of work come in the order of events."""

from dataclasses import replace

from meterd.adapters.store.journal import SqliteStore
from tests.adapters.store.entered import RECORD


def test_records_of_a_point_come_in_the_order_of_events(store: SqliteStore) -> None:
    """Whenever they were entered."""
    with store.transaction():
        assert store.records.add(RECORD, "order-1") == 1
        assert store.records.add(replace(RECORD, at_ms=1_000, details={})) == 2
        assert store.records.add(replace(RECORD, point="q02")) == 3
    assert [record.id for record in store.records.all("q01")] == [2, 1]
    assert store.records.all("q01")[1] == replace(RECORD, id=1)
    assert len(store.records.all()) == 3
    assert (store.records.carried_out("order-1"), store.records.carried_out("x")) == (1, None)
