"""Faults of derived values (G1, G2, G3, G7, G9): a dead or mixed input never becomes a value that somebody acts on.

Sharing and its faults (G4, G5, G11, ...) are tried in the closed loop of tests/simulator/test_sharing.py.
"""

import json
import time
from pathlib import Path

import pytest

from tests.brokers import Mosquitto, crowd, until
from tests.faults.mill import message, now_ms, publish, running, sending, site
from tests.faults.test_b_broker import BROKER, ROOT, hearing

NOON = {"t1": -8_000.0, "roof": 20_000.0, "q01": 4_000.0, "q02": 5_000.0, "q03": 3_000.0}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("silent", "moved", "wanted"), [("q02", {"t1": -9_000.0}, 9_000.0), ("t1", {"q01": 6_000.0}, 6_000.0)]
)
def test_g2_with_a_stale_feeder_the_connection_decides_and_with_a_stale_feed_the_board(
    tmp_path: Path, silent: str, moved: dict[str, float], wanted: float
) -> None:
    """One meter falls silent and another reads otherwise: the surplus follows the path that is left, and stays valid."""
    limits = "power_max_age_s = 2, publish_every_s = 4"
    with (
        Mosquitto(BROKER) as broker,
        hearing(broker) as seen,
        sending(broker.port) as out,
        running(site(broker.port, limits=limits), tmp_path / "s.sqlite"),
    ):

        def follows(powers: dict[str, float], surplus: float) -> bool:
            publish(out, [(f"m/{p}", message(now_ms(), power=w)) for p, w in powers.items()])
            return float(seen.get(f"{ROOT}/pv/surplus/plain", [b"nan"])[-1]) == surplus

        assert until(lambda: follows(NOON, 8_000.0), 60)
        rest = {p: w for p, w in (NOON | moved).items() if p != silent}
        assert until(lambda: follows(rest, wanted), 30)
        begun = time.monotonic()
        while time.monotonic() - begun < 3:
            assert follows(rest, wanted), "it stands although one meter is silent for longer than it is believed"
            time.sleep(0.2)


@pytest.mark.slow
def test_g1_g7_on_the_network_the_surplus_dies_with_its_meter_and_begins_invalid(tmp_path: Path) -> None:
    """A daemon that starts at noon says invalid and 0 until it has read; and again soon after the PV meter fell silent."""
    with Mosquitto(BROKER) as broker, hearing(broker) as seen, sending(broker.port) as out:
        plan = site(broker.port, limits="power_max_age_s = 2, publish_every_s = 4")
        with running(plan, tmp_path / "s.sqlite"):

            def surplus() -> tuple[object, object]:
                packs = seen.get(f"{ROOT}/pv/surplus", [b"[]"])
                records = json.loads(packs[-1])
                value = next((r["v"] for r in records if "v" in r), None)
                return value, next((r["vs"] for r in records if "vs" in r), None)

            assert until(lambda: surplus()[1] == "invalid", 30)
            assert float(seen[f"{ROOT}/pv/surplus/plain"][-1]) == 0.0
            until_s = time.monotonic() + 30 * crowd()
            while surplus() != (8_000.0, "good") and time.monotonic() < until_s:
                publish(out, [(f"m/{p}", message(now_ms(), power=w)) for p, w in NOON.items()])
                time.sleep(0.2)
            assert surplus() == (8_000.0, "good")
            begun = time.monotonic()
            while surplus()[1] != "invalid" and time.monotonic() - begun < 8 * crowd():
                publish(out, [(f"m/{p}", message(now_ms(), power=w)) for p, w in NOON.items() if p != "roof"])
                time.sleep(0.2)
            assert surplus()[1] == "invalid"
            assert time.monotonic() - begun < 5 * crowd()
            assert float(seen[f"{ROOT}/pv/surplus/plain"][-1]) == 0.0
