"""Orders that change the stored figures: carried out once, refused in words, taken up by the loop."""

import json
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.alarm_job import AlarmJob
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.order_handler import OrderHandler
from meterd.app.operations.orders import OrderFolder, new_order
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT
from tests.app.operations.test_ledger import BEGIN, SITE, ZONE
from tests.app.operations.test_recompute import HOUR, filled

F1 = json.dumps({"register": IMPORT, "factor": "5/4"})


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A new store."""
    return SqliteStore.writer(tmp_path / "s.sqlite")


def made(store: SqliteStore) -> tuple[OrderHandler, list[str]]:
    """One that carries out, and how often it said that all figures are done."""
    done: list[str] = []
    return OrderHandler(store, filled(store), SITE, lambda: done.append("done")), done


def test_an_order_is_carried_out_once(store: SqliteStore) -> None:
    """Found again after a power cut it changes nothing; the drift job is called once, when all figures are made."""
    order_handler, done = made(store)
    assert not order_handler.tick(BEGIN)
    order = new_order("correct", "f1", "Ada", "plate", details=F1, from_ms=BEGIN, until_ms=BEGIN + HOUR)
    assert order_handler.carry_out(order, BEGIN).startswith("correction 1: f1 import times 5/4 from ")
    assert order_handler.carry_out(order, BEGIN) == "correction 1 was entered before"
    assert order_handler.tick(BEGIN)
    assert done == []
    while order_handler.tick(BEGIN):
        pass
    assert done == ["done"]
    assert not order_handler.tick(BEGIN)
    assert done == ["done"]
    back = new_order("withdraw", "1", "Bo", "wrong")
    assert order_handler.carry_out(back, BEGIN).startswith("correction 1 is withdrawn: ")
    assert order_handler.carry_out(back, BEGIN) == "correction 1 was withdrawn before"
    assert len(store.corrections.all()) == 1
    record = new_order("record", "f1", "Ada", "n", details=json.dumps({"kind": "exchange", "details": {"a": "b"}}))
    assert order_handler.carry_out(record, BEGIN) == "record 1: exchange at f1"
    assert order_handler.carry_out(record, BEGIN) == "record 1 was stored before"


@pytest.mark.parametrize(
    ("kind", "what", "details", "expected"),
    [
        ("correct", "f1", "{}", "incomplete or not possible"),
        ("correct", "f1", "[]", "not an object"),
        ("correct", "f1", "{", "not JSON"),
        ("correct", "f9", F1, "reads no register"),
        ("correct", "f1", json.dumps({"register": "9.9", "factor": "2"}), "reads no register"),
        ("correct", "f1", json.dumps({"register": IMPORT, "factor": "1e3"}), "is not a factor"),
        ("withdraw", "5", "", "there is no correction 5"),
        ("record", "f1", json.dumps({"kind": "x"}), "incomplete or not possible"),
        ("record", "f1", json.dumps({"kind": "x", "details": 5}), "incomplete or not possible"),
        (
            "issue",
            "2026-05",
            json.dumps({"kind": "x", "sha256": "", "figures": [["a", "b", "c"]]}),
            "incomplete or not possible",
        ),
    ],
)
def test_what_cannot_be_done_is_said(store: SqliteStore, kind: str, what: str, details: str, expected: str) -> None:
    """Whatever lies in the folder of orders stops nothing and changes nothing."""
    order_handler, _ = made(store)
    order = new_order(kind, what, "Ada", "n", details=details, from_ms=BEGIN, until_ms=0)
    with pytest.raises(ConfigError, match=expected):
        order_handler.carry_out(order, BEGIN)
    assert (store.corrections.all(), store.records.all(), store.issued.all()) == ([], [], [])


def test_a_correction_that_ends_before_it_begins_is_none(store: SqliteStore) -> None:
    """Said in words."""
    order_handler, _ = made(store)
    order = new_order("correct", "f1", "Ada", "n", details=F1, from_ms=BEGIN + 5, until_ms=BEGIN + 5)
    with pytest.raises(ConfigError, match="ends before it begins"):
        order_handler.carry_out(order, BEGIN)


def test_the_loop_takes_orders_of_both_kinds_up(
    store: SqliteStore, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Those about findings go to the findings, the others to the store and the log; figures follow in pieces after the look."""
    path = tmp_path / "s.sqlite"
    order_handler, done = made(store)
    alarm_job, folder = AlarmJob(store, path, SITE, BEGIN, order_handler), OrderFolder(path)
    orders = [
        new_order("correct", "f1", "Ada", "plate", details=F1, from_ms=BEGIN, until_ms=BEGIN + HOUR),
        new_order("see", "stale-f1", "Ada"),
    ]
    for order in orders:
        folder.put(order)
    alarm_job.tick([], [], BEGIN + 9 * HOUR)
    while alarm_job.recompute(BEGIN + 9 * HOUR):
        pass
    first, second = (folder.answer(order) for order in orders)
    assert first is not None
    assert second is not None
    assert (first[0], second) == (True, (False, "there is no finding stale-f1; `meterd findings` lists them"))
    assert store.versions(("f1", IMPORT), Period.HOUR, BEGIN)[-1].reason == "correction 1"
    assert f"{first[1]}, by Ada: plate" in caplog.messages
    assert done == ["done"]
    alarm_job.close()
    bare = AlarmJob(store, path, SITE, BEGIN)
    order = new_order("withdraw", "1", "Ada", "n")
    folder.put(order)
    bare.tick([], [], BEGIN + 9 * HOUR)
    assert folder.answer(order) == (False, "this process does not change stored figures")
    bare.close()


def test_a_half_made_correction_goes_on_after_a_start(store: SqliteStore) -> None:
    """The next run finds what is left in the store."""
    order_handler, _ = made(store)
    order = new_order("correct", "f1", "Ada", "plate", details=F1, from_ms=BEGIN, until_ms=0)
    order_handler.carry_out(order, BEGIN)
    again = OrderHandler(store, Ledger(store, SITE, ZONE), SITE)
    assert again.tick(BEGIN)
    while again.tick(BEGIN):
        pass
    assert store.versions(("f1", IMPORT), Period.HOUR, BEGIN)[-1].energy == 50_000_000
