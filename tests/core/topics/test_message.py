"""A value survives the way into a message and back; no payload is ever empty, NaN or text where a number is promised."""

import json
import math
import re
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.model.finding import Finding, FindingState, Life
from meterd.core.model.plan_part import PlanPart
from meterd.core.model.reading import REGISTERS, Quality
from meterd.core.topics.message import (
    SENML,
    Message,
    Service,
    catalogue_message,
    catalogue_topics,
    finding_message,
    messages,
    number,
    pack,
    parse,
    parse_service,
    plain,
    remaining_s,
    renamed_messages,
    usable,
)
from meterd.core.topics.senml import resolve
from meterd.core.topics.table import BoardNow, Now, PowerNow, PvNow, Snapshot, SurplusNow, Value, catalogue, values
from tests.snapshots import NOW_MS, POINTS, QUARTER_MS, START_MS, site, snapshot

PLAN = site()
ROOT = "energy/mill"

# Plain decimal as a tiny controller reads it: no exponent, no sign of zero, no trailing point.
DECIMAL = re.compile(rb"-?(0|[1-9][0-9]*)(\.[0-9]*[1-9])?")


def one(topic: str, picture: Snapshot | None = None) -> Value:
    """The value of one topic."""
    return next(value for value in values(picture or snapshot(PLAN)) if value.topic == f"{ROOT}/{topic}")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (-0.0, "0"),
        (-0.0004, "0"),
        (1500.0, "1500"),
        (1e-7, "0"),
        (0.001, "0.001"),
        (123456789.125, "123456789.125"),
        (1e15, "1000000000000000"),
        (-20.5, "-20.5"),
        (100, "100"),
    ],
)
def test_numbers_are_plain_decimals(value: float, text: str) -> None:
    assert number(value) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, True])
def test_what_is_no_number_is_never_written(value: float) -> None:
    with pytest.raises(AssertionError):
        number(value)


def test_the_pack_of_a_power_is_as_documented() -> None:
    message = pack(one("point/q01/power"), 7, NOW_MS)
    assert json.loads(message.payload) == [
        {"bn": f"{ROOT}/point/q01/power", "bt": 1790000099, "u": "W", "v": 100, "ut": 120},
        {"n": ":state", "vs": "good"},
        {"n": ":sequence", "u": "count", "v": 7},
    ]
    assert (message.content_type, message.retain, message.expiry_s) == (SENML, True, 119)


def test_an_invalid_pack_has_a_state_and_no_number() -> None:
    # RFC 8428, 4.2: a record has exactly one value or a sum, so the value's record is left out altogether
    message = pack(one("pv/surplus", replace(snapshot(PLAN), surplus=lost())), 7, NOW_MS)
    assert json.loads(message.payload) == [
        {"bn": f"{ROOT}/pv/surplus", "bt": 1790000100, "n": ":state", "vs": "invalid", "ut": 120},
        {"n": ":sequence", "u": "count", "v": 7},
    ]


def lost() -> SurplusNow:
    """A surplus that cannot be known."""
    return SurplusNow(None, NOW_MS, Quality.INVALID, "none", "PV meter is stale")


def test_a_verdict_is_a_word_in_the_pack_and_a_code_in_plain() -> None:
    value = one("board/main/verdict")
    assert json.loads(pack(value, 1, NOW_MS).payload)[0]["vs"] == "inside"
    bare = plain(value, NOW_MS)
    assert bare is not None
    assert bare.payload == b"0"


def test_plain_of_an_invalid_value_is_its_fallback_or_nothing() -> None:
    picture = replace(snapshot(PLAN), surplus=lost(), draw=PowerNow(None, NOW_MS, Quality.INVALID), closed={})
    payloads = {
        topic: plain(one(topic, picture), NOW_MS) for topic in ("pv/surplus", "site/draw", "board/main/verdict")
    }
    assert {topic: message and message.payload for topic, message in payloads.items()} == {
        "pv/surplus": b"0",
        "site/draw": None,
        "board/main/verdict": b"2",
    }


def test_the_bare_time_tells_a_zero_that_is_none_from_one_that_is_not_known() -> None:
    """Both surpluses are 0 on /plain; only one of them is known. What becomes invalid says so before its number changes."""
    none = SurplusNow(0.0, NOW_MS - 1000, Quality.GOOD, "connection", apart_ms=2500)
    for surplus, time, order in (
        (none, b"1790000099", ["", "/plain", "/time"]),
        (lost(), b"0", ["", "/time", "/plain"]),
    ):
        value = one("pv/surplus", replace(snapshot(PLAN), surplus=surplus))
        results = {m.topic.removeprefix(value.topic): m.payload for m in messages(value, 7, NOW_MS)}
        assert list(results) == order
        assert (results["/plain"], results["/time"]) == (b"0", time)
    assert [m.topic for m in messages(one("point/q01/power"), 7, NOW_MS)] == [
        f"{ROOT}/point/q01/power",
        f"{ROOT}/point/q01/power/plain",
    ]


