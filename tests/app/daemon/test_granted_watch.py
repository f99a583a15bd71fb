"""What a daemon knows of its meters decides how long it waits for a granted topic."""

from pathlib import Path

import pytest

from tests.brokers import Mosquitto, until
from tests.faults.mill import POINTS, message, now_ms, publish, reading_count, running, sending, site

pytestmark = pytest.mark.slow
LIMITS = "publish_every_s = 4, first_value_s = 4"
SLOW, QUICK = ("q01", "q02"), ("t1", "q03", "roof")
PERIOD_MS = {**dict.fromkeys(SLOW, 60_000), **dict.fromkeys(QUICK, 2_000)}


def test_meters_that_were_read_every_minute_are_waited_for_after_a_restart(tmp_path: Path) -> None:
    """Nothing comes from any meter; only those that sent every two seconds are late after four."""
    store = tmp_path / "s.sqlite"
    with Mosquitto(persistent=False) as broker:
        with running(site(broker.port, limits=LIMITS), store) as here, sending(broker.port) as out:
            assert until(out.connected)
            assert until(lambda: here.daemon.published() > 20, 60)
            begun = now_ms()
            sent = [
                (f"m/{point}", message(begun - back * PERIOD_MS[point], **{"import": 5_000.0 - back, "power": 300.0}))
                for back in (4, 3, 2, 1)
                for point in POINTS
            ]
            publish(out, sent)
            assert until(lambda: reading_count(store) == 2 * len(sent), 60)
        with running(site(broker.port, limits=LIMITS), store) as here:
            assert here.has("nothing-received-meters", 60), here.findings()
            finding = here.findings()["nothing-received-meters"]
            assert "on 3 of 5 topics" in finding.text
            assert finding.points == QUICK
