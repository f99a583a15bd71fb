"""Stale by arrival, by meter time and by frozen value are distinguished (faults A13, A14, C8)."""

from collections.abc import Callable

import pytest

from meterd.core.checks.rules import stale_points, staleness_findings, stalled_register_hints
from meterd.core.checks.staleness import ArrivalMonitor, Stale, Staleness
from meterd.core.model.finding import Finding
from meterd.core.model.periods import Period
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import IMPORT, POWER, Reading
from meterd.core.model.results import BalanceRow
from meterd.core.model.snapshot import Now

BEGIN = 1_780_000_000_000
MINUTE = 60_000
VOLTAGE = "32.7.0"
POINTS = ("t1", "q05", "q06", "q07")
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=tuple(Point(p, "north", Role.FEED if p == "t1" else Role.FEEDER) for p in POINTS),
    inputs=tuple(Input(p, r, "s", f"{p}/{r}") for p in POINTS for r in (IMPORT, POWER, VOLTAGE)),
)


def hear(
    minutes: int,
    clock: Callable[[int], int] = lambda t: t,
    *,
    frozen: str = "",
    every_s: int = 60,
    arrival_monitor: ArrivalMonitor | None = None,
) -> ArrivalMonitor:
    """A site that delivers for so long; q05's own clock is `clock` of the arrival; the point `frozen` repeats itself."""
    arrival_monitor = arrival_monitor or ArrivalMonitor(SITE)
    for t in range(BEGIN, BEGIN + minutes * MINUTE, every_s * 1000):
        for point in POINTS:
            step = 0 if point == frozen else (t - BEGIN) // 1000
            at = clock(t) if point == "q05" else t - 300
            arrival_monitor.take(
                [
                    Reading(point, IMPORT, at, 1_000_000 + step * 100, t),
                    Reading(point, POWER, at, 1500.0 + step % 7, t),
                    Reading(point, VOLTAGE, at, 230.1 + step % 5 / 10, t),
                ]
            )
    return arrival_monitor


def found(arrival_monitor: ArrivalMonitor, minutes: int) -> list[Staleness]:
    return arrival_monitor.stale(BEGIN + minutes * MINUTE)


def test_a_site_as_it_should_be_has_nothing_stale() -> None:
    """Every minute a value, transport of 0.3 s."""
    assert found(hear(120), 120) == []


@pytest.mark.parametrize("offset_s", [-3600, -300, -61, 61, 3600])
def test_clock_that_is_off_is_reported_with_its_offset(offset_s: int) -> None:
    """C8: measured as values arrive, to the second."""
    (staleness,) = found(hear(45, lambda t: t + offset_s * 1000), 45)
    assert (staleness.point, staleness.kind, staleness.offset_ms) == ("q05", Stale.METER_TIME, offset_s * 1000)
    assert f"{abs(offset_s)} s {'behind' if offset_s < 0 else 'ahead'}" in staleness.words


@pytest.mark.parametrize("offset_s", [-10, -59, 0, 59])
def test_small_offset_is_no_finding(offset_s: int) -> None:
    """Below a minute the boundary of a quarter hour is bridged by interpolation."""
    assert found(hear(45, lambda t: t + offset_s * 1000), 45) == []


def test_clock_that_stands_is_no_silence() -> None:
    """Values go on with the same time stamp."""
    (staleness,) = found(hear(60, lambda t: BEGIN), 60)
    assert (staleness.point, staleness.kind, staleness.offset_ms) == ("q05", Stale.METER_TIME, None)
    assert "its clock stands" in staleness.words


def test_values_of_the_last_quarter_hour_are_no_wrong_clock() -> None:
    """A meter that sends every minute what was true at the quarter hour is right at its best moment."""
    assert found(hear(120, lambda t: t - t % 900_000), 120) == []


def test_catching_up_is_no_wrong_clock() -> None:
    """B5: a day of old values within an hour, with their own times, then the present."""
    assert found(hear(60, lambda t: min(t, BEGIN - 86_400_000 + (t - BEGIN) * 25)), 60) == []


