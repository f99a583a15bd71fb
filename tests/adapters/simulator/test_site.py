"""The stream of messages: the same bytes however time is cut, the values the plan asks for, the faults that were planted."""

import json
import time
from operator import attrgetter

import numpy as np
import pytest

from meterd.adapters.simulator.faults import Fault, fault
from meterd.adapters.simulator.physics import build
from meterd.adapters.simulator.site import Simulator
from meterd.adapters.sources.payloads import decode, group_of
from meterd.core.errors import ConfigError
from meterd.core.model.periods import text
from meterd.core.model.plan import Input, base_scale
from meterd.core.model.reading import REGISTERS
from tests.adapters.simulator.sites import (
    DAY,
    HOUR,
    JUNE,
    MINUTE,
    POINTS,
    harrow_mill,
    in_steps,
    instrument,
    messages,
    mill,
)


def values(simulator, topic, key, until_ms=JUNE + 10 * MINUTE):
    return [json.loads(message)[key] for message in messages(simulator, until_ms).get(topic, [])]


@pytest.mark.parametrize("faults", [[], [fault("drift", "t1"), fault("late", "riser"), fault("outage", "harrow-mill")]])
def test_the_same_bytes_however_time_is_cut(faults):
    site = harrow_mill()
    faults = [f for f in faults if f.target != "riser"] + [fault("late", "riser-east", 25.0)] * bool(faults)
    runs = [
        in_steps(Simulator(site, 1, faults, start_ms=JUNE), [JUNE + 600_000]),
        in_steps(Simulator(site, 1, faults, start_ms=JUNE), [JUNE + 10_000 * k for k in range(61)]),
        in_steps(
            Simulator(site, 1, faults, start_ms=JUNE), [JUNE + 7_300, JUNE + 7_300, JUNE + 311_111, JUNE + 600_000]
        ),
    ]
    assert sorted(runs[0]) == sorted(runs[1]) == sorted(runs[2])
    assert len(runs[0]) > 4000
    if not faults:
        assert runs[0] == runs[1] == runs[2]


def test_another_seed_gives_another_stream():
    assert Simulator(mill(), 1, start_ms=JUNE).step(JUNE) != Simulator(mill(), 2, start_ms=JUNE).step(JUNE)


def test_first_step_gives_every_topic_at_the_start():
    site = harrow_mill()
    simulator = Simulator(site, 1, start_ms=JUNE)
    sent = messages(simulator, JUNE)
    assert set(sent) == {i.address for i in site.inputs}
    assert all(len(result) == 1 for result in sent.values())
    assert simulator.next_ms == JUNE + 10_000


def test_messages_decode_to_the_readings():
    """Resolved here by hand: pointer, SenML name or plain number; then scaled as the plan says."""
    site = harrow_mill()
    sent = messages(Simulator(site, 1, start_ms=JUNE), JUNE)
    readings = {(r.point, r.register): r for r in Simulator(site, 1, start_ms=JUNE).readings(JUNE)}
    assert len(readings) == len(site.inputs)
    for source in site.inputs:
        document = json.loads(sent[source.address][0])
        reading = readings[source.point, source.register]
        stamp = None
        if source.field.startswith("/"):
            shown = document[source.field[1:]]
            stamp = document[source.time_field[1:]] if source.time_field else None
        elif source.field:
            base = document[0].get("bn", "")
            shown = next(record["v"] for record in document if base + record["n"] == source.field)
            stamp = text(round(document[0]["bt"] * 1000))
        else:
            shown = document
        scaled = shown * base_scale(source)
        if REGISTERS[source.register].cumulative:
            assert reading.value == round(scaled * 1000)
        else:
            assert reading.value == pytest.approx(scaled, rel=1e-12)
        assert reading.device_time == (stamp is not None)
        assert stamp is None or stamp == text(reading.at_ms)
        assert abs(reading.at_ms - JUNE) <= 1000


def test_power_and_register_agree():
    simulator = Simulator(mill(), 1, start_ms=JUNE)
    sent = messages(simulator, JUNE + HOUR)["m/bakery-ovens"]
    rows = [json.loads(message) for message in sent]
    energy = sum(row["w"] for row in rows[1:]) * 10 / 3600
    assert rows[-1]["imp"] - rows[0]["imp"] == pytest.approx(energy, abs=2)