def test_a_sum_says_how_far_its_samples_are_apart() -> None:
    surplus = SurplusNow(5.0, NOW_MS - 1000, Quality.GOOD, "connection", apart_ms=2500)
    message = pack(one("pv/surplus", replace(snapshot(PLAN), surplus=surplus)), 7, NOW_MS)
    assert json.loads(message.payload)[2] == {"n": ":apart", "u": "s", "v": 2.5}
    assert parse(message.payload).value == 5.0


def test_secondary_units_carry_version_26_and_others_do_not() -> None:
    # RFC 8798 table 2 lists Wh and varh, its table 1 var as primary; RFC 9100: 26 = 10 + 2^4
    for topic, version in (("point/q01/import", 26), ("point/q01/reactive-import", 26), ("point/q01/power", None)):
        assert json.loads(pack(one(topic), 1, NOW_MS).payload)[0].get("bver") == version
    assert "bver" not in json.loads(pack(one("point/q01/reactive-power"), 1, NOW_MS).payload)[0]


def test_expiry_is_what_is_left_of_the_validity() -> None:
    value = one("site/draw")
    assert remaining_s(value, value.at_ms) == 120
    assert remaining_s(value, value.at_ms + 59_999) == 61
    assert remaining_s(value, value.at_ms - 5000) == 120  # a device clock a little ahead gives no longer life
    assert remaining_s(value, value.at_ms + 10**9) == 1


def test_a_time_before_1978_is_never_written() -> None:
    # RFC 8428, 4.5.3: below 2^28 s it would mean seconds from now
    with pytest.raises(AssertionError, match="relative"):
        pack(replace(one("site/draw"), at_ms=1000), 1, NOW_MS)


def test_an_empty_payload_cannot_be_made() -> None:
    with pytest.raises(AssertionError, match="must not be empty"):
        Message("a", b"", SENML, None)


