"""Topics become points and inputs that a daemon takes; what is left out is said with an example."""

import json
from pathlib import Path

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.payload import Field, mqtt_inputs, payload, topics
from meterd.adapters.sources.heard.listen import HeardMessage, HeardTopic
from meterd.app.operations.heard_points import HeardPlan, heard_plan
from meterd.app.operations.point_list import ListedPoint, PointList
from meterd.core.model.reading import REGISTERS, UNITS

MILL = Path(__file__).parents[3] / "config" / "harrow-mill"
NOW_MS = 1_777_852_800_000  # 2026-05-04 00:00 UTC


def topic(name: str, *values: object) -> HeardTopic:
    """A topic that sent these payloads ten seconds apart."""
    payloads = [value if isinstance(value, bytes) else json.dumps(value).encode() for value in values]
    messages = [HeardMessage(payload, NOW_MS + place * 10_000, False) for place, payload in enumerate(payloads)]
    heard = HeardTopic(name, messages[0], count=len(messages))
    heard.newest.extend(messages)
    return heard


def rows(plan: HeardPlan) -> list[tuple[str, str, str, str, str]]:
    return [(row.point, row.register, row.topic, row.number.field, row.unit) for row in plan.inputs]


def reasons(plan: HeardPlan) -> dict[str, str]:
    return {f"{item.topic} {item.field}".strip(): item.why for item in plan.not_read}


def test_points_are_named_by_what_their_topics_do_not_share() -> None:
    plan = heard_plan(
        [topic("mill/m/q01/import", 5.5), topic("mill/m/q01/power", 7), topic("mill/m/Büro 2", {"import_wh": 3})],
        "energy/mill",
    )
    assert rows(plan) == [
        ("buero-2", "1.8.0", "mill/m/Büro 2", "/import_wh", "Wh"),
        ("q01", "1.8.0", "mill/m/q01/import", "", "kWh"),
        ("q01", "16.7.0", "mill/m/q01/power", "", "W"),
    ]
    assert [point.name for point in plan.points] == ["buero-2", "q01"]


def test_the_messages_of_a_plan_give_its_inputs_again() -> None:
    """Harrow Mill, 77 points: JSON, SenML, plain numbers and pulses; every address, register and unit, every name."""
    site = load_plan(MILL).site
    row = {point.name: place for place, point in enumerate(site.points)}
    present = {"Wh": 123_456_789.0, "W": 12_340.0, "V": 231.0, "A": 18.5, "/": 0.97, "imp": 123_456.0}

    def value(field: Field) -> float:
        shown = present["imp" if field.source.unit == "imp" else REGISTERS[field.source.register].unit]
        return shown / (1 if field.source.unit == "imp" else UNITS[field.source.unit][1])

    heard = [
        HeardTopic(made.address, HeardMessage(payload(made, value, NOW_MS) or b"", NOW_MS, False), count=1)
        for made in topics(site, row, NOW_MS)
    ]
    for item in heard:
        item.newest.append(item.first)
    plan = heard_plan(heard, "energy/harrow-mill")
    wanted = {(r.point, r.register, r.address, r.field, r.unit, r.time_field) for r in mqtt_inputs(site)}
    assert {(r.point, r.register, r.topic, r.number.field, r.unit, r.time_field) for r in plan.inputs} == wanted
    assert len(wanted) > 150
    assert plan.not_read == []


def test_a_name_has_as_many_levels_as_it_needs() -> None:
    """A number alone is none, and two meters must not end alike; a pack that repeats its topic says it once."""
    pack = [{"n": "studio-03:power", "u": "W", "v": 5}]
    heard = [
        topic("mill/hall/meter-1", {"power_w": 1}), topic("mill/cafe/meter-1", {"power_w": 1}),
        topic("mill/grid/lift/power_w", 1),
        topic("mill/board/7", {"power_w": 1}), topic("mill/studios/03", pack), topic("mill/solar/east", {"power_w": 1}),
    ]  # fmt: skip
    points = {point.name: point.values["role"] for point in heard_plan(heard, "energy/mill").points}
    assert points == {
        "hall-meter-1": "feeder", "cafe-meter-1": "feeder", "lift": "feeder", "board-7": "feeder", "studio-03": "feeder",
        "east": "pv",
    }  # fmt: skip


