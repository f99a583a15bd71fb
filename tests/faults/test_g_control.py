"""Faults of derived values (G1, G2, G3, G7, G9): a dead or mixed input never becomes a value that somebody acts on.

Sharing and its faults (G4, G5, G11, ...) are tried in the closed loop of tests/simulator/test_sharing.py.
"""

import json
import time
from pathlib import Path

import pytest

from meterd.core.model.plan import Site
from meterd.core.model.reading import POWER, Quality
from meterd.core.model.snapshot import Now
from meterd.core.pv.figures import surplus_now
from tests.brokers import Mosquitto, until
from tests.faults.mill import MAY, message, now_ms, publish, running, sending, site
from tests.faults.test_b_broker import BROKER, ROOT, hearing

NOON = {"t1": -8_000.0, "roof": 20_000.0, "q01": 4_000.0, "q02": 5_000.0, "q03": 3_000.0}


def at_noon(plan: Site, **late_s: float) -> object:
    """The surplus with some inputs older than the others."""
    instant = {(p, POWER): Now(w, MAY - round(1000 * late_s.get(p, 0.0))) for p, w in NOON.items()}
    return surplus_now(plan, instant, MAY)


@pytest.mark.parametrize("minutes", [1.1, 5, 60])
def test_g1_a_stale_pv_meter_makes_the_surplus_invalid(minutes: float) -> None:
    assert at_noon(site(), roof=0.0).power_w == 8_000.0  # type: ignore[attr-defined]
    result = at_noon(site(), roof=minutes * 60)
    assert (result.power_w, result.state) == (None, Quality.INVALID)  # type: ignore[attr-defined]
    assert "roof" in result.reason  # type: ignore[attr-defined]


def test_g2_with_a_stale_feeder_the_connection_decides_and_with_a_stale_feed_the_board() -> None:
    assert at_noon(site(), q02=600).path == "connection"  # type: ignore[attr-defined]
    result = at_noon(site(), t1=600)
    assert (result.path, result.power_w) == ("sum of the board", 8_000.0)  # type: ignore[attr-defined]


def test_g3_powers_of_different_moments_are_not_combined() -> None:
    assert at_noon(site(), roof=11).power_w is None  # type: ignore[attr-defined]
    assert at_noon(site(), roof=9).power_w == 8_000.0  # type: ignore[attr-defined]


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
            until_s = time.monotonic() + 30
            while surplus() != (8_000.0, "good") and time.monotonic() < until_s:
                publish(out, [(f"m/{p}", message(now_ms(), power=w)) for p, w in NOON.items()])
                time.sleep(0.2)
            assert surplus() == (8_000.0, "good")
            begun = time.monotonic()
            while surplus()[1] != "invalid" and time.monotonic() - begun < 8:
                publish(out, [(f"m/{p}", message(now_ms(), power=w)) for p, w in NOON.items() if p != "roof"])
                time.sleep(0.2)
            assert surplus()[1] == "invalid"
            assert time.monotonic() - begun < 5
            assert float(seen[f"{ROOT}/pv/surplus/plain"][-1]) == 0.0