def test_the_controllers_rule_looks_at_state_and_age() -> None:
    parsed = parse(pack(one("pv/surplus"), 1, NOW_MS).payload)
    assert usable(parsed, parsed.at_ms + 120_000)
    assert not usable(parsed, parsed.at_ms + 120_001)
    assert not usable(
        parse(pack(one("pv/surplus", replace(snapshot(PLAN), surplus=lost())), 1, NOW_MS).payload), NOW_MS
    )


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"5",
        b'[{"n":"a","u":"W","v":5}]',
        b'[{"bn":"a","v":5},{"n":":state","vs":"good"}]',
        b'[{"bn":"a","v":5},{"n":":state","vs":"good"},{"n":":sequence","v":1}]',
        b'[{"bn":"a","v":5,"ut":9},{"n":":state","vs":"invalid"},{"n":":sequence","v":1}]',
        b'[{"bn":"a","v":5,"ut":9},{"n":":state","vs":"fine"},{"n":":sequence","v":1}]',
        b'[{"bn":"a","n":":state","vs":"good","ut":9},{"n":":sequence","v":1}]',
    ],
)
def test_a_foreign_pack_is_refused(payload: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse(payload)


# --- any snapshot -------------------------------------------------------------------------------------------------

FLOATS = st.floats(allow_nan=True, allow_infinity=True) | st.floats(-2e6, 2e6) | st.none()
TIMES = st.integers(NOW_MS - 3 * QUARTER_MS, NOW_MS + 60_000) | st.just(0)
STATES = st.sampled_from(list(Quality))
MWH = st.integers(-(2**53), 2**53) | st.none()
NOWS = st.builds(Now, FLOATS.map(lambda v: math.nan if v is None else v), TIMES, st.booleans())
POWERS = st.builds(PowerNow, FLOATS, TIMES, STATES)
BOARDS = st.builds(
    BoardNow,
    st.just("main"),
    st.just(START_MS - QUARTER_MS),
    st.sampled_from([START_MS, NOW_MS + QUARTER_MS]),
    MWH,
    MWH,
    MWH,
    MWH,
    st.sampled_from(["inside", "outside", "not computable", ""]),
    st.just(()),
    st.just(()),
    st.integers(0, 3),
    st.just(3),
    st.booleans(),
)
KEYS = [(point.name, obis) for point in POINTS for obis in REGISTERS]
MAPS = st.dictionaries(st.sampled_from(KEYS), NOWS)
DAYS = st.none() | st.builds(
    PvNow, st.just(0), st.sampled_from([START_MS]), MWH, MWH, MWH, FLOATS, FLOATS, st.booleans()
)
BALANCES = st.dictionaries(st.just("main"), BOARDS)
SURPLUS = st.builds(SurplusNow, FLOATS, TIMES, STATES, st.just("none"))
SNAPSHOTS = st.builds(
    Snapshot, st.just(PLAN), st.just(NOW_MS), MAPS, MAPS, BALANCES, BALANCES, DAYS, SURPLUS, *[POWERS] * 6
)


@settings(max_examples=60, deadline=None)
@given(SNAPSHOTS, st.integers(0, 2**53))
def test_any_snapshot_gives_only_messages_that_say_what_they_promise(picture: Snapshot, sequence: int) -> None:
    """Faults B12: nothing empty, no NaN, no infinity, no word on /plain; and what goes out comes back the same."""
    for value in values(picture):
        message, bare = pack(value, sequence, NOW_MS), plain(value, NOW_MS)
        assert 1 <= (message.expiry_s or 0) <= value.valid_s
        assert_same(value, message.payload, sequence)
        assert (bare is None) == (value.value is None and value.fallback is None)
        assert bare is None or DECIMAL.fullmatch(bare.payload)


def assert_same(value: Value, payload: bytes, sequence: int) -> None:
    """The pack obeys RFC 8428, a number is a plain decimal, and reading it gives the value rounded as declared."""
    records = resolve(payload)
    assert all(record.at_s >= 2**28 for record in records)
    parsed = parse(payload)
    assert (parsed.topic, parsed.state, parsed.at_ms, parsed.ut_s, parsed.sequence) == (
        value.topic,
        value.state,
        value.at_ms,
        value.valid_s,
        sequence,
    )
    assert (value.value is None) == (value.state is Quality.INVALID) == (parsed.value is None)
    if value.value is not None:
        digits = 6 if value.unit == "/" else 3
        assert parsed.value == round(value.value, digits)
        assert parsed.text == value.text
        assert (parsed.unit in ("Wh", "varh")) == (b'"bver":26' in payload)


@settings(deadline=None)
@given(st.integers(-(2**43) * 1000, 2**43 * 1000))
def test_energy_text_is_the_exact_decimal_of_the_milliwatt_hours(mwh: int) -> None:
    # independent route: decimal arithmetic
    shown = number(mwh / 1000)
    assert Decimal(shown) == Decimal(mwh).scaleb(-3)


# --- service, findings, catalogue ---------------------------------------------------------------------------------


@settings(deadline=None)
@given(
    st.builds(
        Service,
        st.booleans(),
        st.text(min_size=1),
        st.integers(0, 2**53),
        st.integers(0, 2**53),
        st.text(),
        st.none() | st.integers(0, 10**13),
        st.integers(1, 3600),
        files=st.lists(st.builds(PlanPart, st.text(), st.text(), st.none() | st.integers(0, 10**13))).map(tuple),
    )
)
def test_service_survives_the_way_out_and_back(service: Service) -> None:
    message = service.message(ROOT)
    assert parse_service(message.payload) == service
    assert (message.topic, message.expiry_s) == (f"{ROOT}/service", None)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"live",
        b"[]",
        b"\xff",
        b"[" * 100_000,
        b'{"state":"live"}',
        b'{"state":"on","instance":"a","epoch":1,"sequence":1,"version":"0","period_s":30}',
        b'{"state":"live","instance":"a","epoch":true,"sequence":1,"version":"0","period_s":30}',
        b'{"state":"live","instance":"a","epoch":-1,"sequence":1,"version":"0","period_s":30}',
        b'{"state":"live","instance":1,"epoch":1,"sequence":1,"version":"0","period_s":30}',
        b'{"state":"live","instance":"a","epoch":1,"sequence":1,"version":"0","period_s":30,"heartbeat_ms":"x"}',
    ],
)
def test_a_foreign_service_message_is_none(payload: bytes) -> None:
    assert parse_service(payload) is None


def test_what_people_call_the_site_is_said_and_may_be_left_out() -> None:
    """A version that does not say it, or says nonsense, is understood all the same."""
    reported = Service(True, "a", 1, 1, "0", None, 30, title="Harrow Mill")
    assert parse_service(reported.message(ROOT).payload) == reported
    fields = json.loads(reported.message(ROOT).payload)
    for other in (fields | {"title": 7}, {k: v for k, v in fields.items() if k != "title"}):
        service = parse_service(json.dumps(other).encode())
        assert service is not None
        assert service.title == ""


