"""Orders of people reach the process that writes; whatever else lies in the folder does no harm."""

import json
import os
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import pytest

from meterd.app.operations.orders import AT_ONCE, LARGEST_BYTES, Order, OrderFolder, new_order
from meterd.core.errors import ConfigError, StoreError


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Where a store would lie."""
    return tmp_path / "s.sqlite"


def folder(store: Path) -> Path:
    return store.with_name("s.sqlite.orders")


def test_order_arrives_is_answered_and_gone(store: Path) -> None:
    """Both sides, in turn."""
    asks, does = OrderFolder(store), OrderFolder(store)
    order = new_order("explain", "stale-q05", "Жанна", "Zähler wird getauscht")
    seen: list[Order] = []

    def work(order: Order) -> str:
        seen.append(order)
        return "done so"

    asks.put(order)
    assert asks.answer(order) is None
    assert does.carry_out(work) == 1
    assert seen == [order]
    assert asks.answer(order) == (True, "done so")
    assert asks.answer(order) is None
    assert list(folder(store).iterdir()) == []
    assert does.carry_out(work) == 0


def test_refusal_is_an_answer(store: Path) -> None:
    """The words of a ConfigError reach the person."""

    def refuse(order: Order) -> str:
        raise ConfigError(f"there is no finding {order.what}")

    asks, order = OrderFolder(store), new_order("see", "stale-q99", "Ada")
    asks.put(order)
    OrderFolder(store).carry_out(refuse)
    assert asks.answer(order) == (False, "there is no finding stale-q99")


def test_store_that_refuses_leaves_the_order_for_later(store: Path) -> None:
    """D6: nothing is lost while the disk is full."""

    def fail(_: Order) -> str:
        raise StoreError("disk full")

    asks, order = OrderFolder(store), new_order("see", "stale-q05", "Ada")
    asks.put(order)
    with pytest.raises(StoreError):
        OrderFolder(store).carry_out(fail)
    assert OrderFolder(store).carry_out(lambda _: "ok") == 1


def test_order_can_be_withdrawn_until_it_is_fetched(store: Path) -> None:
    """A command that gets no answer takes its order back, so that nothing happens behind the person's back."""
    asks, order = OrderFolder(store), new_order("see", "stale-q05", "Ada")
    asks.put(order)
    assert asks.withdraw(order)
    assert not asks.withdraw(order)


def test_oldest_first_and_not_too_many_at_once(store: Path) -> None:
    """A flood of orders does not stop the loop."""
    asks, seen = OrderFolder(store), []
    orders = [new_order("see", f"stale-q{i}", "Ada") for i in range(AT_ONCE + 5)]
    for order in reversed(orders):
        asks.put(order)

    def work(order: Order) -> str:
        seen.append(order.what)
        return ""

    assert OrderFolder(store).carry_out(work) == AT_ONCE
    assert OrderFolder(store).carry_out(work) == 5
    assert seen == [order.what for order in orders]


def spoilt(**changes: object) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        path.write_text(json.dumps({**asdict(new_order("see", "stale-q05", "Ada")), **changes}))

    return write


BAD: dict[str, Callable[[Path], object]] = {
    "no JSON": lambda p: p.write_bytes(b"\xff\xfe{"),
    "empty": lambda p: p.write_bytes(b""),
    "a list": lambda p: p.write_text("[]"),
    "nested deep": lambda p: p.write_text("[" * 8000),
    "too large": lambda p: p.write_bytes(b" " * (LARGEST_BYTES + 1)),
    "a link": lambda p: p.symlink_to("/etc/hostname"),
    "a pipe": os.mkfifo,
    "unknown kind": spoilt(kind="delete"),
    "unknown key": spoilt(colour="red"),
    "line break": spoilt(person="Ada\nBcc: x"),
    "no person": spoilt(person=""),
    "no text": spoilt(note=7),
    "no time": spoilt(kind="suppress", note="x", from_ms="now", until_ms=2),
    "window ends before it begins": spoilt(kind="suppress", note="x", from_ms=2, until_ms=2),
    "window without number": spoilt(kind="resume", what="last"),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_order_is_refused_and_does_no_harm(store: Path, name: str) -> None:
    """Whatever lies there, a sound order beside it is carried out."""
    asks, order = OrderFolder(store), new_order("see", "stale-q05", "Ada")
    asks.put(order)
    BAD[name](folder(store) / "00000000000000000000-00000000.order")
    done: list[Order] = []

    def work(order: Order) -> str:
        done.append(order)
        return "ok"

    assert OrderFolder(store).carry_out(work) == 2
    assert done == [order]


def test_without_folder_there_is_nothing_to_do(store: Path) -> None:
    """Before the first order."""
    assert OrderFolder(store).carry_out(lambda _: "ok") == 0


def test_folder_among_the_orders_is_left_alone(store: Path) -> None:
    """It is no order, and it could not be taken away."""
    OrderFolder(store).put(new_order("see", "x", "Ada"))
    (folder(store) / "00000000000000000000-00000000.order").mkdir()
    assert OrderFolder(store).carry_out(lambda _: "ok") == 1


def test_strange_names_are_left_alone(store: Path) -> None:
    """H8: no path, no half-written file."""
    OrderFolder(store).put(new_order("see", "x", "Ada"))
    (folder(store) / "..zz.order").write_text("{}")
    (folder(store) / ".x.order.part").write_text("{}")
    assert OrderFolder(store).carry_out(lambda _: "ok") == 1


def test_answer_that_nobody_fetched_is_forgotten_after_an_hour(store: Path) -> None:
    """The folder does not grow."""
    asks, order = OrderFolder(store), new_order("see", "stale-q05", "Ada")
    asks.put(order)
    OrderFolder(store).carry_out(lambda _: "ok")
    (path,) = folder(store).iterdir()
    os.utime(path, (1, 1))
    OrderFolder(store).carry_out(lambda _: "ok")
    assert not path.exists()


def test_folder_that_cannot_be_made_is_reported(tmp_path: Path) -> None:
    """A StoreError with the place."""
    (tmp_path / "s.sqlite.orders").write_text("a file")
    with pytest.raises(StoreError, match="cannot leave an order"):
        OrderFolder(tmp_path / "s.sqlite").put(new_order("see", "x", "Ada"))


@pytest.mark.parametrize(
    ("kind", "what", "person", "note", "expected"),
    [
        ("see", "", "Ada", "", "what cannot be stored: it is empty"),
        ("explain", "x", "Ada", "", "note cannot be stored: it is empty"),
        ("close", "x", "", "why", "person cannot be stored"),
        ("see", "x", "Ada", "a\nb", "note cannot be stored: it holds a line break"),
        ("lose", "x", "Ada", "", "nobody can 'lose' here"),
        ("resume", "1e3", "Ada", "", "is not the number of a window"),
    ],
)
def test_new_order_says_what_is_wrong(kind: str, what: str, person: str, note: str, expected: str) -> None:
    """Before anything is written."""
    with pytest.raises(ConfigError, match=expected):
        new_order(kind, what, person, note)
