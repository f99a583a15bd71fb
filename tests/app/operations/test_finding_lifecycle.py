"""The life of findings: opened, renewed, distinguished from planned work, ordered about, closed, and back again."""

import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.finding_lifecycle import (
    CLOSED_HOLDS_MS,
    EVENT_LIFE_MS,
    LAST_SEEN_MS,
    REFUSED_LIFE_MS,
    FindingKeeper,
)
from meterd.app.operations.orders import new_order
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.finding import Finding, FindingRow, Life
from meterd.core.model.plan import Board, Input, Point, Role, Site

T = 1_780_000_000_000
S, H = 1000, 3_600_000
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(Point("t1", "north", Role.FEED), Point("q05", "north", Role.FEEDER), Point("q06", "north", Role.FEEDER)),
    inputs=tuple(Input(p, "16.7.0", "s", p) for p in ("t1", "q05", "q06")),
)
STALE = Finding("stale", "q05", T, "q05: nothing comes", "look", ("q05",))
RESET = Finding("reset", "q05", T, "q05: fell", "look", ("q05",))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """An empty store."""
    result = SqliteStore.writer(tmp_path / "s.sqlite")
    yield result
    result.close()


@pytest.fixture
def keeper(store: SqliteStore) -> FindingKeeper:
    """A keeper that has just begun."""
    return FindingKeeper(store, SITE)


def life(keeper: FindingKeeper) -> Life:
    (finding,) = keeper.open
    assert finding.life is not None
    return finding.life


def kept(store: SqliteStore) -> FindingRow:
    (row,) = store.finding_tables.all()
    return row


def notes(store: SqliteStore, name: str = "stale-q05") -> list[tuple[str, str, str]]:
    return [(n.state, n.person, n.note) for n in store.finding_tables.notes(name)]


def test_condition_opens_a_finding_and_its_end_closes_it(keeper: FindingKeeper, store: SqliteStore) -> None:
    """First and last seen, and the all-clear, with the time of each change."""
    for second in range(100):
        keeper.update([STALE], [], T + second * S)
    assert life(keeper) == Life("new", T, T)  # type: ignore[arg-type]
    keeper.update([], [], T + 100 * S)
    assert keeper.open == ()
    row = kept(store)
    assert (row.state, row.first_ms, row.last_ms, row.closed_ms, row.by) == ("closed", T, T + 99 * S, T + 100 * S, "")
    assert notes(store) == [("new", "", "")]
    keeper.update([], [], T + 700 * S)
    assert notes(store) == [("new", "", ""), ("closed", "", "its cause is gone")]
    assert store.finding_tables.notes("stale-q05")[1].at_ms == T + 100 * S


def test_last_seen_is_kept_every_five_minutes(keeper: FindingKeeper, store: SqliteStore) -> None:
    """A finding that lasts a month does not write every second."""
    for minute in range(12):
        keeper.update([STALE], [], T + minute * 60_000)
    assert kept(store).last_ms == life(keeper).last_ms == T + 2 * LAST_SEEN_MS


def test_beginning_stays_when_the_condition_only_says_now(keeper: FindingKeeper) -> None:
    """The topic of a finding does not change every second."""
    for second in range(3):
        keeper.update([replace(STALE, at_ms=T + second * S)], [], T + second * S)
    assert keeper.open[0].at_ms == T


def test_restart_goes_on_with_the_same_life(keeper: FindingKeeper, store: SqliteStore) -> None:
    """E1: also when the condition is found again only some seconds later."""
    keeper.update([STALE], [], T)
    keeper.carry_out(new_order("see", "stale-q05", "Ada"), T + S)
    again = FindingKeeper(store, SITE)
    again.update([], [], T + 60 * S)
    again.update([STALE], [], T + 75 * S)
    result = life(again)
    assert (result.state, result.first_ms, result.number, result.count) == ("seen", T, 1, 2)


