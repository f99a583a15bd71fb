"""Health as JSON and OpenMetrics, read by the reference parser; verdicts with their reasons."""

import json
from dataclasses import replace

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

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
    openmetrics,
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


def samples(health: Health) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Name and labels of every sample, as the reference parser reads them."""
    return {
        (item.name, tuple(sorted(item.labels.items()))): item.value
        for family in text_string_to_metric_families(openmetrics(health))
        for item in family.samples
    }


def test_the_reference_parser_reads_every_metric() -> None:
    """Values, labels with quotes and line breaks, and counters with their ending (prometheus_client's own parser)."""
    results = samples(GOOD)
    assert results["meterd_loop_age_seconds", ()] == 0.25
    assert results["meterd_readings_total", ()] == float(2**60)
    assert results["meterd_journal_bytes", ()] == 4096
    assert results["meterd_source_age_seconds", (("protocol", "mqtt"), ("source", "meters"))] == 1.5
    assert ("meterd_source_age_seconds", (("protocol", "modbus"), ("source", "line"))) not in results
    assert results["meterd_findings", (("state", "new"),)] == 2
    (build,) = [dict(labels) for name, labels in results if name == "meterd_build_info"]
    assert build["restart_reason"] == GOOD.restart_reason
    assert build["zone_rules"] == "2025b"


def test_families_have_type_help_and_a_unit_where_the_name_ends_in_one() -> None:
    """As OpenMetrics 1.0 asks: TYPE, UNIT and HELP of a family together, the text ends in `# EOF`."""
    text = openmetrics(GOOD)
    assert text.endswith("\n# EOF\n")
    families = {item.name: item for item in text_string_to_metric_families(text)}
    assert families["meterd_disk_free_bytes"].unit == "bytes"
    assert families["meterd_heartbeat_round_trip_seconds"].unit == "seconds"
    assert all(item.documentation and item.type in ("gauge", "counter", "info") for item in families.values())


def test_a_jump_of_the_clock_that_is_not_believed_is_its_offset() -> None:
    """A clock an hour behind: doubted, and by how much."""
    results = samples(replace(GOOD, clock=ClockState(True, "the computer's clock jumped", 0, -3600.5)))
    values = {name: results[name, ()] for name in ("meterd_clock_offset_seconds", "meterd_clock_doubted")}
    assert list(values.values()) == [-3600.5, 1]
    assert samples(GOOD)["meterd_clock_offset_seconds", ()] == 0


def test_what_is_not_known_is_left_out_and_null() -> None:
    """Never zero for missing."""
    unknown = replace(GOOD, storage=Storage(), started_ms=None, link=LinkHealth())
    names = {name for name, _ in samples(unknown)}
    assert names.isdisjoint({"meterd_journal_bytes", "meterd_start_time_seconds", "meterd_heartbeat_age_seconds"})
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
