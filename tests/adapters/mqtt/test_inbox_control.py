"""When a connection is made anew to fetch what a full inbox refused: once, and not while anything is in hand."""

import pytest

from meterd.adapters.mqtt import inbox_control as holding
from meterd.adapters.mqtt.inbox_control import InboxControl

ROOM = 100


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(holding, "SETTLE_S", 0.0)


def test_nothing_is_fetched_where_nothing_was_refused() -> None:
    inbox_control = InboxControl()
    inbox_control.add(3)
    inbox_control.add(-3)
    assert not inbox_control.due(0, ROOM)


def test_what_was_refused_is_fetched_once_when_all_before_it_is_confirmed() -> None:
    inbox_control = InboxControl()
    inbox_control.add(2)
    inbox_control.missed = True
    assert not inbox_control.due(1, ROOM), "one lies in the inbox"
    assert not inbox_control.due(0, ROOM), "two are in somebody's hands"
    inbox_control.add(-1)
    assert not inbox_control.due(0, ROOM)
    inbox_control.add(-1)
    assert inbox_control.due(0, ROOM)
    assert not inbox_control.due(0, ROOM), "the new connection is under way"
    inbox_control.begin()
    assert not inbox_control.missed
    assert not inbox_control.due(0, ROOM)


def test_what_a_dead_thread_had_in_hand_is_fetched_without_waiting_for_it() -> None:
    inbox_control = InboxControl()
    inbox_control.add(5)
    inbox_control.lose()
    assert not inbox_control.due(ROOM // 4 + 1, ROOM), "there must be room for what comes again"
    assert inbox_control.due(ROOM // 4, ROOM)
    inbox_control.begin()
    assert not inbox_control.due(0, ROOM)


def test_what_is_never_confirmed_does_not_stop_the_flow_for_good(monkeypatch: pytest.MonkeyPatch) -> None:
    inbox_control = InboxControl()
    inbox_control.add(1)
    inbox_control.missed = True
    assert not inbox_control.due(0, ROOM)
    monkeypatch.setattr(holding, "FORGOTTEN_S", 0.0)
    assert not inbox_control.due(1, ROOM)
    assert inbox_control.due(0, ROOM)