def test_finding_that_flaps_is_one_finding_with_a_count(keeper: FindingKeeper, store: SqliteStore) -> None:
    """On and off every ten seconds for an hour: one life, 181 times, and one line of history."""
    store._db.execute("PRAGMA synchronous = OFF")  # the test is not about power cuts
    for second in range(0, 3600, 10):
        keeper.update([STALE] if second % 20 == 0 else [], [], T + second * S)
    keeper.update([STALE], [], T + 3600 * S)
    assert (life(keeper).number, life(keeper).count) == (1, 181)
    assert store.finding_tables.former("stale-q05") == []
    assert notes(store) == [("new", "", "")]


def test_end_before_a_restart_is_noted_after_it(keeper: FindingKeeper, store: SqliteStore) -> None:
    """The history is whole whenever the daemon stops."""
    keeper.update([STALE], [], T)
    keeper.update([], [], T + S)
    FindingKeeper(store, SITE).update([], [], T + H)
    FindingKeeper(store, SITE).update([], [], T + 2 * H)
    assert notes(store) == [("new", "", ""), ("closed", "", "its cause is gone")]


def test_closed_finding_comes_back_as_new_with_a_reference(keeper: FindingKeeper, store: SqliteStore) -> None:
    """Ten minutes later it is another one; the former stays readable."""
    keeper.update([STALE], [], T)
    keeper.carry_out(new_order("explain", "stale-q05", "Ada", "cable"), T + S)
    keeper.update([], [], T + 60 * S)
    keeper.update([], [], T + 660 * S)
    keeper.update([STALE], [], T + 661 * S)
    result = life(keeper)
    assert (result.state, result.first_ms, result.number, result.earlier_ms) == ("new", T + 661 * S, 2, T + 60 * S)
    (former,) = store.finding_tables.former("stale-q05")
    assert (former.number, former.first_ms, former.state) == (1, T, "closed")
    assert [state for state, _, _ in notes(store)] == ["new", "explained", "closed", "new"]
    assert "number 1 was closed" in notes(store)[-1][2]


def test_orders_change_the_state_with_person_and_note(keeper: FindingKeeper, store: SqliteStore) -> None:
    """New, seen, explained, closed: who, when and why stay for good."""
    keeper.update([STALE], [], T)
    texts = [
        keeper.carry_out(new_order(kind, "stale-q05", "Жанна", note), T + i * S)
        for i, (kind, note) in enumerate([("see", ""), ("explain", "Zähler getauscht"), ("close", "done")])
    ]
    assert texts == ["stale-q05 is seen", "stale-q05 is explained", "stale-q05 is closed"]
    assert notes(store)[1:] == [
        ("seen", "Жанна", ""),
        ("explained", "Жанна", "Zähler getauscht"),
        ("closed", "Жанна", "done"),
    ]
    assert (kept(store).state, kept(store).by) == ("closed", "Жанна")


def test_closed_by_a_person_stays_closed_while_its_cause_lasts_but_not_longer_than_a_day(keeper: FindingKeeper) -> None:
    """The cause goes on without a break: quiet for a day, then new with a reference."""
    keeper.update([STALE], [], T)
    keeper.carry_out(new_order("close", "stale-q05", "Ada", "will be mended"), T + S)
    for hour in range(1, 24):
        keeper.update([STALE], [], T + hour * H)
        assert keeper.open == ()
    keeper.update([STALE], [], T + S + CLOSED_HOLDS_MS)
    assert (life(keeper).state, life(keeper).number, life(keeper).earlier_ms) == ("new", 2, T + S)


def test_closed_by_a_person_and_back_is_new_at_once(keeper: FindingKeeper) -> None:
    """The cause was gone for a moment: mended, and broken again."""
    keeper.update([STALE], [], T)
    keeper.carry_out(new_order("close", "stale-q05", "Ada", "mended"), T + S)
    keeper.update([], [], T + 2 * S)
    keeper.update([STALE], [], T + 3 * S)
    assert life(keeper).number == 2


