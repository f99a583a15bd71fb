"""The health of the program as OpenMetrics text, read by the reference parser; names stay as they are for ten years."""

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from meterd.adapters.web.app import OPENMETRICS
from meterd.adapters.web.metrics import openmetrics
from meterd.core.model.health import ClockState, Health, LinkHealth, Storage
from tests.core.model.test_health import GOOD

ROOT = Path(__file__).parents[3]
NAMES = {  # of version 0.2.0: they only gain additions
    "info": """
        build
    """,
    "gauge": """
        start_time_seconds plan_time_seconds alive ready loop_age_seconds queue_deliveries queue_readings
        threads_stuck store_refuses journal_bytes disk_free_bytes lines_waiting broker_connected refused_topics
        publisher_active publisher_epoch heartbeat_age_seconds heartbeat_round_trip_seconds clock_doubted
        clock_offset_seconds source_reached source_age_seconds findings
    """,
    "counter": """
        threads_revived readings deliveries ticks figures published turned_away unkept failures store_failures late
        reloads broker_losses clock_steps_back
    """,
}


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


def test_what_is_not_known_is_left_out() -> None:
    """Never zero for missing."""
    unknown = replace(GOOD, storage=Storage(), started_ms=None, link=LinkHealth())
    names = {name for name, _ in samples(unknown)}
    assert names.isdisjoint({"meterd_journal_bytes", "meterd_start_time_seconds", "meterd_heartbeat_age_seconds"})


def test_no_name_is_gone_or_changes_its_kind() -> None:
    """What somebody watches today is there tomorrow."""
    results = {item.name: item.type for item in text_string_to_metric_families(openmetrics(GOOD))}
    expected = {f"meterd_{name}": kind for kind, names in NAMES.items() for name in names.split()}
    assert {name: results.get(name) for name in expected} == expected
    assert OPENMETRICS == CONTENT_TYPE_LATEST


def test_the_library_is_loaded_with_the_first_question_only() -> None:
    """A page without a collector of figures goes without its modules."""
    code = "import sys, meterd.adapters.web.app; sys.exit('prometheus_client' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, cwd=ROOT).returncode == 0
