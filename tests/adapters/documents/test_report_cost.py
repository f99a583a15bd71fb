"""Costs in the report of a month: hours times prices by pandas, coins that add up, formulas that agree."""

from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from meterd.app.cli.main import main
from tests.adapters.documents.month import PLAN
from tests.adapters.documents.written_files import book, made, march, text

COSTS = "Energy costs by the tariff"


def prices(hours: pd.DataFrame) -> pd.Series:
    """The price of each hour on the local clock."""
    clock = hours.index.tz_convert("Europe/Vienna")
    day = (clock.day_of_week < 5) & (clock.hour >= 6) & (clock.hour < 22)
    return pd.Series(0.174, hours.index).where(~day, 0.2190)


def test_the_bill_of_a_month_is_its_hours_times_the_prices(hof: Path, tmp_path: Path) -> None:
    """Each line within half a coin of its product, the sum exactly that of the lines; PV, peak and CO2."""
    sheets = book(made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))
    wh, price = march(), prices(march())
    bill = {str(row[0]): row for row in sheets[COSTS][1:]}
    day = price == 0.2190
    wanted = {
        "day": (wh["t1"][day].sum() / 1000, 0.2190),
        "night": (wh["t1"][~day].sum() / 1000, 0.174),
        "feed-in": (wh["t1-out"].sum() / 1000, -0.0712),
        "demand": (wh["t1"].max() / 1000, 9.80),
        "metering": (1, 45),
    }
    for name, (quantity, each) in wanted.items():
        assert bill[name][1] == pytest.approx(quantity)
        assert bill[name][3] == pytest.approx(quantity * each, abs=0.011)
    assert round(sum(bill[name][3] for name in wanted), 2) == bill["Total"][3]
    facts = {row[0]: row[1] for row in sheets["Report"]}
    used = wh["roof"] - wh[["roof", "t1-out"]].min(axis=1)
    assert facts["Saved by PV used on site"] == pytest.approx((used * price).sum() / 1000, abs=0.006)
    assert facts["Earned by export to the grid"] == pytest.approx(wh["t1-out"].sum() / 1000 * 0.0712, abs=0.006)
    assert facts["CO2 of the energy from the grid"] == pytest.approx(wh["t1"].sum() / 1000 * 0.38)
    assert facts["Energy costs by the tariff"] == bill["Total"][3]
    when = wh["t1"].idxmax().tz_convert("Europe/Vienna")
    assert f"{when:%Y-%m-%d %H:%M}" in facts["Cost of the highest demand: demand"]


def test_tenants_cost_what_their_points_took(hof: Path, tmp_path: Path) -> None:
    """In order of name; the sum of the coins is the sum that is shown, and a formula."""
    path = made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx")
    rows = {str(row[0]): row for row in book(path)["Costs of tenants"][1:]}
    price, wh = prices(march()), march()
    for tenant, point in (("Bäckerei Öztürk", "bakery"), ("Laden", "shop"), ("Gast", "room-1")):
        assert rows[tenant][1] == pytest.approx(wh[point].sum() / 1000)
        # a gap keeps its energy; its course, and with it the price of single hours, is estimated
        assert rows[tenant][2] == pytest.approx((wh[point] * price).sum() / 1000, abs=0.3 if point == "shop" else 0.011)
        assert rows[tenant][5] == pytest.approx(rows[tenant][2] / rows[tenant][1], abs=1e-4)
    assert list(rows)[-1] == "Total"
    assert round(sum(float(str(row[2])) for name, row in rows.items() if name != "Total"), 2) == rows["Total"][2]