def test_what_happened_is_counted_and_stays_open_for_a_day(keeper: FindingKeeper, store: SqliteStore) -> None:
    """A reset is over at once; the finding is for the person."""
    keeper.update([], [RESET], T + S)
    keeper.update([], [replace(RESET, at_ms=T + H)], T + H)
    assert (life(keeper).count, life(keeper).first_ms, life(keeper).last_ms) == (2, T, T + H)
    keeper.update([], [], T + H + EVENT_LIFE_MS + 1)
    assert keeper.open == ()
    keeper.update([], [RESET], T + 2 * EVENT_LIFE_MS)  # followed again from history
    assert keeper.open == ()
    keeper.update([], [replace(RESET, at_ms=T + 3 * EVENT_LIFE_MS)], T + 3 * EVENT_LIFE_MS)
    assert life(keeper).number == 2


def test_seen_event_is_new_when_it_happens_again_and_an_explained_one_is_not(
    keeper: FindingKeeper, store: SqliteStore
) -> None:
    """Who explained it knows that it happens."""
    keeper.update([], [RESET], T)
    keeper.carry_out(new_order("see", "reset-q05", "Ada"), T + S)
    keeper.update([], [replace(RESET, at_ms=T + H)], T + H)
    assert life(keeper).state == "new"
    keeper.carry_out(new_order("explain", "reset-q05", "Ada", "bad supply"), T + H + S)
    keeper.update([], [replace(RESET, at_ms=T + 2 * H)], T + 2 * H)
    assert (life(keeper).state, life(keeper).count) == ("explained", 3)


def test_refused_values_are_over_when_no_more_come(keeper: FindingKeeper) -> None:
    """The count since the start never falls; an hour without another one is the all-clear."""
    refused = Finding("refused-power", "q05", T, "q05: 7 values refused", points=("q05",))
    keeper.update([refused], [], T)
    keeper.update([refused], [], T + REFUSED_LIFE_MS - 1)
    assert len(keeper.open) == 1
    keeper.update([refused], [], T + REFUSED_LIFE_MS)
    assert keeper.open == ()
    keeper.update([replace(refused, text="q05: 8 values refused")], [], T + REFUSED_LIFE_MS + S)
    assert len(keeper.open) == 1


def test_reported_suspicions_hold_until_the_reporter_says_otherwise(keeper: FindingKeeper) -> None:
    """A drift watch speaks once a day; the loop asks every second."""
    keeper.report("drift", [Finding("drift", "q06", T, "q06 reads 2 % high", points=("q06",))])
    keeper.update([STALE], [], T)
    keeper.update([STALE], [], T + H)
    assert [f.id for f in keeper.open] == ["drift-q06", "stale-q05"]
    keeper.report("drift", [])
    keeper.update([STALE], [], T + 2 * H)
    assert [f.id for f in keeper.open] == ["stale-q05"]


def test_grouping_belongs_to_the_life_of_a_finding(keeper: FindingKeeper) -> None:
    """One stale point; then the board falls silent: one finding, the former is over; the balance never appears."""
    keeper.update([STALE], [], T)
    all_stale = [replace(STALE, subject=p, points=(p,), text=p) for p in ("t1", "q05", "q06")]
    missing = Finding("not-computable", "north", T, "not computable", points=("q05", "q06"))
    keeper.update([*all_stale, missing], [], T + S)
    assert [f.id for f in keeper.open] == ["silent-source-s"]
    keeper.update([missing], [], T + 2 * S)  # the points are back, the balance still lacks them
    assert keeper.open == ()
    keeper.update([missing], [], T + H)
    assert [f.id for f in keeper.open] == ["not-computable-north"]
    rows = {row.finding.id: row for row in keeper.rows(0)}
    assert (rows["stale-q05"].state, rows["stale-q05"].part_of) == ("closed", "silent-source-s")
    assert (rows["silent-source-s"].state, rows["silent-source-s"].part_of) == ("closed", "")
    assert notes(keeper._store)[-1] == ("closed", "", "part of silent-source-s")


# -- planned work ------------------------------------------------------------------------------------------------------


def window(what: str, until: int, **more: str | int) -> object:
    return new_order("suppress", what, "Ada", "meter exchange", from_ms=T, until_ms=until, **more)


