"""Why a balance is what it is: its terms, its band, and which register is missing."""

from pathlib import Path

import pytest

from meterd.adapters.web.pages.audit_balance import BalanceWhy
from meterd.adapters.web.request_context import RequestContext
from tests.adapters.web.pages.audited_figures import asked
from tests.adapters.web.request_contexts import BEGIN, context_of, steady


def board(context: RequestContext, **query: str) -> BalanceWhy:
    answer = asked(context, board="north", **query).balance
    assert answer is not None
    return answer


@pytest.mark.parametrize("period", ["interval", "hour"])
def test_a_balance_is_recalculated_from_its_terms(tmp_path: Path, period: str) -> None:
    """5 kW in, 4.8 kW out: residual, band and verdict as stored; each term with its registers."""
    readings = [*steady("t1", 5000.0), *steady("q01", 4000.0), *steady("q02", 800.0)]
    balance_why = board(context_of(tmp_path / "s.sqlite", readings), period=period, start=str(BEGIN))
    hours = 0.25 if period == "interval" else 1
    assert (balance_why.residual_mwh, balance_why.again_residual_mwh) == (200_000 * hours, 200_000 * hours)
    assert (balance_why.band_mwh, balance_why.verdict) == (balance_why.again_band_mwh, balance_why.again_verdict)
    assert balance_why.word == "agrees"
    assert [(t.point, t.sign, t.energy_mwh) for t in balance_why.terms] == [
        ("t1", 1, 5_000_000 * hours), ("q01", -1, 4_000_000 * hours), ("q02", -1, 800_000 * hours)
    ]  # fmt: skip
    assert [r.register_code for r in balance_why.terms[1].registers] == ["1.8.0", "2.8.0"]
    squares = sum((t.u_mwh or 0) ** 2 for t in balance_why.terms)
    assert balance_why.band_mwh == pytest.approx(2 * squares**0.5, abs=5)


def test_a_balance_with_a_silent_meter_says_which(tmp_path: Path) -> None:
    """Not computable in the stored figures, and again."""
    balance_why = board(
        context_of(tmp_path / "s.sqlite", [*steady("t1", 5000.0), *steady("q01", 4000.0)]), start=str(BEGIN)
    )
    assert (balance_why.verdict, balance_why.again_verdict, balance_why.word) == (
        "not computable",
        "not computable",
        "agrees",
    )
    assert (balance_why.missing, balance_why.residual_mwh, balance_why.again_residual_mwh) == (["q02"], None, None)
    assert (balance_why.terms[2].energy_mwh, balance_why.terms[2].u_mwh) == (None, None)
