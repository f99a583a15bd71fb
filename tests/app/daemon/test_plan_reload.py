"""Faults of the plan (H1 to H5, H8): what is ambiguous or hostile is refused with its place, what differs is listed."""

import json
import queue
import signal
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.adapters.runtime.clock import TrialClock
from meterd.app.cli.check import render_faults
from meterd.app.daemon import plan_reload as plan_watch
from meterd.app.daemon.plan_reload import read_plan
from tests.brokers import Mosquitto, until
from tests.faults.mill import (
    DAY,
    MAY,
    Child,
    Here,
    StoreInFolder,
    as_readings,
    message,
    minutes,
    now_ms,
    publish,
    reading_count,
    running,
    sending,
    site,
    stored_figures,
    write_plan,
)
from tests.faults.test_b_broker import BROKER
from tests.plans import FILES, POINTS, edited, write


def refused(folder: Path, files: dict[str, str]) -> str:
    """What `meterd check` says to a plan that must not pass."""
    with pytest.raises(PlanError) as caught:
        load_plan(write(folder, files))
    return render_faults(caught.value.faults)


WITHOUT_Q03 = ('    { point = "q03", rating_a = 63 },\n', "")
PV = 'role = "pv"'
WITHOUT_Q02 = ('    { point = "q02", rating_a = 63 },\n', "")


def rewrite(path: Path, *pairs: tuple[str, str]) -> None:
    """Replace texts in a plan file; each must be there once."""
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


@contextmanager
def watched(path: Path, store: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Here]:
    """A daemon of a trial that looks at the files of its plan often."""
    monkeypatch.setattr(plan_watch, "CHECK_S", 0.2)
    plan, file = read_plan(path)
    with running(plan.site, store, TrialClock(MAY), file=file) as here:
        assert until(lambda: here.daemon.published() > 20)
        yield here


@contextmanager
def listening(port: int) -> Iterator[dict[str, list[bytes]]]:
    """Everything that is published below the site, by topic, in order."""
    inbox = MessageQueue(100_000)
    heard: dict[str, list[bytes]] = {}
    stop = threading.Event()

    def take() -> None:
        while not stop.is_set():
            try:
                item = inbox.get(timeout=0.1)
            except queue.Empty:
                continue
            link.ack(item.token)
            heard.setdefault(item.topic, []).append(item.payload)

    settings = LinkSettings("listener", host="127.0.0.1", port=port, session_expiry_s=0)
    with Link(settings, topics=("energy/#",), inbox=inbox) as link:
        worker = threading.Thread(target=take)
        worker.start()
        try:
            yield heard
        finally:
            stop.set()
            worker.join()


@pytest.mark.slow
def test_h1_a_bad_plan_leaves_the_old_one_running_and_every_fault_is_listed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two faults, one of them a zone that cannot change while running; the finding goes when the plan is sound again."""
    store = tmp_path / "s.sqlite"
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        path = write_plan(tmp_path, broker.port)
        sound = path.read_text(encoding="utf-8")
        with watched(path, store, monkeypatch) as here:
            rewrite(path, ("rating_a = 63 },\n    { point = \"q02\"", "ratingg_a = 63 },\n    { point = \"q02\""),
                    (PV, PV.replace("pv", "pw")))  # fmt: skip
            assert here.has("plan-refused-mill")
            finding = here.findings()["plan-refused-mill"]
            assert len(finding.evidence) == 2
            assert all(line.startswith("mill.toml:") and "; " in line for line in finding.evidence), finding.evidence
            assert "ratingg_a" in finding.evidence[0]
            publish(out, minutes(5))
            assert until(lambda: reading_count(store) == 5 * 6)
            path.write_text(sound.replace("Europe/Vienna", "Europe/Berlin"), encoding="utf-8")
            assert until(
                lambda: "cannot change while the daemon runs" in str(here.findings().get("plan-refused-mill")), 5
            )
            path.write_text(sound, encoding="utf-8")
            assert until(lambda: "plan-refused-mill" not in here.findings())
            assert here.daemon.counters.reloads == 0


@pytest.mark.slow
def test_h1_a_changed_plan_is_taken_without_a_stop_and_gives_the_figures_of_a_new_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A point goes and another comes while one meter sends on: no reading is lost, topics follow, nobody hears "gone"."""
    store, sent = tmp_path / "s.sqlite", minutes(240)
    half = len(sent) // 2
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        path = write_plan(tmp_path, broker.port)
        complete = path.read_text(encoding="utf-8")
        rewrite(path, WITHOUT_Q03)
        before = load_plan(path).site
        with listening(broker.port) as heard, watched(path, store, monkeypatch) as here:
            publish(out, sent[:half])
            assert until(lambda: here.daemon.counters.readings == 120 * 5)
            path.write_text(complete.replace(*WITHOUT_Q02), encoding="utf-8")
            publish(out, [item for item in sent[half:] if item[0] == "m/q01"])
            assert until(lambda: here.daemon.counters.reloads == 1)
            after = here.daemon.site
            health = here.daemon.health()
            assert (health.restart_reason, health.work.reloads) == ("reloaded", 1)
            assert until(lambda: [source_state.state for source_state in here.daemon.health().sources] == ["connected"])
            publish(out, [item for item in sent[half:] if item[0] != "m/q01"])
            assert until(lambda: "energy/mill/point/q03/import" in heard)
            assert until(lambda: heard["energy/mill/point/q02/import"][-1] == b"")
            assert until(lambda: b"q03" in heard["energy/mill/catalogue"][-1])
            assert b"q02" not in heard["energy/mill/catalogue"][-1]
            assert until(lambda: reading_count(store) == (120 * 5) + (120 * 5)), reading_count(store)
            publish(out, [("m/q01", message(MAY + DAY, **{"import": 99_999}))])
            assert until(lambda: _closed_to(store) == MAY + DAY - 900_000)
            services = [json.loads(item) for item in heard["energy/mill/service"]]
        assert {item["state"] for item in services if item["epoch"] == 1} == {"live"}
        assert {item["epoch"] for item in services} == {1}
    folder_store = StoreInFolder(tmp_path, before, "stopped.sqlite")
    folder_store.feed([], MAY)
    folder_store.feed([r for r in as_readings(sent[:half]) if r.point != "q03"])
    folder_store.close()
    folder_store.site = after
    folder_store.open()
    folder_store.feed([r for r in as_readings(sent[half:]) if r.point != "q02"])
    folder_store.feed(as_readings([("m/q01", message(MAY + DAY, **{"import": 99_999}))]))
    folder_store.close()
    assert stored_figures(store) == stored_figures(folder_store.path)


