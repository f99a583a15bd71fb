"""A running daemon tells how it is: from any thread, as JSON and metrics; a broker that was away is one line of the log."""

import json
import logging
import re
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.adapters.web.metrics import openmetrics
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.run_record import FIRST, SIGNAL
from meterd.core.errors import StoreError
from meterd.core.model.health import alive, as_json, ready
from tests.brokers import Mosquitto, until
from tests.faults.mill import Child, message, now_ms, publish, running, sending, site, write_plan

BROKER = "max_queued_messages 0\nmax_inflight_messages 0\n"


def test_a_daemon_that_does_not_run_yet_is_alive_and_not_ready(tmp_path: Path) -> None:
    """The page may ask before the loop has begun."""
    health = Daemon(site(), tmp_path / "s.sqlite").health()
    assert alive(health).ok
    assert ready(health).reasons == ("it is starting", "no connection to the broker")
    assert len(health.versions.plan) == 64


@pytest.mark.slow
def test_a_daemon_that_hears_nothing_new_writes_nothing(tmp_path: Path) -> None:
    """Not even the same fact again: a store may lie on a memory card."""
    store = tmp_path / "s.sqlite"
    with Mosquitto(BROKER) as broker, running(site(broker.port), store) as here, sending(broker.port) as out:
        assert until(lambda: here.daemon.health().link.heartbeat_age_s is not None and out.connected())
        publish(out, [("m/q01", message(now_ms(), **{"import": 1}))])
        assert until(lambda: here.daemon.health().work.readings == 1)
        with closing(sqlite3.connect(store)) as other:

            def idle() -> bool:
                version, looks = _version(other), here.daemon.health().work.ticks
                return until(lambda: here.daemon.health().work.ticks >= looks + 3) and _version(other) == version

            assert until(idle, 60), "the store is written with every look"


def _version(other: sqlite3.Connection) -> int:
    return int(other.execute("PRAGMA data_version").fetchone()[0])


@pytest.mark.slow
def test_health_of_a_running_daemon_and_the_line_after_an_outage(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Sources, heartbeat through the broker and back, journal; then the broker is killed and comes back."""
    store = tmp_path / "s.sqlite"
    with (
        Mosquitto(BROKER) as broker,
        running(site(broker.port), store) as here,
        sending(broker.port) as out,
    ):
        assert until(lambda: here.daemon.health().link.heartbeat_age_s is not None and out.connected())
        publish(out, [("m/q01", message(now_ms(), **{"import": 1}))])
        assert until(lambda: here.daemon.health().work.readings == 1)
        assert until(lambda: ready(here.daemon.health()).ok), ready(here.daemon.health())
        health = here.daemon.health()
        (source,) = health.sources
        assert (source.name, source.state) == ("meters", "connected")
        assert source.age_s is not None
        assert source.age_s < 5
        assert health.restart_reason == FIRST
        assert health.versions.schema == SCHEMA_VERSION
        assert health.link.publishes
        assert health.link.round_trip_s is not None
        assert 0 <= health.link.round_trip_s < 5
        assert (health.storage.journal_bytes or 0) > 4096
        assert (health.storage.free_bytes or 0) > 0
        assert health.storage.lines_waiting is None
        assert json.loads(as_json(health))["ready"]["ok"] is True
        names = {item.name for item in text_string_to_metric_families(openmetrics(health))}
        assert {"meterd_loop_age_seconds", "meterd_heartbeat_age_seconds", "meterd_source_age_seconds"} <= names
        broker.kill()
        assert until(lambda: "no connection to the broker" in ready(here.daemon.health()).reasons)
        broker.start()
        with caplog.at_level(logging.WARNING):
            assert until(lambda: "broker link was down" in caplog.text)
        assert here.daemon.health().link.losses == 1
    (line,) = [item.getMessage() for item in caplog.records if "broker link" in item.getMessage()]
    match = re.fullmatch(r"broker link was down (\d+\.\d) s, (\d+) values sent again", line)
    assert match
    assert float(match[1]) < 20
    assert int(match[2]) > 10
    with running(site(broker.port), store) as here:
        assert until(lambda: here.daemon.snapshot is not None)
        assert here.daemon.health().restart_reason == SIGNAL


@pytest.mark.slow
def test_the_log_of_a_process_is_json_on_request_and_holds_no_secret(tmp_path: Path) -> None:
    """Each line is an object; a broker that refuses the password is reported without it."""
    (tmp_path / "none").touch()
    with Mosquitto(f"allow_anonymous false\npassword_file {tmp_path / 'none'}\n{BROKER}") as broker:
        plan = write_plan(tmp_path, broker.port, limits="publish_every_s = 4")
        text = plan.read_text(encoding="utf-8")
        plan.write_text(
            text.replace('host = "127.0.0.1"', 'username = "m", password_env = "SECRET", host = "127.0.0.1"', 1)
        )
        env = {"SECRET": "correct-horse-battery"}
        with Child(plan, tmp_path / "s.sqlite", "--log", "json", "--verbose", env=env) as child:
            assert until(lambda: "broker-silent" in child.said(), 30), child.said()
            assert child.stop() == 0
    lines = [json.loads(line) for line in child.said().splitlines()]
    assert {"started", "finding"} <= {line["event"] for line in lines}
    assert all(set(line) == {"time", "level", "event", "subject", "text"} for line in lines)
    assert "correct-horse" not in child.said()


def test_a_broken_store_path_is_an_error_in_words_and_ends_all_threads(tmp_path: Path) -> None:
    """A start that is impossible leaves nothing behind."""
    before = set(threading.enumerate())
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(StoreError, match="cannot create the store"):
        Daemon(site(), tmp_path / "file" / "s.sqlite").run(threading.Event())
    assert until(lambda: set(threading.enumerate()) <= before)
