"""What should be looked at becomes a sentence with figures, once per cause; what is as it should be says nothing."""

from dataclasses import replace

import pytest

from meterd.core.checks.rules import (
    balance_findings,
    event_finding,
    fault_finding,
    outside_silent_finding,
    refused_finding,
    set_aside_findings,
    stale_points,
    unstored_finding,
)
from meterd.core.forecast.outside import OLDEST_MS
from meterd.core.model.finding_cause import EVENTS
from meterd.core.model.forecast import ForecastInput
from meterd.core.model.periods import Period
from meterd.core.model.plan import Board, Input, Limits, Point, PointState, Role, Site
from meterd.core.model.reading import IMPORT, POWER
from meterd.core.model.results import BalanceRow
from meterd.core.model.snapshot import Now
from meterd.core.registers.tracker import Event

NOW = 1_774_746_000_000  # 2026-03-29T01:00:00Z
QUARTER = 900_000
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("t1", "north", Role.FEED),
        Point("q1", "north", Role.FEEDER),
        Point("q2", "north", Role.FEEDER),
        Point("q3", "north", Role.FEEDER, state=PointState.FITTED),
        Point("q4", "north", Role.FEEDER),
    ),
    inputs=tuple(Input(p, IMPORT, "s", p) for p in ("t1", "q1", "q2", "q3")),
    limits=Limits(stale_after_s=900),
)


def balance(verdict: str, **other: object) -> BalanceRow:
    values: dict[str, object] = {"feed": 9_000_000, "outgoing": 5_000_000, "residual": 4_000_000, "band": 250_000}
    return BalanceRow(
        "north", Period.INTERVAL, NOW, NOW + QUARTER, verdict=verdict, estimated=False, **{**values, **other}
    )  # type: ignore[arg-type]


@pytest.mark.parametrize("kind", ["reset", "level-change", "ambiguous", "frozen", "exchange-unknown", "suspect"])
def test_what_a_register_did_is_reported_with_what_it_showed(kind: str) -> None:
    """Both figures as the meter shows them, when, of which register, and what to do."""
    finding = event_finding(SITE, ("q1", IMPORT), Event(kind, NOW, 1_500_000, 44_081_250_000))
    assert finding is not None
    assert (finding.cause, finding.subject, finding.at_ms, finding.points) == (kind, "q1", NOW, ("q1",))
    assert finding.cause in EVENTS
    assert "2026-03-29T01:00:00Z" in finding.text
    assert finding.remedy
    if kind != "exchange-unknown":
        assert "import" in finding.text
        assert "44081.250 " in finding.text
        assert "1.500 " in finding.text
        assert " kWh" in finding.text


def test_register_of_pulses_is_reported_in_pulses() -> None:
    """The weight of a pulse is dated and comes later."""
    site = replace(SITE, inputs=(Input("q1", IMPORT, "s", "q1", unit="imp"),))
    finding = event_finding(site, ("q1", IMPORT), Event("reset", NOW, 1_500_000, 44_081_250_000))
    assert finding is not None
    assert "fell from 44081.250 to 1.500 thousand pulses and" in finding.text


@pytest.mark.parametrize("kind", ["rollover", "hurried", "exchange"])
def test_what_is_as_it_should_be_is_no_finding(kind: str) -> None:
    assert event_finding(SITE, ("q1", IMPORT), Event(kind, NOW, 1, 2)) is None


def test_a_point_is_stale_when_nothing_new_has_come() -> None:
    """Any register will do; retained values of before the start do not count; points without inputs are not expected."""
    newest = {
        ("t1", IMPORT): Now(1.0, NOW - 901_000),
        ("t1", POWER): Now(1.0, NOW - 900_000),
        ("q1", IMPORT): Now(1.0, NOW - 901_000),
        ("q2", IMPORT): Now(1.0, NOW, old=True),
    }
    findings = stale_points(SITE, newest, NOW)
    assert [(f.cause, f.subject) for f in findings] == [("stale", "q1"), ("stale", "q2")]
    assert findings[0].text == "q1: last value 2026-03-29T00:44:59Z, 15 min ago"
    assert "no value yet" in findings[1].text


