"""Health as JSON; verdicts with their reasons."""

import json
from dataclasses import replace

import pytest

from meterd.core.model.health import (
    ClockState,
    Health,
    LinkHealth,
    LoopState,
    SourceState,
    Storage,
    Verdict,
    Versions,
    Work,
    alive,
    as_json,
    ready,
)

GOOD = Health(
    "mill",
    1_777_852_800_500,
    1_777_852_700_000,
    'stopped by "signal"\\\n',
    1_777_852_750_000,
    Versions("0.1.0", "ab" * 32, 4, "2025b"),
    LoopState(True, 0.25, "wait", 1, 20, 2, ("drift",)),
    Work(readings=2**60, deliveries=7, published=3),
    Storage(False, 4096, 10**12, 12),
    LinkHealth(True, 3, True, 4, 12.5, 0.004),
    ClockState(),
    (SourceState("meters", "mqtt", "connected", 1.5), SourceState("line", "modbus", "asking")),
    (("new", 2), ("seen", 0), ("explained", 1)),
)


def test_what_is_not_known_is_null() -> None:
    """Never zero for missing."""
    unknown = replace(GOOD, storage=Storage(), started_ms=None, link=LinkHealth())
    assert json.loads(as_json(unknown))["storage"]["journal_bytes"] is None


def test_json_holds_everything_with_both_verdicts() -> None:
    """Stamps beside milliseconds, findings by state."""
    result = json.loads(as_json(GOOD))
    assert result["alive"] == {"ok": True, "reasons": []}
    assert result["started"] == "2026-05-03T23:58:20Z"
    assert result["findings"] == {"new": 2, "seen": 0, "explained": 1}
    assert result["sources"][0]["state"] == "connected"


@pytest.mark.parametrize(
    ("health", "reason"),
    [
        (replace(GOOD, loop=LoopState(True, 31.0, "readings")), "the loop stands in the step readings for 31 s"),
        (replace(GOOD, loop=LoopState(False, 400.0, "begin")), "it is starting"),
        (replace(GOOD, clock=ClockState(False)), "the clock of this machine was never set"),
        (replace(GOOD, storage=Storage(True)), "the store takes nothing"),
        (replace(GOOD, link=LinkHealth()), "no connection to the broker"),
        (replace(GOOD, sources=(SourceState("meters", "mqtt", "away"),)), "no source can be reached: meters"),
    ],
)
def test_not_ready_says_why(health: Health, reason: str) -> None:
    """Each reason alone."""
    assert ready(health) == Verdict(False, (reason,))


def test_alive_while_it_starts_and_not_when_the_loop_hangs() -> None:
    """Only a loop that ran and stands is dead."""
    assert ready(GOOD) == Verdict(True)
    assert alive(replace(GOOD, loop=LoopState(False, 400.0, "begin"))).ok
    assert not alive(replace(GOOD, loop=LoopState(True, 31.0, "readings"))).ok


def test_one_source_of_two_away_is_a_finding_and_not_the_end_of_readiness() -> None:
    """The other boards and points are served."""
    assert ready(replace(GOOD, sources=(GOOD.sources[0], SourceState("line", "mqtt", "away")))).ok
