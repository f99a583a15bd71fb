"""Cost allocations add up to the feed, as a table and as a document."""

import csv
import io
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from tests.adapters.documents.month import PLAN
from tests.adapters.documents.test_report_cost import prices
from tests.adapters.documents.written_files import book, made, march, text


def test_cost_allocation_adds_up_to_the_feed(hof: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """70 % by use and 30 % by area of what the feeders counted; feed less feeders is the residual."""
    assert main(["cost-allocation", str(hof), "--month", "2026-03", "--format", "csv"]) == 0
    rows = {row["line"]: row for row in csv.DictReader(io.StringIO(capsys.readouterr().out))}
    wh = march()
    outgoing = int(wh[["bakery", "shop", "riser", "stairs"]].sum().sum())
    use = {"Bäckerei Öztürk": int(wh["bakery"].sum()), "Laden": int(wh["shop"].sum())}
    use["Gast"] = int(wh["room-1"].sum())
    share = 0.7 * use["Bäckerei Öztürk"] / (use["Bäckerei Öztürk"] + use["Laden"]) + 0.3 * 0.75
    assert float(rows["Bäckerei Öztürk"]["energy_wh"]) == pytest.approx(outgoing * share, abs=1)
    assert float(rows["residual"]["energy_wh"]) == 11 * 743
    assert float(rows["total"]["energy_wh"]) == outgoing + 11 * 743
    assert float(rows["total"]["cost"]) == pytest.approx((outgoing + 11 * 743) / 1000 * 0.25, abs=0.005)
    parts = [float(row["cost"]) for name, row in rows.items() if name != "total"]
    assert sum(parts) == pytest.approx(float(rows["total"]["cost"]), abs=1e-9)


def test_cost_allocation_as_document_and_of_a_year_that_is_not_whole(hof: Path, tmp_path: Path) -> None:
    """What is divided per year has no month; a year that is not over says that, and up to when there are figures."""
    month = text(made(tmp_path, "cost-allocation", hof, "--month", "2026-03", "--pdf", tmp_path / "c.pdf"))
    assert "tower is divided per year" in month
    assert "Residual: counted at the feed, but by no" in month
    year = text(made(tmp_path, "cost-allocation", hof, "--year", "2026", "--lang", "de", "--pdf", tmp_path / "c.pdf"))
    assert "Noch nicht möglich: das Jahr läuft. Werte gibt es bis" in year


def test_an_allocation_by_the_tariff_costs_what_its_hours_cost(hof: Path, tmp_path: Path) -> None:
    """What came into the board, hour by hour at the price of that hour; sheet and CSV, whole cents that add up."""
    plan = tmp_path / "hof.toml"
    plan.write_text(PLAN.replace("price = 0.25\n", 'price = "tariff"\n'), encoding="utf-8")
    store = ("--store", hof.parent / "hof.sqlite", "--month", "2026-03")
    sheets = book(made(tmp_path, "cost-allocation", plan, *store, "--xlsx", tmp_path / "a.xlsx"))
    wh = march()
    pot = wh["t1"] - wh["t1-out"] + wh["roof"]
    rows = {str(row[0]): row for row in sheets["Hauptverteilung"][1:]}
    energies, cents = [row[3] for row in rows.values()], [round(float(str(row[4])) * 100) for row in rows.values()]
    assert cents[-1] == pytest.approx((pot * prices(wh)).sum() / 10, abs=1)
    assert sum(cents[:-1]) == cents[-1]
    mean = cents[-1] / float(str(energies[-1]))
    for energy, own in zip(energies, cents, strict=True):
        assert own == pytest.approx(float(str(energy)) * mean, abs=1)
    facts = {row[0]: row[1] for row in sheets["Cost allocation"]}
    assert facts["Price per kWh"] == f"by the tariff of the plan: on average {mean / 100:.4f} EUR"


def test_an_allocation_by_the_tariff_as_csv(hof: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The figures of the sheet, for programs."""
    plan = tmp_path / "hof.toml"
    plan.write_text(PLAN.replace("price = 0.25\n", 'price = "tariff"\n'), encoding="utf-8")
    options = ["--store", str(hof.parent / "hof.sqlite"), "--month", "2026-03", "--format", "csv"]
    capsys.readouterr()
    assert main(["cost-allocation", str(plan), *options]) == 0
    rows = [row for row in csv.DictReader(io.StringIO(capsys.readouterr().out)) if row["allocation"] == "house"]
    costs = {row["line"]: round(float(row["cost"]) * 100) for row in rows}
    total = costs.pop("total")
    assert sum(costs.values()) == total > 0
    assert {row["currency"] for row in rows} == {"EUR"}
