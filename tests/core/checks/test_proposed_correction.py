"""What a finding proposes to correct is read back as it was written, also from findings of older versions."""

import pytest

from meterd.core.checks.proposed_correction import (
    ProposedCorrection,
    energies_evidence,
    evidence_of,
    plain_factor,
    proposed,
)
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER

MAY_MS = 1_777_852_800_000  # 2026-05-04 00:00 UTC


def finding(*evidence: str) -> Finding:
    return Finding("drift", "q01", 0, "q01 reads less", "", ("q01",), evidence)


def test_both_directions_are_read_back() -> None:
    rows = tuple(
        ProposedCorrection(
            "q01", register, "2026-05-04T10:00:00+02:00", "2026-06-01T00:00:00+02:00", "50/3", 'one "wrong"; turn'
        )
        for register in ("import", "export")
    )
    results = proposed(finding("q01 -3 %", evidence_of(*rows)))
    assert [(row.register, row.begin, row.end, row.factor, row.reason) for row in results] == [
        (register, "2026-05-04T10:00:00+02:00", "2026-06-01T00:00:00+02:00", "50/3", "one 'wrong'; turn")
        for register in ("import", "export")
    ]


def test_sentences_of_older_versions_and_what_is_no_command() -> None:
    old = "once the cause is confirmed on site, the books are put right by: meterd correct PLAN --point q01 --factor 3"
    assert proposed(finding(old)) == (ProposedCorrection("q01", "import", "", "", "3", ""),)
    for text in ('meterd correct PLAN --point q01 --reason "', "meterd correct PLAN --factor 3", "reads less"):
        assert proposed(finding(f"the stored figures are corrected by: {text}")) == ()
    assert proposed(finding("try meterd correct PLAN --point q01 --factor 3")) == ()


@pytest.mark.parametrize(
    ("since_ms", "registers", "begin"),
    [(0, (IMPORT, POWER), ""), (MAY_MS, (IMPORT, EXPORT), "2026-05-04T02:00:00+02:00")],
)
def test_energies_of_a_point_since_its_meter_is_fitted(since_ms: int, registers: tuple[str, ...], begin: str) -> None:
    """Both directions where both are read; a meter without a date leaves the beginning to the person."""
    site = Site(
        "mill", "Europe/Vienna", boards=(Board("main"),), points=(Point("q01", "main", Role.FEEDER),),
        instruments=(Instrument("q01", since_ms, None),), inputs=tuple(Input("q01", code, "s", "t") for code in registers),
    )  # fmt: skip
    results = proposed(finding(energies_evidence(site, "q01", 1.25, "plate says 250/5")))
    assert {row.register for row in results} == ({"import", "export"} if EXPORT in registers else {"import"})
    assert {(row.begin, row.end, row.factor, row.reason) for row in results} == {
        (begin, "", "1.250", "plate says 250/5")
    }


@pytest.mark.parametrize(
    ("number", "text"), [(0.001, "0.001000"), (1.0204081, "1.020"), (1000.0, "1000"), (12.0, "12.00")]
)
def test_a_factor_has_four_digits(number: float, text: str) -> None:
    assert plain_factor(number) == text
