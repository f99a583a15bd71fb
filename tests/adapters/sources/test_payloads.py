"""A payload becomes readings in milli-units or base units, or refusals with a reason; never an exception."""

import csv
import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources import PAYLOAD_LIMIT
from meterd.adapters.sources.payloads import InputGroup, decode, group_of
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input
from meterd.core.model.reading import Reading

NOW_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
JSON_METER = (
    Input("q01", "1.8.0", "broker", "m", "/energy/import", "kWh", time_field="/time"),
    Input("q01", "2.8.0", "broker", "m", "/energy/export", "kWh", time_field="/time"),
    Input("q01", "16.7.0", "broker", "m", "/power", "kW", time_field="/time"),
    Input("q01", "32.7.0", "broker", "m", "/u/0", "V", time_field="/time"),
)


def one(field: str = "", unit: str = "kWh", register: str = "1.8.0", **more: object) -> InputGroup:
    return group_of([Input("q01", register, "broker", "m", field, unit, **more)])  # type: ignore[arg-type]


def values(group: InputGroup, payload: bytes) -> list[int | float]:
    return [reading.value for reading in decode(group, payload, NOW_MS, False).readings]


def reasons(group: InputGroup, payload: bytes) -> list[str]:
    return [refusal.reason for refusal in decode(group, payload, NOW_MS, False).refusals]


def test_plain_number_feeds_a_register_in_whole_milliwatt_hours_at_the_time_of_arrival() -> None:
    assert decode(one(), b" 123.4567\n", NOW_MS, False).readings == (
        Reading("q01", "1.8.0", NOW_MS, 123_456_700, NOW_MS, device_time=False),
    )


def test_one_json_payload_feeds_many_registers_with_the_device_time() -> None:
    payload = b'{"time":"2025-12-31T23:59:50Z","energy":{"import":1234.5,"export":7},"power":-1.25,"u":[230.1]}'
    decoded = decode(group_of(JSON_METER), payload, NOW_MS, False)
    assert [(r.register, r.value) for r in decoded.readings] == [
        ("1.8.0", 1_234_500_000),
        ("2.8.0", 7_000_000),
        ("16.7.0", -1250.0),
        ("32.7.0", 230.1),
    ]
    assert {(r.at_ms, r.received_ms, r.device_time) for r in decoded.readings} == {(NOW_MS - 10_000, NOW_MS, True)}
    assert not decoded.refusals


def test_a_member_without_a_time_is_of_the_time_of_arrival() -> None:
    """Also beside a member that has one; a message that the broker had kept stays marked."""
    inputs = (JSON_METER[0], Input("q01", "16.7.0", "broker", "m", "/power", "kW"))
    payload = b'{"time":"2025-12-31T23:59:50Z","energy":{"import":1},"power":2}'
    with_time, without = decode(group_of(inputs), payload, NOW_MS, True).readings
    assert (with_time.at_ms, with_time.device_time, with_time.old) == (NOW_MS - 10_000, True, True)
    assert (without.at_ms, without.device_time, without.old) == (NOW_MS, False, True)


@pytest.mark.parametrize(("ahead_ms", "taken"), [(60_000, 1), (60_001, 0)])
def test_a_time_may_be_ahead_of_its_arrival_by_a_minute(ahead_ms: int, taken: int) -> None:
    """The default: clocks of meters that are set by hand are off by so much; one millisecond more is refused."""
    group = group_of([Input("q01", "1.8.0", "broker", "m", "/e", "kWh", time_field="/t")], time_unit="ms")
    decoded = decode(group, b'{"e":1,"t":%d}' % (NOW_MS + ahead_ms), NOW_MS, False)
    assert (len(decoded.readings), len(decoded.refusals)) == (taken, 1 - taken)


@pytest.mark.parametrize(
    ("unit", "register", "scale", "value"),
    [
        ("Wh", "1.8.0", 1.0, 1_500),
        ("MWh", "1.8.0", 1.0, 1_500_000_000),
        ("kWh", "1.8.0", 0.1, 150_000),
        ("imp", "1.8.0", 1.0, 1_500),
        ("kvarh", "3.8.0", 1.0, 1_500_000),
        ("kW", "16.7.0", 1.0, 1500.0),
        ("mA", "31.7.0", 1.0, 0.0015),
        ("%", "13.7.0", 1.0, 0.015),
        ("kV", "32.7.0", 1.0, 1500.0),
    ],
)
def test_units_and_scale_of_the_plan_lead_to_the_base_unit(
    unit: str, register: str, scale: float, value: float
) -> None:
    assert values(one("", unit, register, scale=scale), b"1.5") == [pytest.approx(value, rel=1e-12)]