def test_delays_that_vary_do_not_make_an_offset() -> None:
    """Most values come two minutes late, one in ten at once: the least delay is the clock's."""
    assert found(hear(120, lambda t: t - (0 if t // MINUTE % 10 == 0 else 120_000)), 120) == []


def test_clock_that_jumps_back_is_found_within_two_stretches() -> None:
    """C8: an hour back in the middle; first undecided, then reported with the offset."""
    jump = BEGIN + 60 * MINUTE
    (staleness,) = found(hear(100, lambda t: t if t < jump else t - 3_600_000), 100)
    assert staleness.offset_ms == -3_600_000


def test_no_verdict_on_a_clock_before_a_stretch_is_over() -> None:
    """A quarter hour after the start the least delay is known."""
    assert found(hear(14, lambda t: t - 600_000), 14) == []


def test_frozen_value_is_reported_when_the_siblings_move() -> None:
    """A14: every register of one point repeats itself, voltage too, while the others move."""
    (staleness,) = found(hear(90, frozen="q06"), 90)
    assert (staleness.point, staleness.kind) == ("q06", Stale.VALUE)
    assert "none of its 3 registers has changed" in staleness.words
    assert "3 of 3 other points" in staleness.words


def test_duplicates_count_as_arrivals_but_not_as_change() -> None:
    """A13: same counter, new time: not silent, and frozen only after an hour."""
    assert found(hear(50, frozen="q06"), 50) == []
    assert [staleness.point for staleness in found(hear(70, frozen="q06"), 70)] == ["q06"]


def test_a_load_that_is_off_is_not_frozen() -> None:
    """Counter and power stand, but the voltage lives."""
    arrival_monitor = ArrivalMonitor(SITE)
    for t in range(BEGIN, BEGIN + 180 * MINUTE, MINUTE):
        for point in POINTS:
            still = 0 if point == "q06" else (t - BEGIN) // 1000
            volts = 230.1 + (t - BEGIN) // MINUTE % 5 / 10
            arrival_monitor.take(
                [
                    Reading(point, IMPORT, t, still, t),
                    Reading(point, POWER, t, float(still), t),
                    Reading(point, VOLTAGE, t, volts, t),
                ]
            )
    assert found(arrival_monitor, 180) == []


def test_a_site_where_nothing_moves_names_nobody() -> None:
    """A copied file or a simulation that stands."""
    arrival_monitor = ArrivalMonitor(SITE)
    for t in range(BEGIN, BEGIN + 180 * MINUTE, MINUTE):
        arrival_monitor.take([Reading(p, VOLTAGE, t, 230.0, t) for p in POINTS])
    assert found(arrival_monitor, 180) == []


def test_what_the_broker_kept_is_no_arrival() -> None:
    """B6: a retained value says nothing about now."""
    arrival_monitor = ArrivalMonitor(SITE)
    arrival_monitor.take([Reading("q05", POWER, BEGIN, 1.0, BEGIN, device_time=False, old=True)])
    assert arrival_monitor.last_arrivals() == {}


def test_silence_by_arrival_counts_from_the_arrival_and_not_from_the_meters_time() -> None:
    """A meter an hour behind is heard; it is stale only when nothing comes."""
    arrival_monitor = hear(45, lambda t: t - 3_600_000)
    newest = {("q05", POWER): Now(1.0, BEGIN - 15 * MINUTE)}
    at = BEGIN + 45 * MINUTE
    assert stale_points(SITE, newest, at, heard=arrival_monitor.last_arrivals()) == []
    assert [f.subject for f in stale_points(SITE, newest, at, at) if f.cause == "stale"] == ["q05"]
    late = at + 16 * MINUTE
    assert [f.cause for f in stale_points(SITE, newest, late, heard=arrival_monitor.last_arrivals())] == ["silent"]
    assert arrival_monitor.stale(late) == []


def test_findings_carry_cause_since_and_remedy() -> None:
    """Meter time and frozen value have causes of their own."""
    kinds = [Staleness("q05", Stale.METER_TIME, 5, "words", -3), Staleness("q06", Stale.VALUE, 6, "words")]
    findings = staleness_findings(kinds)
    assert [(f.id, f.at_ms, f.points) for f in findings] == [
        ("meter-clock-q05", 5, ("q05",)),
        ("frozen-value-q06", 6, ("q06",)),
    ]
    assert all(f.remedy for f in findings)


def test_residual_has_the_standing_registers_beside_it() -> None:
    """A14: one balance names nobody, but which counter stood still meanwhile is evidence."""
    arrival_monitor = hear(60, frozen="q07")
    row = BalanceRow("north", Period.INTERVAL, BEGIN + 30 * MINUTE, BEGIN + 45 * MINUTE, 9, 1, 8, 1, "outside", False)
    outside = Finding("outside-band", "north", row.start_ms, "words")
    (finding,) = stalled_register_hints([row], arrival_monitor, [outside])
    assert finding.evidence == ("registers that stood still meanwhile: q07",)
    assert stalled_register_hints([row], hear(60), [outside]) == [outside]


def test_what_was_heard_is_reported_per_point_with_the_offset_of_its_clock() -> None:
    """q05's clock is 90 s behind, the others' 0.3 s; a meter without a time of its own has no offset."""
    arrival_monitor = hear(45, lambda t: t - 90_000)
    arrival_monitor.take([Reading("q07", "13.7.0", BEGIN, 0.9, BEGIN, device_time=False)])
    arrivals = arrival_monitor.arrivals()
    assert arrivals["q05"].offset_ms == -90_000
    assert arrivals["t1"].offset_ms == -300
    assert arrivals["t1"].received_ms == BEGIN + 44 * MINUTE
    alone = ArrivalMonitor(SITE)
    alone.take([Reading("q06", POWER, BEGIN, 1.0, BEGIN, device_time=False)])
    assert alone.arrivals()["q06"].offset_ms is None
    assert "q05" not in alone.arrivals()


@pytest.mark.parametrize("by_ms", [-120 * MINUTE, 120 * MINUTE])
def test_arrivals_move_along_when_our_clock_is_set(by_ms: int) -> None:
    """Nobody has fallen silent by it, nobody's clock is off, and who falls silent then is seen in time."""
    heard = hear(40, lambda t: t - by_ms)
    now = BEGIN + 40 * MINUTE
    before = heard.last_arrivals()
    heard.clock_was_set(by_ms, now + by_ms)
    assert heard.last_arrivals() == {point: at + by_ms for point, at in before.items()}
    assert (heard.offsets(), {item.offset_ms for item in heard.arrivals().values()}) == ({}, {None})
    assert heard.stale(now + by_ms) == []
    reading = Reading("q05", IMPORT, now + by_ms, 9_000_000, now + by_ms)
    heard.take([reading])
    assert heard.arrivals()["q05"].offset_ms == 0
    heard.take([Reading("q06", IMPORT, now, 9_000_000, now)])  # was on its way, by the clock before
    heard.clock_was_set(0, now + by_ms + 5_000)
    assert max(heard.last_arrivals().values()) <= now + by_ms + 5_000
    assert {item.offset_ms for item in heard.arrivals().values()} == {None}
