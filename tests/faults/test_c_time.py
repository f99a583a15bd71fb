"""Faults of time (C1 to C12): clocks that jump, days of 92 and 100 quarter hours, mistaken units, far years."""

import queue
import re
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import paho.mqtt.client as paho
import pytest

from meterd.adapters.runtime.clock import DOUBT_S, WallClock
from meterd.adapters.sources.payloads import decode, group_of
from meterd.core.model.periods import Period, bounds, label, starts, text, to_ms
from meterd.core.model.plan import Input
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.topics.senml import EARLIEST_MS
from tests.brokers import Mosquitto, until
from tests.faults.mill import (
    DAY,
    MAY,
    QUARTER,
    ZONE,
    StoreInFolder,
    interval_energies,
    message,
    publish,
    reading_count,
    running,
    sending,
    site,
)

BROKER = "max_queued_messages 0\nmax_inflight_messages 0\n"
MINUTE = 60_000


class Wall:
    """A computer's clock that can be set wrong, beside real steady time, which may run ahead by `skip`."""

    def __init__(self, at_ms: int) -> None:
        self._base_ms, self._begun = at_ms, time.monotonic()
        self.skipped_s = 0.0
        self.off_ms = 0

    def skip(self, seconds: float) -> None:
        """Both clocks go on."""
        self.skipped_s += seconds

    def steady_s(self) -> float:
        """The clock that nobody sets."""
        return time.monotonic() + self.skipped_s

    def wall_ms(self) -> int:
        """The clock that somebody sets."""
        return self._base_ms + round((self.steady_s() - self._begun) * 1000) + self.off_ms

    def clock(self) -> WallClock:
        """The daemon's clock on it."""
        return WallClock(self.wall_ms, self.steady_s)


def test_c2_c3_a_jump_is_followed_only_when_it_lasts() -> None:
    for jump in (-3_600_000, DAY, -5_000):
        wall = Wall(MAY + DAY)
        clock = wall.clock()
        wall.skip(10)
        assert clock.now_ms() == pytest.approx(MAY + DAY + 10_000, abs=500)
        wall.off_ms = jump
        assert clock.now_ms() == pytest.approx(MAY + DAY + 10_000, abs=500)
        assert f"jumped by {jump / 1000:+.0f} s" in clock.doubt()
        assert clock.offset_s() == pytest.approx(jump / 1000, abs=0.01)
        wall.skip(DOUBT_S / 2)
        assert clock.now_ms() == pytest.approx(MAY + DAY + 10_000 + DOUBT_S * 500, abs=500)
        wall.skip(DOUBT_S / 2 + 1)
        assert clock.now_ms() == pytest.approx(wall.wall_ms(), abs=500)
        assert (clock.doubt(), clock.offset_s(), clock.steps_back()) == ("", 0, int(jump < 0))


def test_c3_a_jump_there_and_back_leaves_no_trace() -> None:
    wall = Wall(MAY)
    clock = wall.clock()
    for off in (DAY, 0, -DAY, 0):
        wall.skip(20)
        wall.off_ms = off
        clock.now_ms()
    assert clock.now_ms() == pytest.approx(MAY + 80_000, abs=500)
    assert (clock.doubt(), clock.steps_back()) == ("", 0)


def test_a_small_correction_is_followed_at_once() -> None:
    wall = Wall(MAY)
    clock = wall.clock()
    wall.off_ms = -800
    assert clock.now_ms() == pytest.approx(MAY - 800, abs=300)
    assert clock.doubt() == ""


def somebody_takes(port: int, topic: str, payload: bytes) -> bool:
    """Send once with QoS 1; whether anybody has subscribed: MQTT 5, 3.4.2.1, reason 16 says that nobody has."""
    reasons: queue.Queue[int] = queue.Queue()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_publish = lambda _client, _data, _mid, reason, _properties: reasons.put(reason.value)
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.publish(topic, payload, qos=1)
    try:
        return reasons.get(timeout=30) != 16
    finally:
        client.disconnect()
        client.loop_stop()


