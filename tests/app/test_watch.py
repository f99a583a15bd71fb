"""A source is looked after: its absence, its refusals, a twin with its client id, its dead threads."""

from dataclasses import replace

import pytest

from meterd.app import watch as watch_module
from meterd.app.watch import SourceWatch, clock_finding, store_finding, with_reason
from meterd.finding import Finding
from meterd.mqtt.link import LinkCounters, LinkState
from tests.faults.test_b_broker import Quiet

STATE = LinkState(True, True, True, 0, (), "", None, LinkCounters())
NOW = 1_777_852_800_000


def watch_of(state: LinkState) -> tuple[SourceWatch, Quiet]:
    source = Quiet(state)
    return SourceWatch("meters", lambda: source), source


def test_a_sound_source_has_no_finding() -> None:
    assert watch_of(STATE)[0].look(NOW) == []


def test_absence_is_told_after_a_while_with_what_the_link_was_told(monkeypatch: pytest.MonkeyPatch) -> None:
    away = replace(STATE, connected=False, last_error="broker refused the connection: Not authorized")
    watch, _ = watch_of(away)
    assert watch.look(NOW) == []
    monkeypatch.setattr(watch_module, "AWAY_S", 0.0)
    (finding,) = watch.look(NOW)
    assert finding.id == "source-away-meters"
    assert "Not authorized" in finding.text
    silent = Finding("broker-silent", "mill", NOW, "no connection")
    assert with_reason([silent], [watch])[0].text == "no connection; broker refused the connection: Not authorized"


def test_short_connections_in_a_row_mean_a_twin_and_rest_ends_with_a_fresh_source() -> None:
    watch, source = watch_of(STATE)
    watch.look(NOW)
    assert not watch.flaps
    source._state = replace(STATE, counters=LinkCounters(short_connections=2))
    (finding,) = watch.look(NOW)
    assert (finding.cause, watch.flaps) == ("client-id-twice", True)
    watch.rest(1.0)
    assert "does not read" in watch.look(NOW)[0].text
    watch.wake()
    assert not watch.flaps
    assert not watch.resting


def test_other_findings_name_their_subject() -> None:
    assert clock_finding("jumped", "mill", NOW).id == "clock-jumped-mill"
    assert "7 readings wait" in store_finding("mill", "cannot write", 7, NOW).text
