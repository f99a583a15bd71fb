"""A source is supervised: its absence, its refusals, a twin with its client id, its dead threads."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.mqtt.link_state import LinkCounters, LinkState
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import source_monitor as watch_module
from meterd.app.daemon.source_monitor import SourceMonitor, StorePlace, clock_finding, store_finding, with_reason
from meterd.core.model.finding import Finding
from tests.faults.test_b_broker import Quiet

STATE = LinkState(True, True, True, 0, (), "", None, LinkCounters())
NOW = 1_777_852_800_000


def watch_of(state: LinkState) -> tuple[SourceMonitor, Quiet]:
    source = Quiet(state)
    return SourceMonitor("meters", lambda: source), source


def test_a_sound_source_has_no_finding() -> None:
    assert watch_of(STATE)[0].tick(NOW) == []


def test_absence_is_reported_after_a_while_with_the_answer_of_the_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    away = replace(STATE, connected=False, last_error="broker refused the connection: Not authorized")
    monitor, _ = watch_of(away)
    assert monitor.tick(NOW) == []
    monkeypatch.setattr(watch_module, "AWAY_S", 0.0)
    (finding,) = monitor.tick(NOW)
    assert finding.id == "source-away-meters"
    assert "Not authorized" in finding.text
    silent = Finding("broker-silent", "mill", NOW, "no connection")
    assert with_reason([silent], [monitor])[0].text == "no connection; broker refused the connection: Not authorized"


def test_short_connections_in_a_row_mean_a_twin_and_rest_ends_with_a_fresh_source() -> None:
    monitor, source = watch_of(STATE)
    monitor.tick(NOW)
    assert not monitor.flaps
    source._state = replace(STATE, counters=LinkCounters(short_connections=2))
    (finding,) = monitor.tick(NOW)
    assert (finding.cause, monitor.flaps) == ("client-id-twice", True)
    monitor.rest(1.0)
    assert "does not read" in monitor.tick(NOW)[0].text
    monitor.wake()
    assert not monitor.flaps
    assert not monitor.resting


def test_other_findings_name_their_subject() -> None:
    assert clock_finding("jumped", "mill", NOW).id == "clock-jumped-mill"
    assert "7 readings wait" in store_finding("mill", "cannot write", 7, NOW).text


def test_a_store_that_is_deleted_before_the_first_look_is_written_anew(tmp_path: Path) -> None:
    """Found with a test on a busy machine: a start, readings and a deletion within a second, and nothing was told."""
    path = tmp_path / "s.sqlite"
    store = SqliteStore.writer(path)
    place = StorePlace(store, path, lambda: None)
    for side in ("", "-wal", "-shm"):
        path.with_name(path.name + side).unlink()
    assert place.tick("mill", NOW) == []
    assert place.renewed
    assert path.exists()
    (finding,) = place.done("mill", NOW)
    assert "deleted while it was written: s.sqlite, s.sqlite-wal" in finding.text
    store.close()
