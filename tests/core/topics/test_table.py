"""The table gives one value per topic of the plan, and what is missing, old or impossible is invalid, never a number."""

import math
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.model.plan import Board, Point, PointState, Role, Site
from meterd.core.model.reading import REGISTERS, Quality
from meterd.core.topics.table import (
    ROWS,
    Each,
    Now,
    PowerNow,
    Snapshot,
    TimeBasis,
    Value,
    catalogue,
    validity_s,
    values,
)
from tests.snapshots import NOW_MS, POINTS, QUARTER_MS, START_MS, board, site, snapshot

ROOT = "energy/mill/"

# 2^43 Wh = 8.8 TWh: up to there half the spacing of float64 is below half a milliwatt-hour
MOST_MWH = 2**43 * 1000


def taken(picture: Snapshot) -> dict[str, Value]:
    """The values by topic below the site."""
    return {value.topic.removeprefix(ROOT): value for value in values(picture)}


# topic, value, state, time: taken by hand from tests/snapshots.py
TABLE = [
    ("point/q01/import", 1234.567, Quality.GOOD, NOW_MS - 1000),
    ("point/q01/power", 100.0, Quality.GOOD, NOW_MS - 1000),
    ("point/pv1/power-factor", 100.0, Quality.GOOD, NOW_MS - 1000),
    ("board/main/feed", 25_000.123, Quality.GOOD, START_MS),
    ("board/main/outgoing", 24_900.0, Quality.GOOD, START_MS),
    ("board/main/residual", 100.123, Quality.GOOD, START_MS),
    ("board/main/band", 250.0, Quality.GOOD, START_MS),
    ("board/main/verdict", 0, Quality.GOOD, START_MS),
    ("board/main/running/feed", 25_000.123, Quality.GOOD, NOW_MS),
    ("board/main/running/verdict", 0, Quality.GOOD, NOW_MS),
    ("site/draw", -1500.25, Quality.GOOD, NOW_MS - 2000),
    ("site/load", 7499.75, Quality.GOOD, NOW_MS - 2000),
    ("site/demand", 300.0, Quality.GOOD, NOW_MS - 2000),
    ("site/demand-projection", 450.0, Quality.GOOD, NOW_MS - 2000),
    ("pv/production", 9000.0, Quality.GOOD, NOW_MS - 2000),
    ("pv/self-use", 7499.75, Quality.GOOD, NOW_MS - 2000),
    ("pv/surplus", 1500.25, Quality.GOOD, NOW_MS - 1000),
    ("pv/self-consumption", 0.8, Quality.GOOD, START_MS),
    ("pv/self-sufficiency", 1 / 3, Quality.GOOD, START_MS),
]


@pytest.mark.parametrize(("topic", "value", "state", "at_ms"), TABLE)
def test_each_value_is_taken_with_its_time_and_state(topic: str, value: float, state: Quality, at_ms: int) -> None:
    result = taken(snapshot())[topic]
    assert (result.value, result.state, result.at_ms) == (value, state, at_ms)


def test_every_register_of_the_plan_has_a_topic_and_no_other() -> None:
    plan = site(("1.8.0", "32.7.0"))
    points = {entry.topic for entry in catalogue(plan) if entry.row.each is Each.POINT}
    assert points == {f"{ROOT}point/{p.name}/{name}" for p in POINTS for name in ("import", "voltage-l1")}


def test_values_come_in_the_order_of_the_catalogue() -> None:
    picture = snapshot()
    assert [value.entry for value in values(picture)] == list(catalogue(picture.site))


def test_patterns_and_units_are_unique_and_registered() -> None:
    # SenML units of RFC 8428 table 6 and RFC 8798 tables 1 and 2; a verdict is a word and has none
    assert len({row.pattern for row in ROWS}) == len(ROWS)
    assert {row.unit for row in ROWS} <= {"W", "Wh", "varh", "var", "V", "A", "Hz", "W/m2", "/", "count", ""}
    assert all(row.meaning.endswith(".") for row in ROWS)


