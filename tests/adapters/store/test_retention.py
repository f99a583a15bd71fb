"""Which readings may leave the journal: never the newest of a register, never the last number, never what is not proven."""

from meterd.adapters.store.change_feed import Mark, Position
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.retention import Prunable, Pruning, prunable, prune
from meterd.core.model.reading import IMPORT, POWER, Reading

OLD, SILENT, POWERS = ("q01", IMPORT), ("q02", IMPORT), ("q01", POWER)
CUT = 100_000  # ms


def fill(store: SqliteStore) -> None:
    """Ten readings of one register, five of them before the cut, and two of a register that is silent since long ago."""
    rows = [Reading(*OLD, 20_000 * k, k, 0) for k in range(10)] + [Reading(*SILENT, 1_000 * k, k, 0) for k in range(2)]
    with store.transaction():
        store.add_readings(rows)


def times(store: SqliteStore) -> dict[tuple[str, str], list[int]]:
    """The times that are still there, by register."""
    rows = store.connection.execute(
        "SELECT point, register, at_ms FROM reading JOIN channel ON id = channel ORDER BY at_ms"
    ).fetchall()
    return {channel: [row[2] for row in rows if row[:2] == channel] for channel in {row[:2] for row in rows}}


def test_the_newest_of_a_silent_register_stays_and_what_is_said_to_go_goes(store: SqliteStore) -> None:
    fill(store)
    what = prunable(store, {OLD: CUT, SILENT: CUT})
    assert what == {OLD: Prunable(CUT, 0, 5, 5), SILENT: Prunable(CUT, 0, 1, 2)}
    assert prune(store, what) == 6
    assert times(store) == {OLD: [20_000 * k for k in range(5, 10)], SILENT: [1_000]}
    assert prunable(store, {OLD: CUT, SILENT: CUT}) == {}, "nothing is left to say"


def test_the_last_number_is_never_given_again(store: SqliteStore) -> None:
    """The reading that came last stays although it is old and not the newest of its register."""
    fill(store)
    with store.transaction():
        store.add_readings([Reading(*OLD, 10_000, 77, 0)])
    what = prunable(store, {OLD: CUT})
    assert what[OLD] == Prunable(CUT, 0, 5, 6)
    last = store.connection.execute("SELECT MAX(seq) FROM reading").fetchone()
    prune(store, what)
    assert store.connection.execute("SELECT MAX(seq) FROM reading").fetchone() == last
    assert times(store)[OLD][0] == 10_000


def test_what_a_database_has_not_been_seen_to_hold_stays(store: SqliteStore) -> None:
    fill(store)
    with store.transaction():
        store.outbox.serve("http://mill.test one")
        store.outbox.keep([Mark(1, 0, Position(3, 0))], [])
    what = prunable(store, {OLD: CUT, SILENT: CUT})
    assert what == {OLD: Prunable(CUT, 0, 3, 5)}
    assert prune(store, what) == 3
    assert times(store)[OLD][:2] == [60_000, 80_000]


def test_steps_end_in_time_and_a_new_start_goes_on_with_what_is_there(store: SqliteStore) -> None:
    """A step of two readings deletes two at most; begun anew in the middle nothing is deleted twice or forgotten."""
    fill(store)
    what = prunable(store, {OLD: CUT, SILENT: CUT})
    first = Pruning(store, what)
    assert first.step(2)
    assert first.gone == 2
    again = Pruning(store, prunable(store, {OLD: CUT, SILENT: CUT}))
    while again.step(3):
        pass
    assert again.gone == 4
    assert not again.step(3), "nothing is left"
    assert times(store) == {OLD: [20_000 * k for k in range(5, 10)], SILENT: [1_000]}