@pytest.mark.slow
def test_c1_readings_before_the_clock_is_set_are_kept_and_get_their_true_time(tmp_path: Path) -> None:
    wall, store = Wall(0), tmp_path / "s.sqlite"
    with Mosquitto(BROKER) as broker:
        plan = site(broker.port, limits="publish_every_s = 4")
        plan_without_times = tuple(
            Input(i.point, i.register, i.source, i.address, i.field, i.unit) for i in plan.inputs
        )
        plan = replace(plan, inputs=plan_without_times)
        with running(plan, store, wall.clock()) as here:
            assert until(lambda: somebody_takes(broker.port, "m/q01", b'{"import": 5}'))
            sent_s = wall.steady_s()
            time.sleep(2)
            assert here.daemon.counters.readings == 0
            assert reading_count(store) == 0
            wall.off_ms = MAY  # the time server answers
            assert until(lambda: here.daemon.counters.readings == 1)
            known = here.daemon.clock.now_ms() - round((wall.steady_s() - sent_s) * 1000)
            assert until(lambda: here.daemon.published() > 20)
    folder_store = StoreInFolder(tmp_path)
    times, _ = folder_store.store.history(("q01", IMPORT), 0)
    assert abs(int(times[0]) - known) < 1500  # and not of the moment at which the clock was set, two seconds later
    assert folder_store.ledger.state.closed_to is None or folder_store.ledger.state.closed_to >= MAY - QUARTER
    folder_store.close()


def test_c1_a_clock_that_was_never_set_says_so() -> None:
    assert Wall(5_000).clock().now_ms() == pytest.approx(5_000, abs=300)
    firmware = Wall(to_ms(datetime(2019, 1, 1, tzinfo=UTC)))
    assert firmware.clock().now_ms() < EARLIEST_MS