def test_planned_work_is_recorded_and_not_shown(keeper: FindingKeeper, store: SqliteStore) -> None:
    """Neither topic nor notice while it lasts; afterwards it is reported if it is still there."""
    keeper.carry_out(window("q05", T + H), T)  # type: ignore[arg-type]
    keeper.update([STALE, replace(STALE, subject="q06", points=("q06",))], [], T + S)
    assert [f.id for f in keeper.open] == ["stale-q06"]
    assert {r.finding.id: r.suppressed for r in store.finding_tables.all()} == {"stale-q05": True, "stale-q06": False}
    assert {r.finding.id: r.suppressed for r in keeper.rows(T)} == {"stale-q05": True, "stale-q06": False}
    assert notes(store)[-1] == ("new", "Ada", "no notification: planned work, meter exchange")
    again = FindingKeeper(store, SITE)
    again.update([STALE], [], T + H - 1)
    assert again.open == ()
    again.update([STALE], [], T + H)
    assert [f.id for f in again.open] == ["stale-q05"]
    assert notes(store)[-1] == ("new", "", "planned work is over")


def test_planned_work_of_a_board_covers_its_points_and_its_balance(keeper: FindingKeeper) -> None:
    """One window for a board that is worked on."""
    keeper.carry_out(window("north", T + H), T)  # type: ignore[arg-type]
    keeper.update([STALE, Finding("outside-band", "north", T, "x"), Finding("store", "mill", T, "y")], [], T + S)
    assert [f.id for f in keeper.open] == ["store-mill"]


def test_planned_work_can_end_earlier(keeper: FindingKeeper) -> None:
    """By its number; a number that does not exist is refused."""
    assert keeper.carry_out(window("q05", T + H), T).startswith("window 1: ")  # type: ignore[arg-type]
    keeper.update([STALE], [], T + S)
    assert keeper.open == ()
    assert keeper.carry_out(new_order("resume", "1", "Ada"), T + 2 * S) == "window 1 has ended"
    keeper.update([STALE], [], T + 3 * S)
    assert len(keeper.open) == 1
    with pytest.raises(ConfigError, match="there is no window 1 that has not ended"):
        keeper.carry_out(new_order("resume", "1", "Ada"), T + 4 * S)


# -- orders and a store that refuses -----------------------------------------------------------------------------------


def test_order_is_carried_out_once(keeper: FindingKeeper, store: SqliteStore) -> None:
    """D4: killed between the commit and taking the file away, it is found again after the start."""
    keeper.update([STALE], [], T)
    order, later = new_order("see", "stale-q05", "Ada"), window("q05", T + H)
    for item in (order, later):
        keeper.carry_out(item, T + S)  # type: ignore[arg-type]
    again = FindingKeeper(store, SITE)
    for item in (order, later):
        assert again.carry_out(item, T + 2 * S) == "was carried out before"  # type: ignore[arg-type]
    assert len(notes(store)) == 2
    assert len(store.finding_tables.suppressions(T)) == 1


@pytest.mark.parametrize(
    ("name", "expected"), [("stale-q99", "there is no finding stale-q99"), ("stale-q05", "is closed already")]
)
def test_order_for_what_is_not_open_is_refused(keeper: FindingKeeper, name: str, expected: str) -> None:
    """The words say where to look."""
    keeper.update([STALE], [], T)
    keeper.update([], [], T + S)
    with pytest.raises(ConfigError, match=expected):
        keeper.carry_out(new_order("see", name, "Ada"), T + 2 * S)


def test_store_that_refuses_loses_no_change(keeper: FindingKeeper, store: SqliteStore, tmp_path: Path) -> None:
    """D6: findings are right in memory meanwhile and written as soon as it can be; an order waits."""
    keeper.update([STALE], [], T)
    blocker = sqlite3.connect(tmp_path / "s.sqlite", isolation_level=None)
    store._db.execute("PRAGMA busy_timeout = 10")
    blocker.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError):
        keeper.update([], [], T + S)
    with pytest.raises(StoreError):
        keeper.update([], [RESET], T + 2 * S)
    with pytest.raises(StoreError):
        keeper.carry_out(new_order("see", "reset-q05", "Ada"), T + 2 * S)
    assert [(f.id, f.life.state if f.life else "") for f in keeper.open] == [("reset-q05", "new")]
    blocker.execute("ROLLBACK")
    blocker.close()
    keeper.update([], [], T + 700 * S)
    assert {r.finding.id: r.state for r in store.finding_tables.all()} == {"stale-q05": "closed", "reset-q05": "new"}
    assert notes(store) == [("new", "", ""), ("closed", "", "its cause is gone")]