# F1, B11 and B13: nothing of this may become a reading
GARBAGE = [
    (b"", "empty payload"),
    (b"NaN", "NaN"),
    (b"1e400", "range of a double"),
    (b"true", "no plain decimal"),
    (b"null", "no plain decimal"),
    (b"12,5", "decimal comma"),
    (b"1_000", "underscore"),
    ("１２".encode(), "ASCII"),
    (b"0x1F", "no plain decimal"),
    (b"12 kWh", "no plain decimal"),
    (b"\xef\xbb\xbf12", "byte order mark"),
    (b"\xff\xfe", "UTF-8"),
    (b"\x00", "no plain decimal"),
    (b'"12"', "no plain decimal"),
    (b"1" * (PAYLOAD_LIMIT + 1), "the limit is 262144"),
]
JSON_GARBAGE = [
    (b'{"v":NaN}', "no valid JSON"),
    (b'{"v":Infinity}', "no valid JSON"),
    (b'{"v":1e400}', "out of range"),
    (b'{"v":true}', "true is no number"),
    (b'{"v":null}', "null is no number"),
    (b'{"v":"12.5"}', "in quotes"),
    (b'{"v":1_000}', "no valid JSON"),
    (b'{"v":12,5}', "no valid JSON"),
    (b'{"v":0x10}', "no valid JSON"),
    (b'{"v":[1]}', "an array"),
    (b'{"v":1} x', "trailing"),
    (b'{"v":1}{"v":1}', "trailing"),
    (b'{"v":1,"v":2}', "occurs twice"),
    (b'{"a":{"x":1,"x":1},"v":2}', "occurs twice"),
    (b'{"\\u0076":1,"v":2}', "occurs twice"),
    (b'{"v":1,"t":"a:b","v":2}', "occurs twice"),
    (b'{"w":1}', "no such member"),
    (b"[]", "no index"),
    (b"1", "plain value"),
    (b'\xef\xbb\xbf{"v":1}', "byte order mark"),
    (b'{"v":1,"t":"\xff"}', "UTF-8"),
    (b'{"v":', "truncated"),
    (b"[" * 100_000, "deep"),
    (b'{"v":' + b"9" * 400 + b"}", "range of a double"),
    (b'{"v":1e16}', "2\\^53"),
]


@pytest.mark.parametrize(("payload", "reason"), GARBAGE, ids=lambda part: str(part)[:20])
def test_f1_garbage_as_plain_number_is_refused(payload: bytes, reason: str) -> None:
    assert values(one(), payload) == []
    assert len(reasons(one(), payload)) == 1
    assert reason in reasons(one(), payload)[0]


@pytest.mark.parametrize(("payload", "reason"), JSON_GARBAGE, ids=lambda part: str(part)[:20])
def test_f1_garbage_in_json_is_refused(payload: bytes, reason: str) -> None:
    group = one("/v")
    assert values(group, payload) == []
    (text,) = reasons(group, payload)
    assert reason.replace("\\", "") in text


def test_f1_minus_zero_is_zero() -> None:
    assert math.copysign(1.0, values(one("", "W", "16.7.0"), b"-0.0")[0]) == 1.0
    assert math.copysign(1.0, values(one("/v", "W", "16.7.0", scale=-1.0), b'{"v":0}')[0]) == 1.0


def test_equal_names_in_different_objects_and_colons_in_text_are_no_repetition() -> None:
    payload = b'{"v":1,"a":{"v":"x:y::"},"b":[{"v":3},{"v":4}],"t\\u003a":"\\""}'
    assert values(one("/v", "W", "16.7.0"), payload) == [1.0]


def test_member_that_is_absent_now_and_then_is_no_refusal() -> None:
    decoded = decode(group_of(JSON_METER), b'{"time":1767225600,"power":2}', NOW_MS, False)
    assert [reading.value for reading in decoded.readings] == [2000.0]
    assert decoded.refusals == ()
    assert len(decode(group_of(JSON_METER), b'{"time":1767225600}', NOW_MS, False).refusals) == 4


def test_one_bad_member_does_not_take_the_others_with_it() -> None:
    decoded = decode(group_of(JSON_METER), b'{"time":1767225600,"power":"2","u":[230]}', NOW_MS, False)
    assert [reading.register for reading in decoded.readings] == ["32.7.0"]
    assert [(refusal.register, refusal.reason[:18]) for refusal in decoded.refusals] == [
        ("16.7.0", "a number in quotes")
    ]


