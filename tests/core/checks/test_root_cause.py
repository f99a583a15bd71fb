"""One cause, one finding: what follows from another finding becomes its evidence."""

from dataclasses import replace

import pytest

from meterd.core.checks.root_cause import MOST_EVIDENCE, groups, one_cause
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Board, Input, Point, Role, Site, Source

NORTH = tuple(f"n{i:02}" for i in range(20))
SOUTH = ("t2", "s1", "s2")
STUDIOS = tuple(f"studio-{i:02}" for i in range(24))
T = 1_780_000_000_000


def site() -> Site:
    """Two boards, two sources; 24 studios below a riser of the north."""
    north = tuple(Point(p, "north", Role.FEED if p == "n00" else Role.FEEDER) for p in NORTH)
    south = tuple(Point(p, "south", Role.FEED if p == "t2" else Role.FEEDER) for p in SOUTH)
    studios = tuple(Point(p, "north", Role.SUB, below="n05") for p in STUDIOS)
    inputs = tuple(
        Input(p, r, "west" if p in SOUTH else "mill", f"meters/{p}")
        for p in (*NORTH, *SOUTH, *STUDIOS)
        for r in ("1.8.0", "16.7.0")
    )
    return Site(
        "mill", "Europe/Vienna", boards=(Board("north"), Board("south")), points=north + south + studios, inputs=inputs,
        sources=(Source("mill", "mqtt"), Source("west", "mqtt", (("host", "west.example"),))),
    )  # fmt: skip


SITE = site()


def stale(*points: str, at_ms: int = T) -> list[Finding]:
    """Points silent since a moment, each a little later than the one before, minutes apart."""
    return [Finding("stale", p, at_ms + i * 120_000, f"{p}: nothing", points=(p,)) for i, p in enumerate(points)]


def not_computable(board: str, *missing: str) -> Finding:
    return Finding("not-computable", board, T, f"board {board}: not computable", points=missing)


def ids(findings: list[Finding]) -> list[str]:
    return sorted(f.id for f in findings)


@pytest.mark.parametrize(
    ("late", "expected"),
    [
        (("n01",), ["stale-n01"]),
        (("n01", "n02"), ["stale-n01", "stale-n02"]),
        (STUDIOS, ["silent-riser-n05"]),
        ((*STUDIOS, "n01"), ["silent-riser-n05", "stale-n01"]),
        ((*NORTH, *STUDIOS), ["silent-source-mill"]),  # board north is the same set; the source says more
        (SOUTH, ["silent-source-west"]),
    ],
)
def test_silent_points_are_one_finding_of_what_they_share(late: tuple[str, ...], expected: list[str]) -> None:
    """Forty points of one source, board or riser are one finding with forty names."""
    findings = one_cause(SITE, stale(*late))
    assert ids(findings) == expected
    assert {p for f in findings for p in f.points} == set(late)


def test_board_is_one_finding_when_the_source_goes_on() -> None:
    """All points of a board, but not of its source."""
    one_source = replace(SITE, inputs=tuple(replace(i, source="mill") for i in SITE.inputs))
    assert ids(one_cause(one_source, stale(*NORTH, *STUDIOS))) == ["silent-board-north"]
    assert ids(one_cause(one_source, stale(*SOUTH))) == ["silent-board-south"]


def test_points_behind_one_address_are_one_device() -> None:
    """A gateway with several points in one message."""
    gateway = replace(
        SITE,
        inputs=tuple(replace(i, address="gateway") if i.point in ("n01", "n02", "n03") else i for i in SITE.inputs),
    )
    assert ids(one_cause(gateway, stale("n01", "n02", "n03", "n07"))) == ["silent-device-gateway", "stale-n07"]


def test_points_that_fall_silent_within_a_minute_are_one_finding() -> None:
    """A switch that the plan does not know takes nine of twenty feeders with it."""
    at_once = [replace(f, at_ms=T + i * 5_000) for i, f in enumerate(stale(*NORTH[3:12]))]
    findings = one_cause(SITE, [*at_once, *stale("s1", at_ms=T + 3_600_000)])
    assert ids(findings) == ["silent-together-mill", "stale-s1"]
    (together,) = [f for f in findings if f.cause == "silent-together"]
    assert together.points == NORTH[3:12]
    assert "9 points fell silent" in together.text


def test_four_points_at_once_stay_four() -> None:
    """Few may be chance."""
    assert len(one_cause(SITE, [replace(f, at_ms=T) for f in stale(*NORTH[3:7])])) == 4


def test_source_that_is_away_explains_its_points_and_their_balances() -> None:
    """Forty-four stale points and a balance: one finding, of the source."""
    away = Finding("source-away", "mill", T, "source mill: no connection")
    findings = one_cause(SITE, [away, *stale(*NORTH, *STUDIOS), not_computable("north", "n00", "n01"), *stale("s1")])
    assert ids(findings) == ["source-away-mill", "stale-s1"]
    (finding,) = [f for f in findings if f.cause == "source-away"]
    assert set(finding.points) == {*NORTH, *STUDIOS}
    assert len(finding.evidence) <= MOST_EVIDENCE
    assert any("not computable" in line or "more" in line for line in finding.evidence)