# -- any course of events ----------------------------------------------------------------------------------------------

NAMES = ("stale-q05", "outside-band-north", "drift-q06")
CONDITIONS = [Finding(name.rpartition("-")[0], name.rpartition("-")[2], T, name) for name in NAMES]
STEP = st.tuples(
    st.sets(st.integers(0, 2)),  # which conditions hold
    st.sampled_from([1, 61, 301, 601, 4000]),  # seconds since the step before
    st.sampled_from(["", "", "see", "explain"]),
    st.integers(0, 2),
)


def course(steps: list[tuple[set[int], int, str, int]], restarts: set[int]) -> dict[str, object]:
    """Play a course of events, beginning anew from the store before some of the steps."""
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore.writer(Path(folder) / "s.sqlite")
        store._db.execute("PRAGMA synchronous = OFF")
        keeper, now = FindingKeeper(store, SITE), T
        keeper.report("drift", ())  # the days have been examined
        for i, (holding, seconds, order, which) in enumerate(steps):
            if i in restarts:
                keeper = FindingKeeper(store, SITE)
                keeper.report("drift", ())
            now += seconds * S
            keeper.update([CONDITIONS[k] for k in sorted(holding)], [], now)
            if order and which in holding:
                keeper.carry_out(replace(new_order(order, NAMES[which], "Ada", "why"), name=f"{i}"), now)
            assert {f.id for f in keeper.open} == {NAMES[k] for k in holding}
            assert {r.finding.id for r in store.finding_tables.all() if r.state != "closed"} == {
                NAMES[k] for k in holding
            }
        results: dict[str, object] = {
            r.finding.id: (r.state, r.first_ms, r.closed_ms, r.number, r.count, r.earlier_ms)
            for r in store.finding_tables.all()
        }
        for name in NAMES:
            lives = store.finding_tables.former(name)
            assert [r.number for r in lives] == list(range(1, len(lives) + 1))
            results[f"notes of {name}"] = sorted(
                (n.at_ms, n.number, n.state, n.note) for n in store.finding_tables.notes(name)
            )
        store.close()
        return results


@given(st.lists(STEP, min_size=1, max_size=15), st.sets(st.integers(0, 14), max_size=5))
@settings(max_examples=40, deadline=None)
def test_any_restart_gives_the_same_findings(steps: list[tuple[set[int], int, str, int]], restarts: set[int]) -> None:
    """E1: states, lives, counts and history are a function of what happened, not of when the daemon was started."""
    assert course(steps, restarts) == course(steps, set())


def test_after_a_start_a_drift_finding_stands_until_the_days_have_been_examined(tmp_path: Path) -> None:
    """A restart used to close it for a minute. The end that the watch tells stands before its text, and in the history."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    drift = Finding("drift", "q06", T, "q06 reads -4.00 % +- 0.20 % than before")
    keeper = FindingKeeper(store, SITE)
    keeper.report("drift", [drift])
    keeper.update([], [], T)
    again = FindingKeeper(store, SITE)
    again.update([], [], T + S)
    assert [finding.id for finding in again.open] == ["drift-q06"]
    again.report("drift", (), {"drift-q06": "q06 reads as before since 2026-05-20"})
    again.update([], [], T + 2 * S)
    assert again.open == ()
    again.update([], [], T + 2000 * S)
    (row,) = store.finding_tables.all()
    assert row.finding.text == "q06 reads as before since 2026-05-20; q06 reads -4.00 % +- 0.20 % than before"
    assert [n.note for n in store.finding_tables.notes("drift-q06")][-1] == "q06 reads as before since 2026-05-20"
    store.close()