@pytest.mark.parametrize(
    ("time", "unit", "reason"),
    [
        ('"2026-01-01T00:00:00Z"', "s", ""),
        ("1767225600", "s", ""),
        ("1767225600000", "ms", ""),
        ("1767225600", "ms", "unit"),
        ("1767225600000", "s", "unit"),
        ('"2026-01-01T00:01:01Z"', "s", "ahead"),
        ('"2026-01-01 00:00"', "s", "RFC 3339"),
        ("true", "s", "true"),
        ("null", "s", "null"),
    ],
)
def test_c10_device_time_is_read_by_its_unit_or_refused(time: str, unit: str, reason: str) -> None:
    group = group_of([Input("q01", "16.7.0", "b", "m", "/v", "W", time_field="/t")], time_unit=unit)
    decoded = decode(group, f'{{"v":1,"t":{time}}}'.encode(), NOW_MS, False)
    assert [reading.at_ms for reading in decoded.readings] == ([] if reason else [NOW_MS])
    assert all(reason in refusal.reason and "time refused" in refusal.reason for refusal in decoded.refusals)


def test_b6_retained_message_is_old_and_gets_no_false_device_time() -> None:
    (reading,) = decode(one(), b"1", NOW_MS, True).readings
    assert (reading.old, reading.device_time) == (True, False)
    group = group_of(JSON_METER[2:3])
    (stamped,) = decode(group, b'{"power":1,"time":"2025-12-01T00:00:00Z"}', NOW_MS, True).readings
    assert (stamped.old, stamped.device_time, stamped.at_ms < NOW_MS) == (True, True, True)


# --- SenML ----------------------------------------------------------------------------------------------------------


def pack(unit: str, value: float, version: int = 26) -> bytes:
    return json.dumps([{"bver": version, "bn": "m/", "bt": 1767225590, "n": "x", "u": unit, "v": value}]).encode()


def test_senml_pack_feeds_registers_by_full_name_with_its_own_time() -> None:
    inputs = [
        Input("q01", "1.8.0", "b", "m", "site1/f7/e", "kWh"),
        Input("q01", "16.7.0", "b", "m", "site1/f7/p", "W"),
    ]
    payload = (
        b'[{"bver":26,"bn":"site1/f7/","bt":1767225590,"n":"e","u":"kWh","v":1234.5},'
        b'{"n":"p","u":"W","v":1500},{"n":"p","u":"W","v":1600,"t":-10}]'
    )
    readings = decode(group_of(inputs), payload, NOW_MS, False).readings
    assert [(r.register, r.value, r.at_ms - NOW_MS) for r in readings] == [
        ("1.8.0", 1_234_500_000, -10_000),
        ("16.7.0", 1600.0, -20_000),
        ("16.7.0", 1500.0, -10_000),
    ]
    assert all(reading.device_time for reading in readings)


def test_senml_relative_time_is_counted_from_arrival_and_is_no_device_time() -> None:
    group = one("m", "W", "16.7.0")
    (reading,) = decode(group, b'[{"n":"m","u":"W","v":1,"t":-5}]', NOW_MS, False).readings
    assert (reading.at_ms, reading.device_time) == (NOW_MS - 5000, False)


# RFC 8428 12.1 and RFC 8798: what the units of energy, power and ratio mean in the base unit of a register
VECTORS = Path(__file__).parents[2] / "vectors" / "senml_units.csv"
with VECTORS.open(encoding="utf-8", newline="") as lines:
    UNIT_ROWS = {row["symbol"]: row for row in csv.DictReader(lines)}
REGISTER_OF = {
    "J": "1.8.0",
    "W": "16.7.0",
    "vars": "3.8.0",
    "var": "131.7.0",
    "V": "32.7.0",
    "A": "31.7.0",
    "/": "13.7.0",
}
PER_PRIMARY = {"J": 1000 / 3600, "vars": 1000 / 3600}  # registers count mWh and mvarh


@pytest.mark.parametrize("symbol", [s for s, row in UNIT_ROWS.items() if (row["primary_unit"] or s) in REGISTER_OF])
def test_senml_unit_has_the_factor_of_its_registry(symbol: str) -> None:
    row = UNIT_ROWS[symbol]
    primary = row["primary_unit"] or symbol
    top, _, bottom = (row["scale"] or "1").partition("/")
    factor = float(top) / float(bottom or 1) * PER_PRIMARY.get(primary, 1.0)
    register = REGISTER_OF[primary]
    plan_unit = {"1.8.0": "Wh", "3.8.0": "varh", "16.7.0": "W", "131.7.0": "var", "32.7.0": "V", "31.7.0": "A"}
    group = one("m/x", plan_unit.get(register, "/"), register)
    assert values(group, pack(symbol, 7200.0)) == [pytest.approx(7200.0 * factor, rel=1e-12)]


