"""Publishing keeps the pace, loses nothing that the broker takes, and stops at once; the summary suits its screen."""

import json
import threading
import time
from datetime import UTC, datetime
from io import StringIO
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from rich.console import Console

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.simulator import run
from meterd.adapters.simulator.physics import build, truth
from meterd.adapters.simulator.run import (
    DEFAULT_SEED,
    Pace,
    plan_path,
    publish_simulation,
    publish_to,
    set_pace,
    subscribe_line,
    summer_offset_ms,
    watch,
    zone_of_late_morning,
)
from meterd.adapters.simulator.site import Simulator
from meterd.adapters.simulator.summary import Rates
from meterd.core.errors import ConfigError
from meterd.core.model.periods import from_ms, to_ms
from tests.adapters.simulator.sites import JUNE, MINUTE, harrow_mill, mill
from tests.brokers import Mosquitto, until
from tests.snapshots import snapshot


def test_the_example_plans_are_found():
    assert (plan_path() / "site.toml").is_file()
    assert plan_path("small.toml").is_file()
    with pytest.raises(ConfigError, match="example plan nothing is missing"):
        plan_path("nothing")


def test_simulated_time_runs_at_its_speed():
    pace = Pace(JUNE, 60.0, time.monotonic() - 2.0)
    assert JUNE + 120_000 <= pace.now_ms() < JUNE + 130_000
    assert pace.wait_s(JUNE) == 0.0
    assert pace.wait_s(JUNE + 10 * MINUTE) == pytest.approx(8.0, abs=0.2)


@pytest.mark.parametrize("speed", [0.0, -1.0, 1e9, float("nan")])
def test_impossible_speeds_are_refused(speed):
    with pytest.raises(ConfigError, match="speed"):
        set_pace(JUNE, speed)


@pytest.mark.parametrize("month", [1, 6, 12])
def test_the_shifted_world_begins_on_a_saturday_morning_in_june(month):
    now = to_ms(datetime(2026, month, 25, 1, 2, 3, tzinfo=UTC))
    world = from_ms(now + summer_offset_ms(now, "Europe/Vienna"))
    assert (world.month, world.weekday(), world.hour, world.minute) == (6, 5, 9, 30)


@pytest.mark.parametrize("month", [1, 6])
@pytest.mark.parametrize("hour", range(24))
def test_it_is_late_morning_where_the_demonstration_stands(month, hour):
    for minute in (0, 29, 31, 59):
        now = datetime(2026, month, 15, hour, minute, tzinfo=UTC)
        zone = zone_of_late_morning(to_ms(now), "Europe/Vienna")
        assert 10 <= now.astimezone(ZoneInfo(zone)).hour < 13, zone
        if 10 <= now.astimezone(ZoneInfo("Europe/Vienna")).hour < 13:
            assert zone == "Europe/Vienna"


def test_the_demonstration_has_clouds_and_a_surplus_that_comes_and_goes():
    site = harrow_mill()
    begin = summer_offset_ms(0, site.zone)
    result = build(site, DEFAULT_SEED)
    true = truth(result, begin + 10_000 * np.arange(180, dtype=np.int64))
    sun = true.power[result.pv].sum(axis=0) / 1e6
    export = -true.power[[result.row["t1"], result.row["t2"]]].sum(axis=0)
    assert sun.max() > 100
    assert sun.min() < 60
    assert 0.2 < (export > 0).mean() < 0.9


def test_messages_are_sent_in_order_until_the_stop():
    sent, stop = [], threading.Event()

    def publish(topic, payload):
        sent.append((topic, payload))
        if len(sent) >= 300:
            stop.set()
        return len(sent) % 10 != 0

    lost = publish_simulation(publish, Simulator(mill(), 1, start_ms=JUNE), set_pace(JUNE, 3600.0), stop)
    assert sent == Simulator(mill(), 1, start_ms=JUNE).step(JUNE + 10 * MINUTE)[:300]
    assert lost == 30


def test_the_stop_is_noticed_while_waiting():
    stop = threading.Event()
    thread = threading.Thread(
        target=publish_simulation,
        args=(lambda *_: True, Simulator(mill(), 1, start_ms=JUNE), set_pace(JUNE, 0.01), stop),
    )
    thread.start()
    stop.set()
    thread.join(1.0)
    assert not thread.is_alive()


def test_the_subscribe_line_can_be_pasted():
    assert (
        subscribe_line("energy", "mill", 18830) == "mosquitto_sub -V mqttv5 -h 127.0.0.1 -p 18830 -t 'energy/mill/#' -v"
    )


def test_a_pipe_gets_plain_lines_and_a_last_one_at_the_stop(monkeypatch):
    monkeypatch.setattr(run, "LINE_EVERY_S", 0.01)
    out, stop, looks = StringIO(), threading.Event(), []

    def look():
        looks.append(1)
        if len(looks) == 4:
            stop.set()
        return (None if len(looks) == 1 else snapshot()), Rates()

    watch(look, stop, broker_line="x", console=Console(file=out, force_terminal=False, width=40))
    lines = out.getvalue().splitlines()
    assert len(lines) in (3, 4)
    assert all("surplus 1.5 kW" in text and "\x1b" not in text for text in lines)


def test_a_terminal_is_redrawn_in_place():
    out, stop = StringIO(), threading.Event()

    def look():
        stop.set()
        return snapshot(), Rates()

    watch(look, stop, broker_line="the broker line", console=Console(file=out, force_terminal=True, width=120))
    assert "the broker line" in out.getvalue()


@pytest.mark.slow
def test_a_broker_gets_every_topic_of_the_example_plan_and_the_stop_takes_less_than_two_seconds():
    site, stop = harrow_mill(), threading.Event()
    inbox = MessageQueue(10_000)
    with Mosquitto() as broker:
        listener = Link(
            LinkSettings("listener", "127.0.0.1", broker.port, session_expiry_s=0), topics=["mill/#"], inbox=inbox
        )
        listener.start()
        assert until(lambda: listener.state().subscribed)
        simulator = Simulator(site, 1, start_ms=JUNE)
        thread = threading.Thread(
            target=publish_to, args=("127.0.0.1", broker.port, simulator, set_pace(JUNE, 30.0), stop)
        )
        thread.start()
        assert until(lambda: inbox.qsize() > 300)
        begun = time.monotonic()
        stop.set()
        thread.join(5.0)
        assert time.monotonic() - begun < 2.0
        listener.close()
    got = [inbox.get_nowait() for _ in range(inbox.qsize())]
    assert {message.topic for message in got} == {i.address for i in site.inputs}
    assert all(json.loads(message.payload) is not None for message in got)


@pytest.mark.slow
def test_the_stop_is_noticed_when_there_is_no_broker():
    stop, simulator = threading.Event(), Simulator(mill(), 1, start_ms=JUNE)
    thread = threading.Thread(target=publish_to, args=("127.0.0.1", 1, simulator, set_pace(JUNE), stop))
    thread.start()
    stop.set()
    thread.join(2.0)
    assert not thread.is_alive()