def test_files_that_are_not_understood_are_left_out() -> None:
    """The service is understood all the same: a later version may tell more of its files."""
    reported = json.loads(Service(True, "a", 1, 1, "0", None, 30, files=(PlanPart("n", "d", 1),)).message(ROOT).payload)
    reported["files"] += [
        3,
        {},
        {"name": 1, "digest": "x"},
        {"name": "p", "digest": "e", "newest_ms": "soon", "more": 1},
    ]
    service = parse_service(json.dumps(reported).encode())
    assert service is not None
    assert service.files == (PlanPart("n", "d", 1), PlanPart("p", "e"))
    no_list = parse_service(json.dumps(reported | {"files": "none"}).encode())
    assert no_list is not None
    assert no_list.files == ()


def test_a_finding_stays_on_its_own_level() -> None:
    finding = Finding("stale", "Q01/#+", NOW_MS, "q01 is silent", "look", ("q01",))
    message = finding_message(ROOT, finding, 90)
    assert message.topic == f"{ROOT}/finding/stale-q01---"
    assert json.loads(message.payload)["at"] == "2026-09-21T14:15:00Z"


def test_the_catalogue_names_every_topic_and_the_rule() -> None:
    message = catalogue_message(PLAN, "0.1.0", 3)
    expected = {topic for entry in catalogue(PLAN) for topic in entry.topics}
    assert catalogue_topics(ROOT, message.payload) == expected
    fields = json.loads(message.payload)
    assert "random delay" in fields["rule"]
    assert fields["epoch"] == 3
    surplus = next(row for row in fields["values"] if row["pattern"] == "pv/surplus")
    assert (surplus["unit"], surplus["ut_s"], surplus["fallback"], surplus["period"]) == ("W", 120, 0, "now")


def test_the_catalogue_of_a_usual_site_fits_the_smallest_broker_limit() -> None:
    # measured: one embedded broker refuses more than 20,480 bytes by default
    points = tuple(replace(POINTS[3], name=f"studio-{number:02d}") for number in range(48))
    plan = site(("1.8.0", "2.8.0", "16.7.0"), points=(*POINTS, *points))
    assert len(catalogue_message(plan, "0.1.0", 1).payload) < 20_480


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"[]",
        b"{}",
        b'{"values":5}',
        b'{"values":[5,{"names":7}]}',
        b'{"values":[{"pattern":"a/#","names":["x"]},{"pattern":"+","names":["x"]},{"pattern":"","names":[""]}]}',
    ],
)
def test_a_malformed_catalogue_names_no_topic_with_a_wildcard(payload: bytes) -> None:
    assert not [topic for topic in catalogue_topics(ROOT, payload) if "#" in topic or "+" in topic]


def test_h2_former_names_tell_the_present_one_and_are_cleared_with_their_catalogue() -> None:
    """Names that could not be a topic, or that another point has now, are left out."""
    points = (replace(POINTS[0], aliases=("riser-old", POINTS[1].name, "Q 01/#")), *POINTS[1:])
    plan = site(("1.8.0",), points=points)
    (message,) = renamed_messages(plan)
    assert message.topic == f"{ROOT}/point/riser-old/renamed"
    assert json.loads(message.payload) == {"point": POINTS[0].name, "topic": f"{ROOT}/point/{POINTS[0].name}"}
    assert (message.retain, message.expiry_s) == (True, None)
    assert message.topic in catalogue_topics(ROOT, catalogue_message(plan, "0.1.0", 1).payload)
    assert catalogue_topics(ROOT, b'{"renamed":{"a/#":"b","+":"c"}}') == frozenset()


def test_a_finding_tells_its_life_and_evidence_beside_what_it_always_reported() -> None:
    """State, first, last, count and evidence are added; a finding without a life is as before."""
    finding = Finding("stale", "q01", NOW_MS, "q01 is silent", "look", ("q01",), ("board north: not computable",))
    before = {"cause", "subject", "at", "text", "remedy", "points"}
    assert set(json.loads(finding_message(ROOT, replace(finding, evidence=()), 90).payload)) == before
    life = Life(FindingState.EXPLAINED, NOW_MS - 60_000, NOW_MS, 3, 2, NOW_MS - 3_600_000)
    reported = json.loads(finding_message(ROOT, replace(finding, life=life), 90).payload)
    assert set(reported) == before | {"evidence", "state", "first", "last", "count", "number", "earlier"}
    assert (reported["state"], reported["count"], reported["number"]) == ("explained", 3, 2)
    assert reported["evidence"] == ["board north: not computable"]
    assert reported["first"] < reported["last"]
