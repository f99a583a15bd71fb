"""A fault drill says when a fault would have been found and named, on the site's own history."""

import json
from collections.abc import Sequence
from dataclasses import replace

import pytest

from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.drift.simulated_fault import drill, split_days
from tests.simulator.drift_sites import Simulated, grid

FROM = 70


@pytest.fixture(scope="module")
def site() -> Simulated:
    return grid(31, 110)


@pytest.fixture(scope="module")
def history(site: Simulated) -> Sequence[Intervals]:
    return [site.day(d) for d in range(site.days)]


def test_a_drill_of_two_percent_on_a_feeder(site: Simulated, history: Sequence[Intervals]) -> None:
    start = int(history[FROM].start_ms[0])
    result = drill(site.net, history, "feeder1", 0.98, start)
    assert result.found_days is not None
    assert result.found_days <= 14
    assert (result.named, result.right, result.found_by) == ("ratio feeder1", True, "drift")
    assert result.false_alarms == ()
    assert result.shown[0] == "ratio feeder1"
    assert len(result.paths[0]) == len(result.day_ms) == len(result.threshold)
    assert max(result.paths[0][:FROM]) < max(result.paths[0])
    assert "rightly named after" in result.text
    assert json.loads(json.dumps(result.as_dict(), allow_nan=False))["point"] == "feeder1"


def test_a_drill_of_a_gross_fault_is_found_on_its_first_day(site: Simulated, history: Sequence[Intervals]) -> None:
    result = drill(site.net, history[: FROM + 5], "feeder6", 1 / 3, int(history[FROM].start_ms[0]))
    assert (result.found_days, result.found_by, result.right) == (1, "gross", True)


def test_a_fault_too_small_is_said_to_stay_unfound(site: Simulated, history: Sequence[Intervals]) -> None:
    result = drill(site.net, history[: FROM + 10], "feeder5", 0.999, int(history[FROM].start_ms[0]))
    assert result.found_days is None
    assert "would not have been found within the 10 days of history after it" in result.text


def test_wrong_questions_are_refused(site: Simulated, history: Sequence[Intervals]) -> None:
    with pytest.raises(ValueError, match="no balance contains q99"):
        drill(site.net, history, "q99", 0.98, 0)
    span = r"it goes from 2026-01-0\d to 2026-01-\d\d; choose a day in it"
    with pytest.raises(ValueError, match=f"ends before the fault begins: {span}"):
        drill(site.net, history[:8], "main", 0.98, int(history[50].start_ms[0]))
    with pytest.raises(ValueError, match="begins after the fault: it goes from"):
        drill(site.net, history[50:60], "main", 0.98, int(history[8].start_ms[0]))
    with pytest.raises(ValueError, match="no closed day of history"):
        drill(site.net, [], "main", 0.98, 0)


def test_a_point_that_nothing_passes_is_said_so(site: Simulated, history: Sequence[Intervals]) -> None:
    idle = [replace(day, energy=day.energy.copy()) for day in history[:30]]
    for day in idle:
        day.energy[:, site.net.points.index("feeder5")] = 0
    with pytest.raises(ValueError, match="no energy has passed feeder5"):
        drill(site.net, idle, "feeder5", 0.9, int(idle[20].start_ms[0]))


def test_little_history_before_the_fault_is_said(site: Simulated, history: Sequence[Intervals]) -> None:
    """Three weeks must have passed before small steps are looked for; a reader must not take that for a blind spot."""
    result = drill(site.net, history[:15], "feeder1", 0.98, int(history[10].start_ms[0]))
    assert "within the 5 days of history after it; with only 10 days of history before it: until 21 days" in result.text


def test_the_drill_rehearses_the_watch_as_it_is_set(site: Simulated, history: Sequence[Intervals]) -> None:
    """A site of several parts shares its false alarms out among them: each part waits for more."""
    start = int(history[20].start_ms[0])
    item, five = (drill(site.net, history[:22], "feeder1", 0.98, start, wanted=w) for w in (0.3, 0.06))
    assert five.threshold[-1] > item.threshold[-1]


def test_days_are_cut_at_their_bounds(site: Simulated) -> None:
    start = site.start_ms
    whole = Intervals(start, start + 900_000, site.energy, site.energy > -(10**12))
    bounds = [int(start[0]), int(start[92]), int(start[192]), int(start[192]) + 86_400_000]
    assert [len(d.start_ms) for d in split_days(whole, bounds)] == [92, 100, 96]


def test_alarms_before_the_fault_are_counted_and_a_fault_not_named_is_said_so() -> None:
    """Feeder 1 changes by 5 % for some days of its own before the drill; the drill's fault hits one of two twins."""
    twins = grid(32, 100, twin=True)
    days = [twins.day(d, {"feeder6": 1.05} if 60 <= d < 66 else None) for d in range(twins.days)]
    result = drill(twins.net, days, "feeder1", 1.04, int(days[85].start_ms[0]))
    assert result.false_alarms
    assert result.found_days is not None
    assert result.named is None
    assert "but not named; listed would have been feeder" in result.text
