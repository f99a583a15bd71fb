"""A meter set to another current transformer ratio than the plan has is reported with both ratios and what to do."""

from dataclasses import replace

import pytest

from meterd.core.checks.ct_ratio import instrument_at, ratio_findings
from meterd.core.checks.proposed_correction import proposed
from meterd.core.model.plan import Board, Input, Instrument, Point, PointState, Role, Site
from meterd.core.model.reading import CT_PRIMARY, CT_SECONDARY, IMPORT
from meterd.core.model.snapshot import Now

NOW = 1_777_852_800_000  # 2026-05-04T00:00:00Z
DAY = 86_400_000
OLD = Instrument("q01", 0, NOW - 10 * DAY, ct_primary_a=200, ct_secondary_a=5)
FITTED = Instrument("q01", NOW - 10 * DAY, ct_primary_a=250, ct_secondary_a=5)


def plan(*instruments: Instrument, per_ct: bool = False, state: PointState = PointState.LIVE) -> Site:
    """One feeder with its instruments; `per_ct`: the plan multiplies what the meter shows."""
    return Site(
        "mill", "UTC", boards=(Board("main"),), points=(Point("q01", "main", Role.FEEDER, state=state),),
        instruments=instruments or (OLD, FITTED), inputs=(Input("q01", IMPORT, "line", "1", per_ct=per_ct),),
    )  # fmt: skip


def told(primary: float, secondary: float | None = None, at_ms: int = NOW - 1000) -> dict[tuple[str, str], Now]:
    """What the meter says."""
    latest_values = {("q01", CT_PRIMARY): Now(primary, at_ms)}
    return latest_values if secondary is None else {**latest_values, ("q01", CT_SECONDARY): Now(secondary, at_ms)}


def test_h6_config_says_250_and_the_meter_200() -> None:
    """One finding with both ratios, what it does to the energies, and what decides."""
    (finding,) = ratio_findings(plan(), told(200, 5), NOW)
    assert finding.id == "ct-ratio-q01"
    assert "the plan has current transformers 250/5, the meter says 200/5" in finding.text
    assert "if the plan is right its energies are read as 0.8 of the truth" in finding.evidence
    assert "rating plate" in finding.remedy
    assert finding.points == ("q01",)
    (proposal,) = proposed(finding)
    assert (proposal.point, proposal.begin, proposal.factor) == ("q01", "2026-04-24T00:00:00+00:00", "1.250")


@pytest.mark.parametrize(
    ("primary", "secondary"), [(250, 5), (250.0001, 5), (50, None), (50, 1), (500, 10)], ids=str
)  # fmt: skip
def test_the_same_ratio_written_otherwise_is_the_same(primary: float, secondary: float | None) -> None:
    """Both currents, the bare ratio, a ratio kept as float32."""
    assert ratio_findings(plan(), told(primary, secondary), NOW) == []


def test_a_meter_that_shows_the_secondary_side_may_say_one() -> None:
    """The plan multiplies: the meter may name the transformers or apply none, but no third ratio."""
    secondary = plan(per_ct=True)
    assert ratio_findings(secondary, told(250, 5), NOW) == []
    assert ratio_findings(secondary, told(1, 1), NOW) == []
    (finding,) = ratio_findings(secondary, told(200, 5), NOW)
    assert finding.evidence[0].startswith("the plan multiplies by 50,")
    assert proposed(finding) == ()
    (finding,) = ratio_findings(plan(), told(1), NOW)
    assert "250/5, the meter says 1/1" in finding.text


def test_a_direct_connection_has_the_ratio_one() -> None:
    """Nothing in the plan and 1 in the meter agree; a ratio in the meter alone is reported."""
    direct = plan(replace(FITTED, ct_primary_a=None, ct_secondary_a=None))
    assert ratio_findings(direct, told(1), NOW) == []
    (finding,) = ratio_findings(direct, told(250, 5), NOW)
    assert "the plan has current transformers direct connection, the meter says 250/5" in finding.text


def test_the_ratio_of_the_meter_before_an_exchange_is_not_that_of_the_new_one() -> None:
    """What was read before the exchange is not held against what is fitted now."""
    assert ratio_findings(plan(), told(200, 5, at_ms=FITTED.from_ms - 1), NOW) == []
    assert len(ratio_findings(plan(), told(200, 5, at_ms=FITTED.from_ms), NOW)) == 1
    assert ratio_findings(plan(), told(200, 5, at_ms=FITTED.from_ms - 1), FITTED.from_ms - 1) == []


@pytest.mark.parametrize(("primary", "secondary"), [(0, 5), (-250, 5), (250, 0)])
def test_a_ratio_that_cannot_be_points_to_the_register(primary: float, secondary: float) -> None:
    """Zero or less is a wrong register or word order, not a transformer."""
    (finding,) = ratio_findings(plan(), told(primary, secondary), NOW)
    assert "which cannot be" in finding.text
    assert "meterd probe" in finding.remedy


def test_what_is_not_read_or_does_not_count_is_not_reported() -> None:
    """No ratio from the meter, no instrument at that time, a point that is not live."""
    assert ratio_findings(plan(), {}, NOW) == []
    assert ratio_findings(plan(OLD), told(250, 5), NOW) == []
    assert ratio_findings(plan(state=PointState.FITTED), told(200, 5), NOW) == []
    assert instrument_at((OLD, FITTED), FITTED.from_ms) == FITTED