def test_a_retired_point_leaves_and_a_site_without_pv_has_no_pv_topics() -> None:
    points = (POINTS[0], replace(POINTS[3], state=PointState.RETIRED))
    topics = [entry.topic for entry in catalogue(site(points=points))]
    assert not [topic for topic in topics if "q01" in topic or "/pv/" in topic]


def test_validity_outlasts_one_lost_heartbeat_of_a_value_that_is_just_still_believed() -> None:
    # defaults: power is believed 60 s, a counter two quarter hours, a closed quarter hour 900 + 2 * 60 s; + 2 * 30 s
    plan = Site("mill", "UTC")
    seconds = {follows: validity_s(follows, plan) for follows in TimeBasis}
    assert seconds == {
        TimeBasis.NOW: 120,
        TimeBasis.RUNNING: 120,
        TimeBasis.COUNTER: 1860,
        TimeBasis.CLOSED: 1080,
        TimeBasis.DAY: 1080,
        TimeBasis.FORECAST: 1080,
    }


@pytest.mark.parametrize(("age_s", "state"), [(0, Quality.GOOD), (60, Quality.GOOD), (61, Quality.INVALID)])
def test_power_older_than_its_limit_is_invalid(age_s: int, state: Quality) -> None:
    key = ("q01", "16.7.0")
    picture = snapshot()
    picture = replace(picture, instant={**picture.instant, key: Now(5.0, NOW_MS - age_s * 1000, every_ms=10_000)})
    assert taken(picture)["point/q01/power"].state is state


def test_surplus_with_a_stale_input_is_invalid_and_declares_zero() -> None:
    # faults G1: the PV meter stands still; the engine says invalid, the table must not keep the last value
    picture = snapshot()
    picture = replace(picture, surplus=replace(picture.surplus, power_w=None, state=Quality.INVALID))
    value = taken(picture)["pv/surplus"]
    assert (value.value, value.state, value.fallback) == (None, Quality.INVALID, 0)


def test_a_value_retained_before_the_start_is_not_now() -> None:
    picture = snapshot()
    old = {key: replace(now, old=True) for key, now in picture.instant.items()}
    counters = {key: replace(now, old=True) for key, now in picture.counters.items()}
    results = taken(replace(picture, instant=old, counters=counters))
    assert results["point/q01/power"].state is Quality.INVALID
    assert results["point/q01/import"].state is Quality.INVALID
    assert results["board/main/loading"].state is Quality.INVALID


@pytest.mark.parametrize(
    ("changed", "state"),
    [
        ({"estimated": True}, Quality.ESTIMATED),
        ({"covered": 3}, Quality.PARTIAL),
        ({"uncovered": ("q09",)}, Quality.PARTIAL),
        ({"covered": 3, "estimated": True}, Quality.PARTIAL),
        ({"feed_mwh": None}, Quality.INVALID),
    ],
)
def test_board_states(changed: dict[str, object], state: Quality) -> None:
    picture = replace(snapshot(), closed={"main": board(START_MS - QUARTER_MS, **changed)})
    assert taken(picture)["board/main/feed"].state is state


def test_verdict_not_computable_is_a_good_answer_and_no_balance_is_invalid() -> None:
    closed = {"main": board(START_MS - QUARTER_MS, verdict="not computable", residual_mwh=None, band_mwh=None)}
    results = taken(replace(snapshot(), closed=closed, running={}))
    verdict = results["board/main/verdict"]
    assert (verdict.value, verdict.text, verdict.state) == (2, "not computable", Quality.GOOD)
    assert results["board/main/residual"].value is None
    gone = results["board/main/running/verdict"]
    assert (gone.value, gone.text, gone.state, gone.fallback) == (None, "", Quality.INVALID, 2)


def test_a_closed_interval_that_is_not_followed_becomes_invalid() -> None:
    late = snapshot(now_ms=NOW_MS)
    late = replace(late, closed={"main": board(START_MS - 3 * QUARTER_MS)})
    assert taken(late)["board/main/feed"].state is Quality.INVALID