def test_roles_by_name_and_one_topic_alone() -> None:
    plan = heard_plan([topic("mill/t1", {"power": 1}), topic("mill/pv-roof", {"power": 1})], "energy/mill")
    assert {point.name: point.values["role"] for point in plan.points} == {"t1": "feed", "pv-roof": "pv"}
    assert [point.name for point in heard_plan([topic("mill/q01/power", 1)], "energy/mill").points] == ["q01"]
    assert [point.name for point in heard_plan([topic("power", 1)], "energy/mill").points] == ["meter"]


def test_names_of_a_list_win() -> None:
    """By title and serial number; a point that is not heard stays in the plan."""
    listed = PointList(
        (
            ListedPoint({"point": "ovens", "title": "Bakery ovens", "board": "main", "role": "feeder"}),
            ListedPoint({"point": "cold", "serial": "4711", "board": "main", "role": "feeder"}),
            ListedPoint({"point": "hall", "board": "main", "role": "feeder"}),
        ),
        {},
        (),
    )
    plan = heard_plan([topic("m/bakery_ovens/power", 1), topic("m/4711/power", 1)], "energy/mill", listed)
    assert [(row.point, row.topic) for row in plan.inputs] == [
        ("cold", "m/4711/power"),
        ("ovens", "m/bakery_ovens/power"),
    ]
    assert [point.name for point in plan.points] == ["ovens", "cold", "hall"]


def test_of_two_values_of_one_register_the_one_with_a_unit_is_read() -> None:
    plan = heard_plan([topic("mill/q01", {"energy": 5, "energy_kwh": 5})], "energy/mill")
    assert rows(plan) == [("q01", "1.8.0", "mill/q01", "/energy_kwh", "kWh")]
    assert reasons(plan) == {"mill/q01 /energy": "1.8.0 of q01 is read from mill/q01 /energy_kwh already"}


def test_registers_sent_in_turns_are_all_found() -> None:
    plan = heard_plan([topic("mill/q01", {"import_wh": 5}, {"power_w": 7}, {"state": "ok"})], "energy/mill")
    assert {row.register for row in plan.inputs} == {"1.8.0", "16.7.0"}


def test_what_the_daemon_would_refuse_is_not_in_the_plan() -> None:
    """A member twice, a power beyond any feeder, a number in quotes."""
    plan = heard_plan(
        [topic("m/a", b'{"power_w": 1, "power_w": 2}'), topic("m/b/power_w", 5e9), topic("m/c", {"power": "4"})],
        "energy/mill",
    )
    assert rows(plan) == []
    assert "occurs twice" in reasons(plan)["m/a /power_w"]
    assert "beyond what the point can have" in reasons(plan)["m/b/power_w"]
    assert "a number in quotes is text" in reasons(plan)["m/c /power"]
    assert plan.points == []


def test_a_clock_that_is_ahead_leaves_the_time_of_arrival() -> None:
    ahead = {"power_w": 5, "time": NOW_MS // 1000 + 3600}
    plan = heard_plan([topic("m/a", ahead)], "energy/mill")
    assert plan.inputs[0].time_field == ""
    assert "ahead of its arrival; set the device's clock" in plan.inputs[0].guesses[-1]


def test_units_of_time_have_sources_of_their_own() -> None:
    seconds, millis = {"power_w": 5, "t": NOW_MS // 1000}, {"power_w": 5, "t": NOW_MS}
    plan = heard_plan([topic("m/a", seconds), topic("m/b", millis), topic("m/c/power_w", 5)], "energy/mill")
    assert plan.sources() == {"broker": "s", "broker-ms": "ms"}
    assert {row.point: plan.source_of(row) for row in plan.inputs} == {"a": "broker", "b": "broker-ms", "c": "broker"}


def test_derived_values_are_no_meters() -> None:
    """Our own output, and that of another site whose service topic is heard."""
    others = topic("energy/gate/service", {"epoch": 1, "state": "live"})
    plan = heard_plan([others, topic("energy/gate/site/draw/plain", 5), topic("energy/mill/x/power", 5)], "energy/mill")
    assert rows(plan) == []
    assert reasons(plan) == {
        "energy/gate/#": "derived values of meterd and no meters, topics: 2",
        "energy/mill/#": "derived values of meterd and no meters, topics: 1",
    }