def test_senml_percent_is_the_ratio_itself() -> None:
    assert values(one("m/x", "/", "13.7.0"), pack("%", 0.7)) == [0.7]


def test_senml_joules_of_the_example_are_1234_5_kwh() -> None:
    assert values(one("m/x", "Wh"), pack("J", 4.4442e9)) == [1_234_500_000]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (pack("W", 1), "does not fit"),
        (pack("VAh", 1), "not known"),
        (pack("count", 1), "do not fit"),
        (pack("kWh", 1, version=99), "version 99"),
        (b'[{"n":"m/x","u":"Wh","vs":"12"}]', "holds no number"),
        (b'[{"n":"m/x","u":"Wh","v":true}]', "must be a number"),
        (b'[{"n":"m/y","u":"Wh","v":1}]', "no record named"),
        (b'[{"n":"m/x","u":"Wh","v":1,"x_":3}]', "understood"),
        (b'[{"n":"m x","u":"Wh","v":1}]', "illegal name"),
        (b'[{"n":"m/x","u":"Wh","v":1,"v":2}]', "occurs twice"),
        (b'[{"n":"m/x","u":"Wh","v":1e16,"t":1767225600}]', "2^53"),
        (b'[{"n":"m/x","u":"Wh","v":1,"t":9e300}]', "out of any range"),
        (b'[{"n":"m/x","u":"Wh","v":1,"t":1767225700}]', "ahead"),
        (b'[{"n":"m/x","v":' + b"9" * 400 + b"}]", "range"),
        (b'{"n":"m/x","v":1}', "array"),
    ],
)
def test_senml_that_cannot_be_believed_is_refused(payload: bytes, reason: str) -> None:
    assert values(one("m/x", "Wh"), payload) == []
    assert reason in reasons(one("m/x", "Wh"), payload)[0]


def test_senml_without_unit_is_read_in_the_unit_of_the_plan_and_counts_are_pulses() -> None:
    assert values(one("m", "kWh"), b'[{"n":"m","v":1.5}]') == [1_500_000]
    assert values(one("m", "imp"), b'[{"n":"m","u":"count","v":12}]') == [12_000]


# --- plans and fuzz -------------------------------------------------------------------------------------------------


def test_faults_of_the_plan_are_reported_with_their_row() -> None:
    with pytest.raises(ConfigError, match=r"inputs\.csv:7: JSON Pointer"):
        one("/a~", where="inputs.csv:7")
    with pytest.raises(ConfigError, match="time_unit 'h'"):
        group_of([], time_unit="h")


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=3), inner, max_size=4),
    max_leaves=12,
)
GROUPS = [one(), one("/v"), group_of(JSON_METER), one("m"), one("/v", time_field="/t")]


@pytest.mark.parametrize("group", GROUPS)
@given(
    payload=st.binary(max_size=200)
    | st.text(max_size=60).map(str.encode)
    | ANY_JSON.map(lambda v: json.dumps(v).encode())
)
def test_no_payload_ever_raises(group: InputGroup, payload: bytes) -> None:
    for retained in (False, True):
        decoded = decode(group, payload, NOW_MS, retained)
        assert decoded.readings or decoded.refusals
        assert all(isinstance(r.value, int) or math.isfinite(r.value) for r in decoded.readings)
        assert all(len(refusal.sample) <= 200 and refusal.sample.isascii() for refusal in decoded.refusals)


LABELS = st.sampled_from(["n", "bn", "u", "bu", "v", "bv", "t", "bt", "s", "bver", "vs", "vb", "x_", "ut"])
SENML_VALUES = st.sampled_from(["m", "W", "kWh", 1, -5, 1e300, 26, True, None, "", 10**400, 1767225600])


@given(st.lists(st.dictionaries(LABELS, SENML_VALUES, max_size=6), max_size=4))
def test_no_pack_ever_raises(rows: list[dict[str, object]]) -> None:
    decoded = decode(one("m"), json.dumps(rows).encode(), NOW_MS, False)
    assert decoded.readings or decoded.refusals


@given(ANY_JSON)
def test_document_without_repeated_names_is_never_taken_for_one_with(value: object) -> None:
    payload = json.dumps({"v": 1, "other": value}, allow_nan=True).encode()
    if b"NaN" not in payload and b"Infinity" not in payload:
        assert not any("twice" in reason for reason in reasons(one("/v"), payload))