def test_broker_that_hangs_explains_every_source_without_a_host_of_its_own() -> None:
    """B10: the way out and the way in are the same broker; the other source is not touched."""
    silent = Finding("broker-silent", "mill", T, "the broker does not return our heartbeat")
    away = [Finding("source-away", name, T, f"source {name}: no connection") for name in ("mill", "west")]
    assert ids(one_cause(SITE, [silent, *away, *stale(*NORTH, *STUDIOS)])) == ["broker-silent-mill", "source-away-west"]


def test_whole_site_silent_is_one_finding() -> None:
    """`stale_points` says so itself, and the balances follow."""
    silent = Finding("silent", "mill", T, "no point delivers", points=(*NORTH, *SOUTH, *STUDIOS))
    assert ids(one_cause(SITE, [silent, not_computable("north", "n00"), not_computable("south", "t2")])) == [
        "silent-mill"
    ]


def test_balance_without_a_silent_point_is_evidence_of_the_silence() -> None:
    """One silent feeder is not two findings."""
    findings = one_cause(SITE, [*stale("n01"), not_computable("north", "n01")])
    assert ids(findings) == ["stale-n01"]
    assert findings[0].evidence == ("board north: not computable",)


def test_balance_that_lacks_another_point_stays() -> None:
    """What is not explained is reported."""
    assert ids(one_cause(SITE, [*stale("n01"), not_computable("north", "n01", "n02")])) == [
        "not-computable-north",
        "stale-n01",
    ]


def test_balance_is_not_blamed_before_the_point_is_found_silent() -> None:
    """Nothing has come since the end of the interval: within a quarter hour it is back, or it is stale."""
    finding = not_computable("north", "n01")
    assert one_cause(SITE, [finding], heard={"n01": T + 600_000}) == []
    assert ids(one_cause(SITE, [finding], heard={"n01": T + 900_000})) == ["not-computable-north"]


def test_balance_left_over_from_a_silence_is_not_reported() -> None:
    """The points are back; the last closed interval still lacks them for a quarter hour."""
    finding = not_computable("north", "n01")
    assert one_cause(SITE, [finding], lately=stale("n01")) == []


def test_registers_refused_of_one_point_are_one_finding_and_it_is_not_silent() -> None:
    """A clock an hour ahead: every register refused, nothing accepted."""
    refused = [
        Finding(f"refused-{r}", "n01", T, f"n01: 5 values of {r} refused", "mend", ("n01",))
        for r in ("import", "power")
    ]
    findings = one_cause(SITE, [*refused, *stale("n01")])
    assert ids(findings) == ["refused-n01"]
    assert findings[0].evidence == ("n01: 5 values of power refused", "n01: nothing")
    assert ids(one_cause(SITE, refused[:1])) == ["refused-import-n01"]


def test_residual_follows_from_a_register_that_is_known_to_be_wrong() -> None:
    """A14: the frozen point is the finding, the residual of its board the evidence; the other board's is its own."""
    outside = [Finding("outside-band", board, T, f"board {board}: +9 kWh") for board in ("north", "south")]
    frozen = Finding("frozen-value", "n07", T, "n07: nothing changes", points=("n07",))
    findings = one_cause(SITE, [*outside, frozen])
    assert ids(findings) == ["frozen-value-n07", "outside-band-south"]
    assert [f.evidence for f in findings if f.cause == "frozen-value"] == [("board north: +9 kWh",)]


def test_wrong_register_below_a_feeder_does_not_explain_the_board() -> None:
    """A studio is no term of the board's balance."""
    outside, frozen = Finding("outside-band", "north", T, "x"), Finding("frozen-value", STUDIOS[0], T, "y")
    assert len(one_cause(SITE, [outside, frozen])) == 2


def test_groups_are_found_largest_first() -> None:
    """Sources and boards before risers; nothing of a single point."""
    assert [(g.cause, g.subject, len(g.points)) for g in groups(SITE)] == [
        ("silent-source", "mill", 44), ("silent-board", "north", 44), ("silent-riser", "n05", 24),
        ("silent-source", "west", 3), ("silent-board", "south", 3),
    ]  # fmt: skip


def test_a_thousand_stale_points_are_grouped_in_time() -> None:
    """The loop does this once a second."""
    points = tuple(Point(f"p{i:04}", "north", Role.FEEDER) for i in range(1000))
    big = replace(SITE, points=points, inputs=tuple(Input(p.name, "16.7.0", "mill", p.name) for p in points))
    assert ids(one_cause(big, stale(*(p.name for p in points)))) == ["silent-source-mill"]