def test_demand_and_fixed_prices_fall_to_tenants(hof: Path, tmp_path: Path) -> None:
    """By their share of the consumption at the peak, and in the month; parts and rest are the lines of the bill."""
    path = made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx")
    sheets, wh = book(path), march()
    tenants = {str(row[0]): row for row in sheets["Costs of tenants"][1:]}
    load = wh["t1"] + wh["roof"] - wh["t1-out"]
    peak = wh["t1"].idxmax()
    for tenant, point in (("Bäckerei Öztürk", "bakery"), ("Laden", "shop"), ("Gast", "room-1")):
        demand = 9.80 * wh["t1"].max() / 1000 * wh[point][peak] / load[peak]
        fixed = 45 * wh[point].sum() / load.sum()
        assert tenants[tenant][3] == pytest.approx(demand + fixed, abs=0.011)
        assert tenants[tenant][4] == pytest.approx(tenants[tenant][2] + tenants[tenant][3], abs=1e-6)
    rows = {str(row[0]): row for row in sheets["Demand and fixed prices"][1:]}
    assert list(rows) == ["demand", "metering"]
    assert f"{peak.tz_convert('Europe/Vienna'):%Y-%m-%d %H:%M}" in str(rows["demand"][1])
    for row in rows.values():
        assert row[3] + row[4] == pytest.approx(row[2], abs=1e-6)  # type: ignore[operator]
    parts = sum(float(str(row[3])) for row in rows.values())
    assert parts == pytest.approx(float(str(tenants["Total"][3])), abs=1e-6)


def test_every_sum_of_the_workbook_is_a_formula_that_agrees(hof: Path, tmp_path: Path) -> None:
    """As another program would add up: the cells above, to the places that are shown; the formats tell the places."""
    path = made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx")
    formulas, values = openpyxl.load_workbook(path), openpyxl.load_workbook(path, data_only=True)
    count = 0
    for sheet in formulas.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    span = str(cell.value).removeprefix("=SUM(").removesuffix(")")
                    above = [float(item.value) for (item,) in values[sheet.title][span]]  # type: ignore[arg-type]
                    assert sum(above) == pytest.approx(float(values[sheet.title][cell.coordinate].value), abs=1e-5)  # type: ignore[arg-type]
                    assert cell.number_format.startswith("#,##0")
                    count += 1
    assert count >= 5  # areas, tenants, bill, costs of tenants
    assert formulas[COSTS]["D7"].value == "=SUM(D2:D6)"
    assert formulas[COSTS]["D7"].number_format == "#,##0.00"


def test_a_year_costs_what_its_months_cost(hof: Path, tmp_path: Path) -> None:
    """March and two days of April; in German, on paper."""
    year = book(made(tmp_path, "report", hof, "--year", "2026", "--xlsx", tmp_path / "y.xlsx"))
    months = [
        book(made(tmp_path, "report", hof, "--month", month, "--xlsx", tmp_path / f"{month}.xlsx"))
        for month in ("2026-03", "2026-04")
    ]
    highest = max(float(str(row[1])) for sheets in months for row in sheets[COSTS] if row[0] == "demand")
    assert next(row[1] for row in year[COSTS] if row[0] == "demand") == f"up to {highest:,.3f} kW"
    totals = [float(str(sheets[COSTS][-1][3])) for sheets in months]
    assert year[COSTS][-1][3] == pytest.approx(sum(totals), abs=0.011)
    output = text(made(tmp_path, "report", hof, "--month", "2026-03", "--lang", "de", "--pdf", tmp_path / "r.pdf"))
    for message in ("Kosten nach dem Tarif", "keine Rechnung", "0,2190 / kWh", "9,80 / kW", "Ersparnis durch PV"):
        assert message in output
    assert "\N{MINUS SIGN}" in output


def test_a_plan_without_prices_has_no_chapter_of_costs(hof: Path, tmp_path: Path) -> None:
    """Nothing about money where there is no tariff."""
    plan = tmp_path / "hof.toml"
    plan.write_text(PLAN[: PLAN.index("[[tariff]]")], encoding="utf-8")
    path, store = tmp_path / "r.xlsx", hof.parent / "hof.sqlite"
    assert main(["report", str(plan), "--store", str(store), "--month", "2026-03", "--xlsx", str(path)]) == 0
    assert COSTS not in book(path)