def test_every_register_can_be_asked_for():
    inputs = tuple(Input("workshops", code, "net", "w", f"/{code}", kind.unit) for code, kind in REGISTERS.items())
    simulator = Simulator(mill(inputs=inputs), 1, start_ms=JUNE)
    simulator.step(JUNE + HOUR)
    row = json.loads(simulator.step(JUNE + HOUR + 10_000)[0][1])
    watts, vars_ = row["16.7.0"], row["131.7.0"]
    assert watts > 0
    assert row["36.7.0"] + row["56.7.0"] + row["76.7.0"] == pytest.approx(watts, abs=2)
    assert row["13.7.0"] == pytest.approx(watts / np.hypot(watts, vars_), abs=0.001)
    phases = (("32.7.0", "31.7.0"), ("52.7.0", "51.7.0"), ("72.7.0", "71.7.0"))
    apparent = sum(row[volt] * row[amp] for volt, amp in phases)
    assert apparent == pytest.approx(np.hypot(watts, vars_), rel=0.02)
    assert 49.5 < row["14.7.0"] < 50.5
    assert row["0.4.2"] / row["0.4.5"] >= 1.0
    assert row["3.8.0"] > 0
    assert 0 <= row["irradiance"] < 1200
    assert row["4.8.0"] >= 0


def test_power_factor_without_load_is_one():
    inputs = (Input("print-shop", "13.7.0", "net", "w", "/pf", "/"),)
    assert json.loads(Simulator(mill(inputs=inputs), 1, start_ms=JUNE).step(JUNE)[0][1]) == {"pf": 1.0}


def test_pulses_come_every_thirty_seconds():
    inputs = (Input("workshops", "1.8.0", "net", "w", "", "imp"),)
    assert len(Simulator(mill(inputs=inputs), 1, start_ms=JUNE).step(JUNE + 5 * MINUTE)) == 11


def test_a_silent_meter_sends_nothing_from_its_start_on():
    simulator = Simulator(mill(), 1, [fault("silent", "t1", start_s=60.0)], start_ms=JUNE)
    sent = messages(simulator, JUNE + 2 * MINUTE)
    assert len(sent["m/t1"]) == 6
    assert len(sent["m/t2"]) == 13


def test_faults_may_begin_later_than_the_simulation():
    planted = [fault("silent", "t1", start_s=30.0), fault("unmetered", "north", start_s=30.0)]
    simulator = Simulator(mill(), 1, planted, start_ms=JUNE, faults_from_ms=JUNE + MINUTE)
    assert len(messages(simulator, JUNE + 2 * MINUTE)["m/t1"]) == 9
    assert simulator.truth is not None
    assert simulator.truth.unmetered[0].tolist() == [0] * 10 + [15_000_000] * 3


def test_the_daemon_decodes_every_payload_to_the_same_reading():
    site = harrow_mill()
    sent = messages(Simulator(site, 1, start_ms=JUNE), JUNE)
    decoded = []
    for topic, payloads in sent.items():
        group = group_of([i for i in site.inputs if i.address == topic])
        result = decode(group, payloads[0], JUNE, False)
        assert not result.refusals, topic
        decoded += result.readings
    key = attrgetter("point", "register")
    expected = sorted(Simulator(site, 1, start_ms=JUNE).readings(JUNE), key=key)
    assert sorted(decoded, key=key) == expected


def test_late_messages_bear_their_own_time_and_all_arrive():
    simulator = Simulator(mill(), 1, [Fault("late", "t1", 45.0, 60.0, 60.0)], start_ms=JUNE)
    plain = Simulator(mill(), 1, start_ms=JUNE)
    first, second = messages(simulator, JUNE + 100_000), messages(simulator, JUNE + 5 * MINUTE)
    assert len(first["m/t1"]) == 6
    assert sorted(first["m/t1"] + second["m/t1"]) == sorted(messages(plain, JUNE + 5 * MINUTE)["m/t1"])
    assert second["m/t1"] != sorted(second["m/t1"])


def test_doubled_messages_are_equal():
    sent = messages(Simulator(mill(), 1, [fault("duplicate", "t1", start_s=0.0)], start_ms=JUNE), JUNE + MINUTE)["m/t1"]
    assert sent[0::2] == sent[1::2]
    assert len(sent) == 14


def test_a_wrong_clock_stamps_ahead():
    plain = values(Simulator(mill(), 1, start_ms=JUNE), "m/t1", "t")
    ahead = values(Simulator(mill(), 1, [fault("clock", "t1", 300.0, 0.0)], start_ms=JUNE), "m/t1", "t")
    assert plain[30:] == ahead[: len(plain) - 30]