@pytest.mark.slow
@pytest.mark.parametrize("jump", [DAY, -3_600_000])
def test_c2_c3_a_running_daemon_goes_on_through_a_jump_and_back(jump: int, tmp_path: Path) -> None:
    wall, store = Wall(MAY + 10 * MINUTE), tmp_path / "s.sqlite"
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        with running(site(broker.port, limits="publish_every_s = 4"), store, wall.clock()) as here:
            assert until(lambda: here.daemon.published() > 20 and out.connected())

            def feed(value: int) -> None:
                before = reading_count(store)
                publish(out, [("m/q01", message(here.daemon.clock.now_ms(), **{"import": value}))])
                assert until(lambda: reading_count(store) > before)

            feed(100)
            wall.off_ms = jump
            assert here.has("clock-jumped-mill")
            feed(101)
            wall.off_ms = 0
            assert until(lambda: "clock-jumped-mill" not in here.findings())
            feed(102)
            figures = here.daemon.counters.figures
        assert figures < 60, "no day of intervals was closed"
    folder_store = StoreInFolder(tmp_path)
    assert folder_store.ledger.state.closed_to is not None
    assert folder_store.ledger.state.closed_to <= MAY + QUARTER
    assert [t for t in folder_store.store.history(("q01", IMPORT), 0)[0] if abs(int(t) - MAY) > DAY // 2] == []
    folder_store.close()


def test_c3_what_a_clock_that_was_ahead_has_closed_is_opened_again(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    for minute in range(40):
        folder_store.feed([Reading("q01", IMPORT, MAY + minute * MINUTE, 100_000 * minute, MAY)], MAY + minute * MINUTE)
    folder_store.feed([], MAY + DAY)  # the clock is a day ahead, and believed
    assert folder_store.ledger.reopen(MAY + 40 * MINUTE)
    for minute in range(40, 100):
        folder_store.feed([Reading("q01", IMPORT, MAY + minute * MINUTE, 100_000 * minute, MAY)], MAY + minute * MINUTE)
    assert interval_energies(folder_store.store, ("q01", IMPORT), MAY, 6) == [1_500_000] * 6
    assert not folder_store.ledger.reopen(MAY + 100 * MINUTE)
    folder_store.close()


def local_days(first: datetime, days: int) -> tuple[int, int]:
    """The moments between which so many local days lie."""
    begin = starts(Period.DAY, to_ms(first) - 2 * DAY, to_ms(first) + (days + 2) * DAY, ZONE, QUARTER)
    inside = [s for s in begin if s >= to_ms(first)]
    return inside[0], inside[days]


@pytest.mark.parametrize(
    ("month", "day", "quarters"),
    [(3, 29, 92), (10, 25, 100), (3, 30, 96), (4, 1, 96)],
)
def test_c4_c5_days_of_clock_changes_and_the_days_after_are_closed_whole(
    month: int, day: int, quarters: int, tmp_path: Path
) -> None:
    first, end = local_days(datetime(2026, month, day, tzinfo=ZONE), 1)
    assert (end - first) // QUARTER == quarters
    folder_store = StoreInFolder(tmp_path)
    channel = ("q01", IMPORT)
    readings = [Reading(*channel, first + i * QUARTER, i * 1_000_000, first) for i in range(quarters + 1)]
    for i in range(0, len(readings), 8):
        folder_store.feed(readings[i : i + 8], readings[min(i + 7, quarters)].at_ms + 70_000)
    folder_store.feed([], end + DAY)
    for period, count in ((Period.INTERVAL, quarters), (Period.HOUR, quarters // 4), (Period.DAY, 1)):
        grid = starts(period, first, end, ZONE, QUARTER)
        assert len(grid) == count
        columns = folder_store.store.columns([channel], period, np.array(grid))
        assert columns.present.all(), period
        assert int(columns.energy.sum()) == quarters * 1_000_000
    folder_store.close()


def test_c5_the_two_hours_of_autumn_have_two_names() -> None:
    first, end = local_days(datetime(2026, 10, 25, tzinfo=ZONE), 1)
    names = [label(Period.HOUR, at, ZONE) for at in starts(Period.HOUR, first, end, ZONE, QUARTER)]
    assert len(set(names)) == 25
    assert [n for n in names if "T02:00" in n] == ["2026-10-25T02:00+02:00", "2026-10-25T02:00+01:00"]


@pytest.mark.parametrize(
    ("zone", "day", "quarters"),
    [
        ("Africa/Cairo", datetime(2024, 4, 26, 12, tzinfo=UTC), 92),  # the change is at local midnight
        ("Africa/Cairo", datetime(2024, 10, 31, 12, tzinfo=UTC), 100),
        ("Asia/Kathmandu", datetime(2026, 5, 4, 12, tzinfo=UTC), 96),  # UTC+5:45
        ("Australia/Lord_Howe", datetime(2026, 4, 5, 0, tzinfo=UTC), 98),  # a change of half an hour
    ],
)
def test_c6_midnight_changes_and_odd_zones_follow_the_same_rules(zone: str, day: datetime, quarters: int) -> None:
    low, high = bounds(Period.DAY, to_ms(day), ZoneInfo(zone), QUARTER)
    assert (high - low) / QUARTER == quarters


METER = [Input("q01", "1.8.0", "meters", "m/q01", "/v", "Wh", time_field="/t")]


@pytest.mark.parametrize(
    ("stamp", "reason"),
    [
        (f'"{text(MAY + 5 * MINUTE)}"', "ahead of its arrival; set the device's clock"),  # C8: 5 min ahead
        ('"2026-05-04T02:00:00"', "no RFC 3339 time"),  # C9: local time without offset
        (str(MAY // 1000), "more than 10 years"),  # C10: seconds where milliseconds are expected
        (str(MAY * 1_000_000), "out of any range|more than 10 years"),  # C10: nanoseconds
        ("-1", "more than 10 years"),
    ],
)
def test_c8_c9_c10_times_that_cannot_be_are_refused_with_the_reason(stamp: str, reason: str) -> None:
    done = decode(group_of(METER, time_unit="ms"), b'{"v": 1, "t": %s}' % stamp.encode(), MAY, False)
    assert done.readings == ()
    assert re.search(reason, done.refusals[0].reason), done.refusals[0].reason


@pytest.mark.parametrize(
    ("stamp", "at"),
    [
        ("2016-12-31T23:59:60Z", datetime(2017, 1, 1, tzinfo=UTC)),
        ("2028-02-29T12:00:00Z", datetime(2028, 2, 29, 12, tzinfo=UTC)),
        ("2026-12-31T23:59:59Z", datetime(2026, 12, 31, 23, 59, 59, tzinfo=UTC)),
    ],
)
def test_c11_leap_second_leap_day_and_year_end_pass(stamp: str, at: datetime) -> None:
    done = decode(group_of(METER), b'{"v": 1, "t": "%s"}' % stamp.encode(), to_ms(at) + 1000, False)
    assert [r.at_ms for r in done.readings] == [to_ms(at)]


def test_c11_week_53_belongs_to_its_year() -> None:
    new_year = to_ms(datetime(2027, 1, 1, 12, tzinfo=UTC))
    assert label(Period.WEEK, starts(Period.WEEK, new_year - 5 * DAY, new_year, ZONE, QUARTER)[0], ZONE) == "2026-W53"


@pytest.mark.parametrize("year", [2038, 2106])
def test_c12_figures_go_on_beyond_32_bits(year: int, tmp_path: Path) -> None:
    begin = {2038: 2**31, 2106: 2**32}[year] * 1000
    begin -= begin % QUARTER + 2 * QUARTER
    folder_store = StoreInFolder(tmp_path)
    for i in range(6):
        at = begin + i * QUARTER
        folder_store.feed([Reading("q01", IMPORT, at, i * 1_000_000, at)], at + 70_000)
    assert text(begin).startswith(str(year))
    assert interval_energies(folder_store.store, ("q01", IMPORT), begin, 5) == [1_000_000] * 5
    folder_store.close()