def test_all_silent_is_one_cause() -> None:
    """Not one finding per point: the broker or the network is what they share."""
    findings = stale_points(SITE, {("t1", IMPORT): Now(1.0, NOW - 10**7)}, NOW)
    assert [(f.cause, f.subject, f.points) for f in findings] == [("silent", "mill", ("t1", "q1", "q2"))]
    assert "2026-03-28T22:13:20Z" in findings[0].text
    assert "none has been read yet" in stale_points(SITE, {}, NOW)[0].text


def test_balances_that_do_not_close() -> None:
    """Outside with residual, band and what is not covered; not computable with what is missing; inside says nothing."""
    rows = [balance("inside"), balance("outside", uncovered=("q3",))]
    rows += [balance("not computable", residual=None, band=None, missing=("q1", "q2"))]
    outside, unknown = balance_findings(rows)
    assert (outside.id, unknown.id) == ("outside-band-north", "not-computable-north")
    for message in ("+4.000 kWh", "0.250 kWh", "not covered: q3", "2026-03-29T01:00:00Z", "2026-03-29T01:15:00Z"):
        assert message in outside.text
    assert "missing q1, q2" in unknown.text
    assert unknown.points == ("q1", "q2")
    assert "cannot tell which meter" in outside.remedy
    (bare,) = balance_findings([balance("not computable", residual=None, band=None)])
    assert "missing a feed or feeder" in bare.text


def test_what_is_not_believed_or_goes_wrong_names_the_register() -> None:
    """Ids are stable, so that the same cause renews its finding."""
    refused = refused_finding("q1", POWER, 17, reason="not a number", sample='"n/a"', now_ms=NOW)
    assert refused.id == "refused-power-q1"
    assert "17 values of power refused, the last because not a number" in refused.text
    assert refused.text.endswith('; it was: ""n/a""')
    long = refused_finding("q1", POWER, 17, reason="time refused: time is ahead", sample="x" * 200, now_ms=NOW)
    assert long.text == f'q1: 17 values of power refused, the last because time is ahead; it was: "{"x" * 60}..."'
    other = refused_finding("q1", POWER, 17, reason="time refused: null is no number", sample="1", now_ms=NOW)
    assert "the last because time refused: null is no number; " in other.text
    (aside,) = set_aside_findings({("q1", IMPORT): "KeyError: 1"}, NOW)
    assert aside.id == "not-followed-import-q1"
    assert {fault_finding("north", "why", NOW).cause, unstored_finding("q1", 3, "why", NOW).cause} <= EVENTS


@pytest.mark.parametrize(
    ("last", "begun", "when"),
    [
        (None, OLDEST_MS, None),
        (None, OLDEST_MS + 1, "yet"),
        (OLDEST_MS, 10 * OLDEST_MS, None),
        (OLDEST_MS + 1, 10 * OLDEST_MS, "since 2026-03-28T12:59:59.999Z"),
        (2 * OLDEST_MS, 30_000, None),
        (2 * OLDEST_MS, 60_000, "since 2026-03-28T01:00:00Z"),
    ],
    ids=["never-young", "never", "in-time", "late", "just-started", "started"],
)
def test_a_forecast_from_outside_that_does_not_come_is_told(last: int | None, begun: int, when: str | None) -> None:
    """`last` and `begun` ago in ms. As long as the newest counts nothing is said, nor before a retained one could come."""
    site = replace(SITE, forecast=ForecastInput("s", "weather/roof"))
    last_ms = None if last is None else NOW - last
    finding = outside_silent_finding(site, last_ms, now_ms=NOW, begun_ms=NOW - begun)
    assert (finding and finding.text) == (when and f"mill: no forecast from outside has come on weather/roof {when}")
    assert outside_silent_finding(SITE, last_ms, now_ms=NOW, begun_ms=NOW - begun) is None, "the plan has no topic"