def test_unmetered_load_appears_in_the_feed_only():
    plain, loaded = (
        Simulator(mill(), 1, faults, start_ms=JUNE) for faults in ([], [fault("unmetered", "north", 20_000.0, 60.0)])
    )
    item, two = messages(plain, JUNE + 2 * MINUTE), messages(loaded, JUNE + 2 * MINUTE)
    changed = {topic for topic in item if item[topic] != two[topic]}
    assert changed == {"m/t1", "m/t2"}
    watts = [sum(json.loads(sent[t][-1])["w"] for t in ("m/t1", "m/t2")) for sent in (item, two)]
    assert watts[1] - watts[0] == pytest.approx(20_000, rel=0.02)


def test_mains_outage_moves_the_load_to_the_backup_supply():
    simulator = Simulator(mill(), 1, [fault("outage", "mill", start_s=60.0)], start_ms=JUNE)
    simulator.step(JUNE + 50_000)
    during = {topic: json.loads(result[-1]) for topic, result in messages(simulator, JUNE + 2 * MINUTE).items()}
    assert during["m/t1"]["w"] == during["m/t2"]["w"] == during["m/pv-roof"]["w"] == 0
    assert during["m/genset"]["w"] > 0
    after = {topic: json.loads(result[-1]) for topic, result in messages(simulator, JUNE + HOUR).items()}
    assert after["m/t1"]["w"] > 0
    assert after["m/genset"]["w"] == 0


def test_a_consumer_follows_its_share_and_goes_back_to_its_habit():
    simulator = Simulator(mill(), 1, start_ms=JUNE)
    row = build(mill(), 1).row["studio-1"]
    powers = []
    for share in (1500.0, 0.0, None):
        simulator.give("heater-1", share)
        simulator.step(simulator.next_ms + 50_000)
        assert simulator.truth is not None
        powers.append(simulator.truth.power[row].min())
    assert powers[0] - powers[1] > 1_000_000


def test_fitted_points_send_and_planned_ones_do_not():
    site = harrow_mill()
    sent = messages(Simulator(site, 1, start_ms=JUNE), JUNE)
    assert json.loads(sent["mill/meters/print-shop"][0])["power_w"] == 0


def test_the_world_can_be_shifted_against_the_clock():
    """At midnight by the clock, with the sun of noon."""
    night = JUNE + 16 * HOUR
    dark = Simulator(mill(), 1, start_ms=night)
    bright = Simulator(mill(), 1, start_ms=night, world_offset_ms=-12 * HOUR)
    assert values(dark, "m/pv-roof", "w", night)[0] <= 0
    assert values(bright, "m/pv-roof", "w", night)[0] > 10_000
    assert text(night)[:10] in json.loads(bright.step(night + 10_000)[0][1])["t"]


def test_faults_that_do_not_fit_are_refused_before_anything_is_sent():
    with pytest.raises(ConfigError, match="drift:nowhere"):
        Simulator(mill(), 1, [fault("drift", "nowhere")], start_ms=JUNE)


def test_a_plan_without_instruments_inputs_or_consumers_can_be_simulated():
    bare = mill(instruments=(), inputs=(), consumers=())
    assert Simulator(bare, 1, start_ms=JUNE).step(JUNE + MINUTE) == []
    assert Simulator(mill(instruments=(), consumers=()), 1, start_ms=JUNE).step(JUNE)


def test_an_exchange_changes_what_the_messages_show():
    new = instrument("workshops", from_ms=JUNE + MINUTE, opening=(("1.8.0", 5_000_000),))
    plates = tuple(instrument(p.name) for p in POINTS)
    site = mill(instruments=(*plates, new))
    shown = values(Simulator(site, 1, start_ms=JUNE), "m/workshops", "imp")
    assert shown[5] > 100_000
    assert shown[6] == 5000


def test_a_step_of_harrow_mill_takes_a_few_milliseconds():
    """77 points every 10 s; measured 8 ms on one core of a loaded small machine."""
    simulator = Simulator(harrow_mill(), 1, start_ms=JUNE)
    simulator.step(JUNE)
    begun = time.process_time()
    for k in range(1, 101):
        simulator.step(JUNE + 10_000 * k)
    assert (time.process_time() - begun) / 100 < 0.05
    assert simulator.next_ms < JUNE + DAY