def test_before_the_first_interval_of_the_day_the_ratios_are_undefined() -> None:
    results = taken(replace(snapshot(), pv_day=None))
    assert results["pv/self-consumption"].state is results["pv/self-sufficiency"].state is Quality.INVALID


def with_feeds(picture: Snapshot, values_: dict[str, float], at_ms: int = NOW_MS) -> Snapshot:
    """Both transformers at the same values."""
    now = {(feed, obis): Now(value, at_ms) for feed in ("t1", "t2") for obis, value in values_.items()}
    return replace(picture, instant={**picture.instant, **now})


def test_loading_is_apparent_power_over_the_rating() -> None:
    # closed form: P = 2 * 151.2 kW, Q = 2 * 113.4 kvar, S = 378 kVA of 630 kVA = 0.6; export loads just the same
    for sign in (1, -1):
        picture = with_feeds(snapshot(), {"16.7.0": sign * 151_200.0, "131.7.0": 113_400.0})
        assert taken(picture)["board/main/loading"].value == pytest.approx(0.6, rel=1e-12)


def test_loading_without_reactive_power_is_active_power_over_the_rating() -> None:
    picture = with_feeds(snapshot(site(("16.7.0",))), {"16.7.0": 157_500.0})
    assert taken(picture)["board/main/loading"].value == pytest.approx(0.5, rel=1e-12)


def test_phase_loading_is_current_over_rated_current() -> None:
    # 630 kVA at 400 V: 630000 / (sqrt(3) * 400) = 909.3 A, the printed rated current of such a transformer
    picture = with_feeds(snapshot(), {"31.7.0": 454.663})
    assert taken(picture)["board/main/loading-l1"].value == pytest.approx(1.0, rel=1e-4)


@pytest.mark.parametrize("lost", ["16.7.0", "131.7.0", "31.7.0"])
def test_loading_with_a_missing_feed_is_invalid(lost: str) -> None:
    picture = snapshot()
    picture = replace(picture, instant={key: now for key, now in picture.instant.items() if key != ("t2", lost)})
    topic = "board/main/loading-l1" if lost == "31.7.0" else "board/main/loading"
    assert taken(picture)[topic].state is Quality.INVALID


def test_loading_does_not_mix_times() -> None:
    picture = snapshot()
    picture = replace(picture, instant={**picture.instant, ("t2", "16.7.0"): Now(1.0, NOW_MS - 12_000)})
    assert taken(picture)["board/main/loading"].state is Quality.INVALID


def test_a_board_without_rating_or_counting_feed_has_no_loading() -> None:
    planned = (replace(POINTS[0], state=PointState.PLANNED), POINTS[3])
    bare = replace(site(), boards=(Board("main"),))
    for plan in (site(points=planned), bare, site(("1.8.0",))):
        assert not [entry for entry in catalogue(plan) if entry.row.pattern.endswith("loading")]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e15, -1e300])
def test_what_is_no_possible_number_is_invalid(value: float) -> None:
    results = taken(replace(snapshot(), draw=PowerNow(value, NOW_MS, Quality.GOOD)))
    assert results["site/draw"].value is None
    assert results["site/draw"].state is Quality.INVALID


@settings(deadline=None)
@given(st.integers(-MOST_MWH, MOST_MWH))
def test_energy_in_watt_hours_keeps_every_milliwatt_hour(mwh: int) -> None:
    picture = replace(snapshot(), closed={"main": board(START_MS - QUARTER_MS, feed_mwh=mwh)})
    value = taken(picture)["board/main/feed"].value
    assert value is not None
    assert Decimal(f"{value:.3f}") == Decimal(mwh) / 1000


def test_topics_of_two_plans_do_not_mix() -> None:
    # the table keeps what it made of the last plan; two plans in turn must both be right
    first, second = snapshot(site(("1.8.0",))), snapshot(site(("16.7.0",), points=(Point("t9", "main", Role.FEED),)))
    for _ in range(2):
        assert "point/t1/import" in taken(first)
        assert "point/t9/power" in taken(second)
    assert len(REGISTERS) == sum(row.each is Each.POINT for row in ROWS)
