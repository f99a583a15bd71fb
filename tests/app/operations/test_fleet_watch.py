"""A watch of the sites at a real broker sees them come, change and go, and says which broker cannot be asked."""

import pytest

from meterd.adapters.mqtt.settings import LinkSettings
from meterd.app.operations.fleet_watch import FleetWatch
from meterd.core.topics.fleet_state import Condition
from meterd.core.topics.message import Service
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import now_ms, sending

HOUR = 3_600_000


def beat(version: str, ahead_ms: int = 0) -> bytes:
    """A heartbeat of this moment."""
    return (
        Service(True, "a1", 1, sequence=1, version=version, heartbeat_ms=now_ms() + ahead_ms, period_s=10)
        .message("e")
        .payload
    )


@pytest.mark.slow
def test_sites_are_seen_as_they_come_change_and_go() -> None:
    """A heartbeat that comes live tells a wrong clock; a finding that is cleared is gone; a broker that is away is named."""
    nobody = free_port()
    with Mosquitto() as broker, sending(broker.port) as out:
        assert until(out.connected)
        out.publish("energy/mill/service", beat("0.1.0", -2 * HOUR), retain=True)
        out.publish("energy/quay/service", beat("0.2.0"), retain=True)
        out.publish("energy/quay/finding/stale-q01", b'{"cause": "stale", "text": "q01 is silent"}', retain=True)
        assert until(lambda: out.unacknowledged() == 0)
        targets = [
            (LinkSettings(f"fleet-{port}", host="127.0.0.1", port=port, session_expiry_s=0), "energy")
            for port in (broker.port, nobody)
        ]
        with FleetWatch(targets, {}, now_ms) as watch:
            assert until(lambda: [len(site.findings) for site in watch.view().sites] == [0, 1])
            mill, quay = watch.view().sites
            assert (mill.condition, mill.older, quay.condition, quay.older) == (
                Condition.SILENT,
                True,
                Condition.LIVE,
                False,
            )
            out.publish("energy/mill/service", beat("0.1.0", -2 * HOUR), retain=True)
            out.clear("energy/quay/finding/stale-q01")
            assert until(lambda: [site.condition for site in watch.view().sites] == [Condition.CLOCK, Condition.LIVE])
            assert until(lambda: watch.view().sites[1].findings == ())
            assert until(lambda: [text.partition(": ")[0] for text in watch.view().troubles] == [f"127.0.0.1:{nobody}"])


@pytest.mark.slow
def test_a_site_whose_broker_does_not_answer_is_not_called_live() -> None:
    """Found by ending a broker below the page: its sites stood there as live, with their powers, for three heartbeats."""
    with Mosquitto() as broker:
        with sending(broker.port) as out:
            assert until(out.connected)
            out.publish("energy/mill/service", beat("0.2.0"), retain=True)
            assert until(lambda: out.unacknowledged() == 0)
        target = LinkSettings("fleet-away", host="127.0.0.1", port=broker.port, session_expiry_s=0)
        with FleetWatch([(target, "energy")], {}, now_ms) as watch:
            assert until(lambda: [site.condition for site in watch.view().sites] == [Condition.LIVE])
            broker.kill()
            assert until(lambda: [site.condition for site in watch.view().sites] == [Condition.UNASKED])
            assert len(watch.view().troubles) == 1
            broker.start()
            assert until(lambda: [site.condition for site in watch.view().sites] == [Condition.LIVE])
            assert watch.view().troubles == []
