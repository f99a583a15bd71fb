"""Faults of the plan (H2, H3, H4, H5, H8): what is ambiguous or hostile is refused with its place, what differs is listed."""

import time
from pathlib import Path

import pytest

from meterd.app.check import render_faults
from meterd.app.config import PlanError, load_plan
from tests.brokers import Mosquitto, until
from tests.faults.mill import message, now_ms, publish, reading_count, running, sending, site
from tests.faults.test_b_broker import BROKER
from tests.plans import FILES, POINTS, edited, write


def refused(folder: Path, files: dict[str, str]) -> str:
    """What `meterd check` says to a plan that must not pass."""
    with pytest.raises(PlanError) as caught:
        load_plan(write(folder, files))
    return render_faults(caught.value.faults)


def test_h2_a_renamed_point_is_found_by_its_old_name(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, FILES)).site
    assert plan.point("q01").aliases == ("riser-old",)


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("inputs.csv", "q02,1.8.0,broker,pulses/q02,,imp,,", "q02,1.8.0,broker,meters/q01,/import_wh,kWh,0.1,", "q01"),
        ("points.csv", "q02,south,feeder,,Bakery,live,,,", "q01,south,feeder,,Bakery,live,,,", "q01"),
    ],
)
def test_h3_one_address_or_one_feeder_twice_is_refused(
    name: str, old: str, new: str, said: str, tmp_path: Path
) -> None:
    text = refused(tmp_path, edited(name, old, new))
    assert said in text
    assert f"{name}:" in text


def test_h4_a_copy_that_differs_from_its_pattern_is_listed(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, FILES))
    assert any("02" in str(copies) and "Corner room" in str(copies) for copies in plan.copies)


@pytest.mark.slow
def test_h5_readings_of_a_sister_site_on_the_same_broker_do_not_get_in(tmp_path: Path) -> None:
    """Only the topics of the plan are subscribed; the sister's daemon publishes under its own name."""
    store = tmp_path / "s.sqlite"
    with Mosquitto(BROKER) as broker, running(site(broker.port), store) as here, sending(broker.port) as out:
        assert until(lambda: here.daemon.published() > 20 and out.connected())
        publish(out, [("sister/m/q01", message(now_ms(), **{"import": 1})), ("energy/sister/point/q01/power", b"[]")])
        publish(out, [("m/q01", message(now_ms(), **{"import": 2}))])
        assert until(lambda: reading_count(store) == 1)
        time.sleep(0.3)
        assert reading_count(store) == 1


@pytest.mark.parametrize("name", ["../q02", "<script>", "q#", "q+", "q 02", "q02\u202e", "q/02", "..", "-q02", "Q02"])
def test_h8_hostile_names_are_refused_and_shown_harmless(name: str, tmp_path: Path) -> None:
    points = POINTS.replace("q02,south,feeder", f"{name},south,feeder")
    text = refused(tmp_path, {**FILES, "points.csv": points})
    assert "points.csv:5:" in text
    assert "\u202e" not in text
