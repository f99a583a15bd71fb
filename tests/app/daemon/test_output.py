"""The way out of a daemon stays while plans change, as far as its settings do: a real broker, connected to over its port."""

import socket
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.opening import open_to_write
from meterd.app.daemon.output import Output
from meterd.core.model.plan import Site
from tests.brokers import free_port, until
from tests.faults.mill import site

pytestmark = pytest.mark.slow


def embedded(port: int, client_id: str = "") -> Site:
    """The mill with a broker of the daemon's own."""
    plan = site()
    return replace(plan, broker=replace(plan.broker, embedded=True, port=port, client_id=client_id))


def listens(port: int) -> bool:
    """Whether somebody takes connections there."""
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5):
        return True
    return False


@pytest.fixture
def output(tmp_path: Path) -> Iterator[Output]:
    """Of a store whose last run had published."""
    with open_to_write(tmp_path / "s.sqlite") as store:
        with store.transaction():
            store.set_fact("epoch", "5")
            store.set_fact("sequence", "900")
        result = Output(store)
        yield result
        result.close()


def test_a_plan_with_the_same_settings_keeps_broker_and_publisher(output: Output) -> None:
    """Consumers keep their connections; another client id is another publisher, at the same broker."""
    port = free_port()
    publisher = output.serve(embedded(port))
    assert listens(port)
    assert publisher.sequence == 900, "consumers see no number twice"
    assert output.threads().keys() == {"broker-watch", "publisher"}
    changed = replace(embedded(port), limits=replace(site().limits, stale_after_s=60))
    assert output.serve(changed) is publisher
    with socket.create_connection(("127.0.0.1", port), timeout=5) as consumer:
        assert output.serve(embedded(port, "another")) is not publisher
        consumer.settimeout(0.2)
        with pytest.raises(TimeoutError):
            consumer.recv(1)  # nobody has closed it


def test_another_port_is_another_broker_and_the_end_closes_it(output: Output) -> None:
    """The old one is gone when the new one serves; after the end nothing listens and nothing is watched."""
    first, second = free_port(), free_port()
    before = output.serve(embedded(first))
    assert output.serve(embedded(second)) is not before
    assert listens(second)
    assert until(lambda: not listens(first))
    output.close()
    assert until(lambda: not listens(second))
    assert output.threads() == {}
    assert output.published() == 0


def test_a_plan_with_a_broker_elsewhere_ends_the_own_one(output: Output) -> None:
    port = free_port()
    output.serve(embedded(port))
    output.serve(site(free_port()))
    assert until(lambda: not listens(port))
    assert output.threads().keys() == {"publisher"}
