"""The statement of one tenant: its meters, their cost, its part of shared costs, and nothing of anybody else."""

from pathlib import Path

import pytest

from meterd.app.cli.main import main
from tests.adapters.documents.test_report_cost import prices
from tests.adapters.documents.written_files import book, made, march, text


def statement(hof: Path, tmp_path: Path, *more: object) -> Path:
    """The statement of a tenant for March."""
    return made(tmp_path, "report", hof, "--month", "2026-03", *more)


def test_a_statement_has_the_energy_and_the_cost_of_its_meters(hof: Path, tmp_path: Path) -> None:
    """As pandas adds them up; the part of the shared cost is the line of the allocation."""
    sheets = book(statement(hof, tmp_path, "--tenant", "Bäckerei Öztürk", "--xlsx", tmp_path / "s.xlsx"))
    wh, price = march(), prices(march())
    points = sheets["Energy of your meters"]
    assert [str(row[0]).split(":")[0] for row in points[1:]] == ["bakery", "Total"]
    assert points[-1][1] == pytest.approx(wh["bakery"].sum() / 1000)
    costs = sheets["Cost by the tariff"]
    assert [row[0] for row in costs[1:]] == ["day", "night", "Total"]
    assert costs[-1][3] == pytest.approx((wh["bakery"] * price).sum() / 1000, abs=0.011)
    assert round(float(str(costs[1][3])) + float(str(costs[2][3])), 2) == costs[-1][3]
    parts = sheets["Demand and fixed prices"]
    assert [row[0] for row in parts[1:]] == ["Energy, as above", "demand", "metering", "Total"]
    assert parts[1][3] == costs[-1][3]
    assert round(sum(float(str(row[3])) for row in parts[1:-1]), 2) == parts[-1][3]
    whole = book(made(tmp_path, "cost-allocation", hof, "--month", "2026-03", "--xlsx", tmp_path / "a.xlsx"))
    own = next(row for row in whole["Hauptverteilung"] if row[0] == "Bäckerei Öztürk")
    (shared,) = sheets["Part of shared costs"][1:]  # the tower is divided per year, and not to the bakery
    assert (shared[0], shared[2], shared[4]) == ("Hauptverteilung", own[3], own[4])
    assert shared[3] == pytest.approx(100 * float(str(own[3])) / float(str(whole["Hauptverteilung"][-1][3])))


def test_a_statement_holds_nothing_of_other_tenants(hof: Path, tmp_path: Path) -> None:
    """On paper, in German; the same bytes again."""
    first = statement(hof, tmp_path, "--tenant", "Gast", "--lang", "de", "--pdf", tmp_path / "s.pdf")
    output = text(first)
    assert "Energieaufstellung März 2026, Gast" in output
    assert "keine Rechnung" in output
    for message in ("Laden", "Öztürk", "bakery", "shop"):
        assert message not in output
    again = statement(hof, tmp_path, "--tenant", "Gast", "--lang", "de", "--pdf", tmp_path / "t.pdf")
    assert again.read_bytes() == first.read_bytes()


def test_a_year_has_what_is_divided_per_year(hof: Path, tmp_path: Path) -> None:
    """The history begins in March: the part is missing, and the statement says since when its sums count."""
    path = tmp_path / "y.xlsx"
    sheets = book(made(tmp_path, "report", hof, "--year", "2026", "--tenant", "Gast", "--xlsx", path))
    assert [row[0] for row in sheets["Part of shared costs"][1:]] == ["tower"]
    assert sheets["Part of shared costs"][1][2] == "period not over"
    assert any(str(row[0]).startswith("The history begins on 2026-03-01") for row in sheets["Statement"])


def test_an_unknown_tenant_is_refused_with_near_names(
    hof: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And no file is written."""
    path = tmp_path / "x.pdf"
    assert main(["report", str(hof), "--month", "2026-03", "--tenant", "Lader", "--pdf", str(path)]) == 2
    assert "the plan has no tenant Lader; it has Laden" in capsys.readouterr().err
    assert not path.exists()
