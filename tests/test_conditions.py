"""What holds now becomes a finding in a sentence with figures and a remedy; what is as it should be does not."""

import pytest

from meterd.conditions import (
    EVENT_CAUSES,
    balance_findings,
    event_finding,
    fault_finding,
    refused_finding,
    set_aside_findings,
    stale_points,
    unkept_finding,
)
from meterd.figure import BalanceRow
from meterd.interval import Period
from meterd.reading import IMPORT, POWER
from meterd.register import Event
from meterd.site import Board, Input, Limits, Point, PointState, Role, Site
from meterd.snapshot import Now

T = 1_780_000_000_000
MINUTE = 60_000
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("t1", "north", Role.FEED),
        Point("q05", "north", Role.FEEDER),
        Point("q06", "north", Role.FEEDER, state=PointState.PLANNED),
        Point("q07", "north", Role.FEEDER),  # not read
    ),
    inputs=tuple(Input(p, r, "s", p) for p in ("t1", "q05", "q06") for r in (IMPORT, POWER)),
    limits=Limits(stale_after_s=900),
)


@pytest.mark.parametrize("kind", ["reset", "level-change", "ambiguous", "frozen", "exchange-unknown", "suspect"])
def test_what_a_register_did_is_a_finding_with_figures(kind: str) -> None:
    """Before and after in kWh as shown, the time, what to do; it belongs to what happened, not to what lasts."""
    found = event_finding(("q05", IMPORT), Event(kind, T, 7_000_000, 5_000_000_000))
    assert found is not None
    assert (found.id, found.at_ms, found.points) == (f"{kind}-q05", T, ("q05",))
    assert found.remedy
    assert found.cause in EVENT_CAUSES
    if kind != "exchange-unknown":
        assert "5000.000 k" in found.text


@pytest.mark.parametrize("kind", ["rollover", "exchange", "hurried"])
def test_what_a_register_should_do_is_none(kind: str) -> None:
    """A6 and A3: a rollover that was configured wakes nobody."""
    assert event_finding(("q05", IMPORT), Event(kind, T, 0, 1)) is None


def newest(**minutes_ago: int) -> dict[tuple[str, str], Now]:
    return {(point, POWER): Now(1.0, T - minutes * MINUTE) for point, minutes in minutes_ago.items()}


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (newest(t1=1, q05=15), []),
        (newest(t1=1, q05=16), ["stale-q05"]),
        (newest(t1=1), ["stale-q05"]),
        (newest(t1=16, q05=17), ["silent-mill"]),
        ({}, ["silent-mill"]),
        ({**newest(t1=1, q05=99), ("q05", IMPORT): Now(1.0, T)}, []),  # one of its registers is enough
        ({**newest(t1=1), ("q05", POWER): Now(1.0, T, old=True)}, ["stale-q05"]),  # B6
    ],
)
def test_stale_by_arrival(values: dict[tuple[str, str], Now], expected: list[str]) -> None:
    """Only points that count and are read; all of them silent are one finding."""
    assert [f.id for f in stale_points(SITE, values, T)] == expected


def test_a_daemon_that_has_just_begun_does_not_cry() -> None:
    """Without any value a point counts from the start."""
    assert stale_points(SITE, {}, T, T - 900_000) == []
    assert [f.id for f in stale_points(SITE, {}, T, T - 900_001)] == ["silent-mill"]


def test_stale_says_since_when() -> None:
    """The time of the finding is when the point was heard last, so that it does not change every second."""
    (found,) = stale_points(SITE, newest(t1=1, q05=20), T)
    assert found.at_ms == T - 20 * MINUTE
    assert "20 min ago" in found.text


def balance(verdict: str, **more: object) -> BalanceRow:
    fields: dict[str, object] = {"feed": 9_000_000, "outgoing": 1_000_000, "residual": 8_000_000, "band": 500_000}
    return BalanceRow("north", Period.INTERVAL, T, T + 900_000, verdict=verdict, estimated=False, **{**fields, **more})  # type: ignore[arg-type]


def test_balance_outside_its_band_is_told_with_figures_and_names_nobody() -> None:
    """One balance detects and never names."""
    (found,) = balance_findings([balance("outside", uncovered=("q06",))])
    assert (found.id, found.points) == ("outside-band-north", ())
    assert "+8.000 kWh" in found.text
    assert "0.500 kWh" in found.text
    assert "not covered: q06" in found.text


def test_balance_that_cannot_be_computed_names_what_is_missing() -> None:
    """Its points are those of the finding, so that a silence can explain it."""
    (found,) = balance_findings([balance("not computable", missing=("q05",)), balance("inside")])
    assert (found.id, found.points) == ("not-computable-north", ("q05",))


def test_faults_of_the_program_and_of_inputs_are_findings() -> None:
    """Each with a subject of its own."""
    findings = [
        refused_finding("q05", POWER, 7, "it is no number", "abc", T),
        fault_finding("snapshot", "ValueError", T),
        unkept_finding("q05", 3, "too large", T),
        *set_aside_findings({("q05", IMPORT): "ValueError"}, T),
    ]
    assert [f.id for f in findings] == ["refused-power-q05", "fault-snapshot", "unkept-q05", "not-followed-import-q05"]
    assert all(f.remedy for f in findings)
