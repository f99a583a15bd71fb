"""Granted topics on which nothing comes: how long they are waited for, and what is said of them."""

from dataclasses import replace

import pytest

from meterd.core.checks.granted_topics import Subscriptions, granted_finding, live_topics, patience_ms
from meterd.core.checks.root_cause import one_cause
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Board, Input, Limits, Point, PointState, Role, Site, Source

T = 1_780_000_000_000
SECOND, MINUTE = 1000, 60_000
POINTS = ("t1", "q1", "q2", "q3", "q4", "q5", "q6")
SITE = Site(
    "mill",
    "UTC",
    boards=(Board("main"),),
    points=(*(Point(name, "main", Role.FEEDER) for name in POINTS), Point("q9", "main", Role.FEEDER, state=PointState.PLANNED)),
    inputs=(
        *(Input(name, "1.8.0", "bus", f"m/{name}") for name in (*POINTS, "q9")),
        Input("q1", "16.7.0", "bus", "m/q1/power"),
        Input("q2", "16.7.0", "other", "m/q2"),
    ),
    sources=(Source("bus", "mqtt"), Source("other", "mqtt")),
)  # fmt: skip
OF = Subscriptions("bus", T, 8)


@pytest.mark.parametrize(
    ("last_ms", "times", "expected"),
    [
        (None, [], MINUTE),  # new in the plan
        (T - SECOND, [], MINUTE),  # the point is read on another topic
        (T - SECOND, [T - 20 * SECOND, T - 10 * SECOND], MINUTE),
        (T - SECOND, [T - 11 * MINUTE, T - 6 * MINUTE, T - MINUTE], 10 * MINUTE),
        (T - SECOND, [T - SECOND], None),  # once, and not before for as long as `stale` waits
        (T - 16 * MINUTE, [T - 17 * MINUTE, T - 16 * MINUTE], None),  # silent before
    ],
)
def test_a_topic_is_waited_for_as_long_as_it_usually_takes(
    last_ms: int | None, times: list[int], expected: int | None
) -> None:
    assert patience_ms(Limits(), T, last_ms, times) == expected


def test_topics_of_points_that_are_not_live_are_not_waited_for() -> None:
    assert live_topics(SITE, "bus") == ["m/t1", "m/q1", "m/q2", "m/q3", "m/q4", "m/q5", "m/q6", "m/q1/power"]
    assert live_topics(SITE, "other") == ["m/q2"]


def test_a_finding_names_the_first_topics_and_how_many() -> None:
    assert granted_finding(SITE, OF, ()) is None
    finding = granted_finding(SITE, OF, ("m/t1", "m/q1", "m/q2"))
    assert finding is not None
    assert finding.id == "nothing-received-bus"
    assert finding.text.endswith("3 of 8 topics since 2026-05-28T20:26:40Z: m/t1, m/q1, m/q2")
    assert finding.points == ("t1",), "q1 and q2 have another topic each"
    every = granted_finding(SITE, OF, live_topics(SITE, "bus"))
    assert every is not None
    assert every.text.endswith(": m/t1, m/q1, m/q2, m/q3, m/q4 and 3 more")


def test_points_that_fall_silent_for_it_are_its_evidence() -> None:
    granted = granted_finding(SITE, OF, ("m/t1", "m/q3"))
    assert granted is not None
    stale = [Finding("stale", name, T, f"{name}: no value yet", points=(name,)) for name in ("t1", "q3", "q4")]
    results = {finding.id: finding for finding in one_cause(SITE, [*stale, granted])}
    assert set(results) == {"nothing-received-bus", "stale-q4"}
    assert results["nothing-received-bus"].evidence == ("t1: no value yet", "q3: no value yet")


def test_a_site_that_is_silent_as_a_whole_has_one_finding() -> None:
    granted = granted_finding(SITE, OF, live_topics(SITE, "bus"))
    assert granted is not None
    silent = Finding("silent", "mill", T, "no point of the site delivers values", points=POINTS)
    (finding,) = one_cause(SITE, [granted, silent])
    assert finding.id == "silent-mill"
    assert finding.evidence == (granted.text,)


def test_a_source_that_is_away_explains_it() -> None:
    granted = granted_finding(SITE, OF, ("m/t1", "m/q3"))
    assert granted is not None
    away = Finding("source-away", "bus", T, "source bus: no connection")
    stale = [Finding("stale", name, T, f"{name}: no value yet", points=(name,)) for name in ("t1", "q3")]
    (finding,) = one_cause(SITE, [granted, away, *stale])
    assert finding.id == "source-away-bus"
    assert finding.evidence == (granted.text, "t1: no value yet", "q3: no value yet")
    other = replace(away, subject="other")
    assert len(one_cause(SITE, [granted, other, *stale])) == 2
