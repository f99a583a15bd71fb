"""Naming: 20:1 or a list; correlation decides how large an error must be to be distinguished from its rival."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meterd.core.drift.baseline import Fit, Hypothesis
from meterd.core.drift.identification import GAP, THIN, Evidence, Window, evidence, shortlist, suspicion, with_begin
from meterd.core.drift.load_shape import Profile, ShapeEvidence
from meterd.core.model.periods import DAY_MS
from tests.late import stats

VECTORS = Path(__file__).parents[2] / "vectors"
with (VECTORS / "separability.csv").open(newline="", encoding="utf-8") as lines:
    SEPARABILITY = list(csv.DictReader(lines))


def two(rho: float) -> tuple[np.ndarray, np.ndarray]:
    """Information of two unknowns whose signatures correlate with rho, and their directions."""
    return np.array([[1.0, rho], [rho, 1.0]]), np.eye(2)


TESTS = tuple(Hypothesis(f"ratio q{i}", "ratio", (f"q{i}",), "board b", (i,), 0.01) for i in range(2))
CERTAIN = Fit(np.zeros(2), np.zeros((2, 2)))
WINDOW = Window(found_ms=0, change_ms=0, days=14, false_alarms_per_year=0.1, explained=1.0)


@pytest.mark.parametrize("row", SEPARABILITY, ids=lambda r: r["rho between two shift signatures"])
def test_separability_of_two_signatures(row: dict[str, str]) -> None:
    """separability.csv: right with probability Phi(s sqrt((1-rho)/2)); expected odds of 20:1 (dT = 6) from s on."""
    rho = float(row["rho between two shift signatures"])
    M, D = two(rho)
    s = float(row["SNR for an expected LR of 20:1 (dT=6)"])
    seen = evidence(CERTAIN, M, M @ np.array([s, 0.0]), D)
    assert seen.correlation[0, 1] == pytest.approx(rho)
    assert seen.T[0] - seen.T[1] == pytest.approx(6.0, rel=0.01)
    for name, wanted in (("SNR for 95 % correct pick", 0.95), ("SNR for 99 % correct pick", 0.99)):
        assert stats.norm.cdf(float(row[name]) * math.sqrt((1 - rho) / 2)) == pytest.approx(
            wanted, abs=5e-4
        )  # s is printed to 0.01


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_share_of_right_picks_is_that_of_the_formula(rho: float) -> None:
    """20,000 draws: the larger T belongs to the truth as often as Phi(s sqrt((1-rho)/2)) says."""
    M, D = two(rho)
    generator, size, draws = np.random.default_rng(1), 3.0, 20_000
    noise = generator.standard_normal((draws, 2)) @ np.linalg.cholesky(M).T
    scores = M @ np.array([size, 0.0]) + noise
    T = scores**2 / np.diagonal(M)
    same_sign = stats.norm.cdf(size * math.sqrt((1 - rho) / 2))
    opposite = stats.norm.cdf(size * math.sqrt((1 + rho) / 2))
    assert np.mean(T[:, 0] > T[:, 1]) == pytest.approx(
        same_sign * opposite + (1 - same_sign) * (1 - opposite), abs=0.01
    )
    item = evidence(CERTAIN, M, scores[0], D)
    assert item.T.tolist() == pytest.approx(T[0].tolist())


def test_a_name_needs_twenty_to_one() -> None:
    M, D = two(0.0)
    for gap, named in ((GAP - 0.1, None), (GAP + 0.1, "ratio q0")):
        seen = evidence(CERTAIN, M, np.array([math.sqrt(20 + gap), math.sqrt(20.0)]), D)
        assert suspicion(TESTS, seen, WINDOW, feeds=frozenset()).named == named


def test_thin_evidence_never_leaves_a_feed_out() -> None:
    """Found by slow ramps of a feed that were put down to a small feeder alone; with more evidence a feeder is named."""
    M, D = two(0.0)
    for T, names in ((THIN - 1, ["ratio q0", "ratio q1"]), (THIN + 1, ["ratio q0"])):
        seen = evidence(CERTAIN, M, np.array([math.sqrt(T), 0.1]), D)
        result = suspicion(TESTS, seen, WINDOW, feeds=frozenset({"q1"}))
        assert [c.hypothesis for c in result.candidates] == names
        assert result.named == (None if len(names) > 1 else "ratio q0")
        assert suspicion(TESTS, seen, WINDOW, feeds=frozenset({"q0"})).named == "ratio q0", "a feed may be named"


def test_the_day_of_a_change_is_a_local_one() -> None:
    """The local day of 1 March begins on 28 February by UTC."""
    M, D = two(0.0)
    window = Window(0, 1_772_319_600_000, 14, 0.1, explained=1.0, zone="Europe/Vienna")
    result = suspicion(TESTS, evidence(CERTAIN, M, np.array([9.0, 0.0]), D), window, feeds=frozenset())
    assert "since 2026-03-01 (14 days" in result.text


def test_a_better_date_moves_the_words_but_never_past_the_evidence() -> None:
    M, D = two(0.0)
    seen = evidence(CERTAIN, M, np.array([9.0, 0.0]), D)
    result = suspicion(TESTS, seen, Window(0, 1_772_319_600_000, 14, 0.1, explained=1.0), feeds=frozenset())
    earlier = with_begin(result, result.change_ms - 3 * DAY_MS, "UTC")
    assert (earlier.days, "since 2026-02-25 (17 days" in earlier.text) == (17, True)
    assert with_begin(result, result.change_ms + 13 * DAY_MS, "UTC").days == 1
    assert with_begin(result, result.change_ms + 262 * DAY_MS, "UTC") == result


def test_signatures_that_are_alike_are_listed_together_whatever_the_figures() -> None:
    M, D = two(0.97)
    seen = evidence(CERTAIN, M, M @ np.array([30.0, 0.0]), D)
    assert seen.T[0] - seen.T[1] > GAP
    result = suspicion(TESTS, seen, WINDOW, feeds=frozenset())
    assert result.named is None
    assert result.candidates[1].correlation == pytest.approx(0.97)
    assert result.text == (
        f"2 causes fit, the first: {result.candidates[0].text}, since 1970-01-01 (14 days of evidence)"
    )


def test_standing_load_and_loss_of_a_node_are_listed_together() -> None:
    pair = tuple(
        Hypothesis(f"{kind} board b", kind, (), "board b", (i,), 1.0) for i, kind in enumerate(("standing", "loss"))
    )
    M, D = two(0.3)
    stored, _ = shortlist(pair, evidence(CERTAIN, M, M @ np.array([30.0, 0.0]), D), frozenset())
    assert stored == [0, 1]


def test_the_uncertainty_of_the_baseline_weakens_the_evidence() -> None:
    M, D = two(0.0)
    sure = evidence(CERTAIN, M, np.array([5.0, 0.0]), D)
    unsure = evidence(Fit(np.zeros(2), np.eye(2)), M, np.array([5.0, 0.0]), D)
    assert unsure.T[0] == pytest.approx(sure.T[0] / 2)
    assert unsure.error[0] == pytest.approx(sure.error[0] * math.sqrt(2))


def test_a_direction_the_days_do_not_hold_is_never_blamed() -> None:
    seen = evidence(CERTAIN, np.diag([1.0, 0.0]), np.array([5.0, 0.0]), np.eye(2))
    assert (seen.T[1], seen.step[1], seen.error[1]) == (0.0, 0.0, np.inf)


def test_much_that_is_unexplained_is_said() -> None:
    M, D = two(0.0)
    window = Window(0, 0, 14, 0.1, explained=0.3)
    result = suspicion(TESTS, evidence(CERTAIN, M, np.array([9.0, 0.0]), D), window, feeds=frozenset())
    assert ["more than one thing" in note for note in result.notes] == [False, True, False]
    sure = replace(window, explained=0.6)
    result = suspicion(TESTS, evidence(CERTAIN, M, np.array([9.0, 0.0]), D), sure, feeds=frozenset())
    assert not any("more than one thing" in note for note in result.notes)


def test_if_the_feed_is_right_is_said_beside_a_feed_only() -> None:
    M, D = two(0.5)
    seen = evidence(CERTAIN, M, M @ np.array([10.0, 0.0]), D)
    others = suspicion(TESTS, seen, WINDOW, feeds=frozenset({"q0"})).if_feed_right
    assert others.startswith("if the feed is right: q1 reads")
    assert suspicion(TESTS, seen, WINDOW, feeds=frozenset({"q1"})).if_feed_right == ""


@pytest.mark.parametrize(("push", "odds"), [(4.0, "403"), (10.0, "more than 1000000"), (30.0, "more than 1000000")])
def test_odds_if_the_feed_is_right_are_no_power_of_ten(push: float, odds: str) -> None:
    """Found on the page of a finding: "5.18e+21 times less likely"."""
    M, D = two(0.5)
    seen = evidence(CERTAIN, M, M @ np.array([push, 0.0]), D)
    sentence = suspicion(TESTS, seen, WINDOW, feeds=frozenset({"q0"})).if_feed_right
    assert sentence.endswith(f", {odds} times less likely")


PROFILE = Profile("board b", (0.0,) * 8 + (4.0,) * 9 + (0.0,) * 7)


@pytest.mark.parametrize(
    ("odds", "listed", "named"),
    [
        (GAP + 1, ["ratio q0"], "ratio q0"),
        (2.0, ["ratio q0", "shape board b"], None),
        (0.0, ["shape board b", "ratio q0"], None),
        (-2.0, ["shape board b", "ratio q0"], None),
        (-GAP - 1, ["shape board b"], "shape board b"),
    ],
)
def test_a_load_of_any_shape_stands_beside_a_ratio_that_does_not_follow_its_feeder(
    odds: float, listed: list[str], named: str | None
) -> None:
    """20:1 each way; where neither is seen, the load comes first."""
    seen = Evidence(np.array([400.0, 1.0]), np.array([-0.08, 0.0]), np.full(2, 0.01), np.eye(2))
    judged = ShapeEvidence(np.array([odds]), {"board b": PROFILE})
    text = suspicion(TESTS, seen, WINDOW, feeds=frozenset(), judged=lambda _tests, _steps: judged)
    assert [c.hypothesis for c in text.candidates] == listed
    assert text.named == named
    if named == "shape board b":
        assert text.candidates[0].text == "unmetered load of board b that follows no meter, +4.00 kW from 8 to 17 h"
        assert text.remedy.startswith("look for a load without a meter at board b")


@pytest.mark.parametrize(("days", "odds", "named"), [(13, -20.0, None), (13, -25.0, "shape"), (14, -7.0, "shape")])
def test_a_meter_is_not_struck_out_for_a_load_on_the_word_of_few_days(
    days: int, odds: float, named: str | None
) -> None:
    """Found in the study: climbing-hall read 5 % less, and on day 5 a load that was not there was named."""
    seen = Evidence(np.array([400.0, 1.0]), np.array([-0.08, 0.0]), np.full(2, 0.01), np.eye(2))
    judged, window = ShapeEvidence(np.array([odds]), {"board b": PROFILE}), replace(WINDOW, days=days)
    text = suspicion(TESTS, seen, window, feeds=frozenset(), judged=lambda _tests, _steps: judged)
    assert text.named == (named and "shape board b")
    assert ("ratio q0" in [c.hypothesis for c in text.candidates]) == (named is None)


def test_without_a_profile_nothing_stands_beside_the_ratio() -> None:
    """No interval of its balance could be computed since."""
    seen = Evidence(np.array([400.0, 1.0]), np.array([-0.08, 0.0]), np.full(2, 0.01), np.eye(2))
    text = suspicion(
        TESTS, seen, WINDOW, feeds=frozenset(), judged=lambda tests, _steps: ShapeEvidence(np.zeros(len(tests)), {})
    )
    assert text.named == "ratio q0"
