"""When a connection is made anew to fetch what a full inbox refused: once, and not while anything is in hand."""

import pytest

from meterd.mqtt import holding
from meterd.mqtt.holding import Holding

ROOM = 100


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(holding, "SETTLE_S", 0.0)


def test_nothing_is_fetched_where_nothing_was_refused() -> None:
    one = Holding()
    one.add(3)
    one.add(-3)
    assert not one.due(0, ROOM)


def test_what_was_refused_is_fetched_once_when_all_before_it_is_confirmed() -> None:
    one = Holding()
    one.add(2)
    one.missed = True
    assert not one.due(1, ROOM), "one lies in the inbox"
    assert not one.due(0, ROOM), "two are in somebody's hands"
    one.add(-1)
    assert not one.due(0, ROOM)
    one.add(-1)
    assert one.due(0, ROOM)
    assert not one.due(0, ROOM), "the new connection is under way"
    one.begin()
    assert not one.missed
    assert not one.due(0, ROOM)


def test_what_a_dead_thread_had_in_hand_is_fetched_without_waiting_for_it() -> None:
    one = Holding()
    one.add(5)
    one.lose()
    assert not one.due(ROOM // 4 + 1, ROOM), "there must be room for what comes again"
    assert one.due(ROOM // 4, ROOM)
    one.begin()
    assert not one.due(0, ROOM)


def test_what_is_never_confirmed_does_not_stop_the_flow_for_good(monkeypatch: pytest.MonkeyPatch) -> None:
    one = Holding()
    one.add(1)
    one.missed = True
    assert not one.due(0, ROOM)
    monkeypatch.setattr(holding, "FORGOTTEN_S", 0.0)
    assert not one.due(1, ROOM)
    assert one.due(0, ROOM)
