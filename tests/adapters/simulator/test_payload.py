"""Payloads have the form that the inputs of the plan ask for, and read back with a plain JSON decoder."""

import json

import pytest

from meterd.adapters.simulator.payload import common, make_field, payload, topics
from meterd.core.model.plan import Input, Source
from tests.adapters.simulator.sites import JUNE, harrow_mill, mill


def one(inputs, value=12.5, **changed):
    site = mill(inputs=tuple(inputs), **changed)
    result = topics(site, {point.name: i for i, point in enumerate(site.points)}, JUNE)
    assert len(result) == 1
    message = payload(result[0], lambda field: value, JUNE)
    assert message is not None
    return json.loads(message)


def test_pointers_become_nested_objects_lists_and_escaped_names():
    """RFC 6901: ~1 is a slash, ~0 a tilde, digits index a list."""
    names = ["/a/b", "/a/c~1d", "/m~0n", "/phases/0/p", "/phases/1/p", "/phases/2/p"]
    result = one(Input("t1", "16.7.0", "net", "x", name, "W", time_field="/meta/at") for name in names)
    assert result == {
        "meta": {"at": "2026-06-10T06:00:00Z"},
        "a": {"b": 12.5, "c/d": 12.5},
        "m~n": 12.5,
        "phases": [{"p": 12.5}] * 3,
    }


def test_digits_that_do_not_count_up_stay_names():
    assert one([Input("t1", "16.7.0", "net", "x", "/7/p", "W")]) == {"7": {"p": 12.5}}


def test_an_empty_field_is_a_plain_number():
    assert one([Input("t1", "16.7.0", "net", "x", "", "kW")]) == 12.5


def test_names_become_a_senml_pack_with_base_name_and_time():
    """RFC 8428: base name and base time in the first record, units as registered."""
    result = one(
        [Input("t1", "1.8.0", "net", "x", "room-1:e", "Wh"), Input("t1", "16.7.0", "net", "x", "room-1:p", "W")]
    )
    assert result == [
        {"bn": "room-1:", "bt": 1781071200.0, "n": "e", "u": "Wh", "v": 12.5},
        {"n": "p", "u": "W", "v": 12.5},
    ]


def test_secondary_units_carry_the_base_version():
    """RFC 8798: a pack that uses kWh needs bver 26."""
    assert one([Input("t1", "1.8.0", "net", "x", "e", "kWh")]) == [
        {"bt": 1781071200.0, "bver": 26, "n": "e", "u": "kWh", "v": 12.5}
    ]


@pytest.mark.parametrize(
    ("names", "base"),
    [(["a:b", "a:c"], "a:"), (["a:b"], ""), (["a:", "a:c"], ""), (["x", "y"], ""), (["m/1/p", "m/1/q"], "m/1/")],
)
def test_base_name_leaves_something_of_each_name(names, base):
    assert common(names) == base


def test_no_value_no_message_and_a_part_of_the_values_a_part_of_the_message():
    inputs = [Input("t1", "1.8.0", "net", "x", "/e"), Input("t2", "1.8.0", "net", "x", "/f")]
    result = topics(mill(inputs=tuple(inputs)), {"t1": 0, "t2": 1}, JUNE)[0]
    assert payload(result, lambda field: None, JUNE) is None
    assert json.loads(payload(result, lambda field: 1 if field.row else None, JUNE) or b"") == {"f": 1}


@pytest.mark.parametrize(
    ("unit", "scale", "base", "shown"),
    [
        ("W", 1.0, 1234.56, 1235),
        ("kW", 1.0, 1234.56, 1.235),
        ("V", 1.0, 230.94, 230.9),
        ("W", 10.0, 1234.56, 123.5),
        ("%", 1.0, 0.98765, 98.8),
    ],
)
def test_present_values_have_the_decimals_of_an_instrument(unit, scale, base, shown):
    registers = {"V": "32.7.0", "%": "13.7.0"}
    field = make_field(mill(), Input("t1", registers.get(unit, "16.7.0"), "net", "x", "/p", unit, scale), 0, JUNE)
    assert field.shown(base) == shown
    assert isinstance(field.shown(base), int) == (unit == "W" and scale == 1.0)


def test_inputs_from_files_and_of_planned_points_are_not_sent():
    site = harrow_mill()
    row = {point.name: i for i, point in enumerate(site.points)}
    assert topics(site, row, JUNE)
    files = mill(sources=(Source("net", "file"),))
    assert topics(files, row, JUNE) == ()


def test_every_topic_of_the_example_plan_has_a_value_and_reads_back():
    site = harrow_mill()
    row = {point.name: i for i, point in enumerate(site.points)}
    for topic in topics(site, row, JUNE):
        assert json.loads(payload(topic, lambda field: 3, JUNE) or b"") is not None
