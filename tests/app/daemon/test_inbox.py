"""The queue takes only what may wait, and gives the loop ticks as large as the machine can take."""

import queue

import pytest

from meterd.adapters.sources import Delivery
from meterd.app.daemon import inbox as inbox_module
from meterd.app.daemon.inbox import Inbox
from meterd.app.daemon.step_runner import Counters
from meterd.core.model.reading import IMPORT, Reading
from tests.app.daemon.loops_by_hand import Silent

NOW = 1_777_852_800_000


def test_a_full_queue_sends_deliveries_back_and_counts_them() -> None:
    """The source holds it and slows its broker down; what was taken is in the hands of the loop in its order."""
    inbox, source = Inbox(Counters()), Silent()
    deliver = inbox.of("meters", source, 3)
    readings = [Reading("q01", IMPORT, NOW + i, i, NOW) for i in range(4)]
    deliver(Delivery(tuple(readings[:2])))
    deliver(Delivery(tuple(readings[2:])))
    with pytest.raises(queue.Full):
        deliver(Delivery(tuple(readings)))
    assert (inbox.readings, inbox.deliveries, inbox.counters.turned_away) == (4, 2, 1)
    assert inbox.heard_s.keys() == {"meters"}
    inbox.collect(0.0)
    assert [r for _, delivery in inbox.held for r in delivery.readings] == readings
    assert inbox.readings == 0


def test_many_readings_do_not_wait_for_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that has sent as much as may be unconfirmed sends no more before it is confirmed; few wait for their burst."""
    monkeypatch.setattr(inbox_module, "LINGER_S", 600.0)
    monkeypatch.setattr(inbox_module, "LINGER_MOST_S", 600.0)
    inbox, lulls = Inbox(Counters()), []
    deliver = inbox.of("meters", Silent(), 100_000)
    deliver(Delivery(tuple(Reading("q01", IMPORT, NOW + k, k, NOW) for k in range(inbox_module.LINGER_READINGS - 1))))
    last = Delivery((Reading("q01", IMPORT, NOW - 1, 1, NOW),))

    def lull() -> None:
        lulls.append(len(inbox.held))
        if len(lulls) == 1:
            deliver(last)

    inbox.collect(0.0, lull)
    assert lulls == [1, 2]
    assert inbox.held[-1][1] is last


def test_ticks_become_as_large_as_the_machine_can_take_in_a_second() -> None:
    """A slow machine with a long queue publishes between small ticks, and takes more again when it is quick."""
    inbox, source = Inbox(Counters()), Silent()
    deliver = inbox.of("meters", source, 100_000)
    for i in range(40):
        deliver(Delivery(tuple(Reading("q01", IMPORT, NOW + i * 1000 + k, k, NOW) for k in range(1000))))

    def size() -> int:
        inbox.held.clear()
        inbox.collect(0.0)
        return sum(len(delivery.readings) for _, delivery in inbox.held)

    assert size() == 20_000
    inbox.took(20_000, 10.0)
    assert size() == 2_000
    inbox.took(300, 0.01)  # says nothing about full ones
    assert size() == 2_000
    inbox.took(2_000, 0.4)
    assert size() == 4_000
    inbox.took(40, 60.0)
    assert size() == 1_000  # whole deliveries, 500 readings at least
    for _ in range(10):
        inbox.took(20_000, 0.1)
    assert inbox.at_once == 20_000