def _closed_to(store: Path) -> int:
    reader = sqlite3.connect(store)
    try:
        return int(reader.execute("SELECT value FROM fact WHERE name = 'closed_to_ms'").fetchone()[0])
    finally:
        reader.close()


@pytest.mark.slow
def test_h1_the_embedded_broker_keeps_running_and_keeps_what_comes_during_the_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A port that is taken afterwards makes the daemon go back to the plan before."""
    store, port = tmp_path / "s.sqlite", free_port()
    path = write_plan(tmp_path, port)
    rewrite(path, ('broker = { host = "127.0.0.1", ', "broker = { embedded = true, "), WITHOUT_Q03)
    with watched(path, store, monkeypatch) as here, sending(port) as out:
        assert until(out.connected)
        rewrite(path, ('point = "t1", role = "feed"', 'point = "t1", role = "feed", title = "Transformer"'))
        sent = [item for item in minutes(100) if item[0] == "m/q01"]
        for item in sent:
            publish(out, [item])
            time.sleep(0.01)
        assert until(lambda: here.daemon.counters.reloads == 1)
        assert until(lambda: reading_count(store) == 100), reading_count(store)
        assert out.state().counters.connects == 1
        with Mosquitto(BROKER) as other:
            rewrite(path, (f"port = {port}", f"port = {other.port}"))
            assert here.has("plan-refused-mill")
            assert f"127.0.0.1:{other.port}" in here.findings()["plan-refused-mill"].text
            assert here.daemon.site.broker.port == port
            assert until(lambda: out.state().counters.connects == 2)
            publish(out, [("m/q01", message(MAY + DAY, **{"import": 99_999}))])
            assert until(lambda: reading_count(store) == 101)


@pytest.mark.slow
def test_h1_sighup_takes_the_plan_at_once_and_says_what_changed_in_one_line(tmp_path: Path) -> None:
    """As a process: SIGHUP with a bad plan, with a changed one, and with nothing changed."""
    with Mosquitto(BROKER) as broker:
        path = write_plan(tmp_path, broker.port, limits="")
        sound = path.read_text(encoding="utf-8")
        with Child(path, tmp_path / "s.sqlite", "--verbose") as child:
            assert until(lambda: "site mill: 5 points" in child.said())
            rewrite(path, (PV, PV.replace("pv", "pw")))
            child.signal(signal.SIGHUP)
            assert until(lambda: "is not taken, 1 fault, the first: mill.toml:11:" in child.said(), 1.5), child.said()
            path.write_text(
                sound.replace(*WITHOUT_Q03).replace("rating_a = 63 },", "rating_a = 80 },", 1), encoding="utf-8"
            )
            child.signal(signal.SIGHUP)
            line = "a changed plan is in force: points removed: q03; points changed: q01; inputs removed: q03 1.8.0, q03 16.7.0"
            assert until(lambda: line in child.said()), child.said()
            child.signal(signal.SIGHUP)
            assert until(lambda: "plan read again: nothing has changed" in child.said())
            assert child.stop() == 0


def test_h2_a_renamed_point_is_found_by_its_old_name(tmp_path: Path) -> None:
    plan = load_plan(write(tmp_path, FILES)).site
    assert plan.point("q01").aliases == ("riser-old",)


@pytest.mark.parametrize(
    ("name", "old", "new", "expected"),
    [
        ("inputs.csv", "q02,1.8.0,broker,pulses/q02,,imp,,", "q02,1.8.0,broker,meters/q01,/import_wh,kWh,0.1,", "q01"),
        ("points.csv", "q02,south,feeder,,Bakery,live,,,", "q01,south,feeder,,Bakery,live,,,", "q01"),
    ],
)
def test_h3_one_address_or_one_feeder_twice_is_refused(
    name: str, old: str, new: str, expected: str, tmp_path: Path
) -> None:
    text = refused(tmp_path, edited(name, old, new))
    assert expected in text
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
