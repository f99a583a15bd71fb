"""Charts of a report: the figures that are drawn are those of pandas, on paper and in the workbook."""

import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from meterd.app.cli.main import main
from tests.adapters.documents.month import energies
from tests.adapters.documents.written_files import book, made, march, text


def test_the_charts_of_a_month_have_the_figures_of_its_hours(hof: Path, tmp_path: Path) -> None:
    """Load and PV hour by hour, feeders day by day; each table with a chart of all its columns."""
    path = made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx")
    sheets, wh = book(path), march()
    load = sheets["Load and PV"]
    assert load[0] == ["From", "Consumption of the site [kW]", "PV production [kW]"]
    assert [row[1] for row in load[1:]] == pytest.approx(((wh["t1"] - wh["t1-out"] + wh["roof"]) / 1000).tolist())
    assert [row[2] for row in load[1:]] == pytest.approx((wh["roof"] / 1000).tolist())
    feeders = sheets["Feeders"]
    assert feeders[0] == ["From", "bakery [kWh]", "shop [kWh]", "Steigleitung [kWh]", "stairs [kWh]"]
    days = wh["bakery"].groupby(wh.index.tz_convert("Europe/Vienna").date).sum() / 1000
    assert [row[1] for row in feeders[1:]] == pytest.approx(days.tolist())
    workbook = openpyxl.load_workbook(path)
    for name, series in (("Load and PV", 2), ("Feeders", 4), ("Daily values", 3)):
        (chart,) = workbook[name]._charts  # type: ignore[attr-defined]
        assert len(chart.series) == series
        assert chart.series[0].val.numRef.f.replace("'", "") == f"{name}!$B$2:$B${len(sheets[name])}"


def test_the_hours_of_each_day_are_those_of_the_register_files(hof: Path, tmp_path: Path) -> None:
    """A row for each day; the hour that the clock leaves out on 29 March is empty."""
    rows = book(made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))["Hours by days"]
    wh = march()
    load = (wh["t1"] - wh["t1-out"] + wh["roof"]) / 1000
    clock = pd.DatetimeIndex(load.index.tz_convert("Europe/Vienna"))
    expected = load.groupby([clock.day, clock.hour]).mean()
    assert rows[0] == ["Day", *(f"{hour:02d}:00 [kW]" for hour in range(24))]
    assert len(rows) == 1 + 31
    for day, row in enumerate(rows[1:], 1):
        for hour in range(24):
            if (day, hour) in expected.index:
                assert float(str(row[1 + hour])) == pytest.approx(expected[day, hour])
            else:
                assert (day, hour, row[1 + hour]) == (29, 2, "")


def test_the_same_report_has_the_same_bytes_with_its_charts(hof: Path, tmp_path: Path) -> None:
    """PDF and workbook, month and year, in German."""
    for form in ("pdf", "xlsx"):
        for period in (("--month", "2026-03"), ("--year", "2026")):
            files = [
                made(tmp_path, "report", hof, *period, "--lang", "de", f"--{form}", tmp_path / f"{i}.{form}")
                for i in range(2)
            ]
            assert files[0].read_bytes() == files[1].read_bytes()


def test_charts_on_paper_have_legend_axis_and_heading_on_one_page(hof: Path, tmp_path: Path) -> None:
    """Words that can be searched: names, units, dates."""
    output = text(made(tmp_path, "report", hof, "--month", "2026-03", "--lang", "de", "--pdf", tmp_path / "r.pdf"))
    pages = output.split("Seite ")
    (page,) = [p for p in pages if "Mittlere Leistung jeder Stunde" in p]
    for message in ("Last und PV", "kW", "Verbrauch der Anlage", "PV-Erzeugung", "9. Mär"):
        assert message in page
    (page,) = [p for p in pages if "oben Mitternacht" in p]
    for message in ("Stunden und Tage", "kW", "00:00", "21:00", "9. Mär"):
        assert message in page
    (page,) = [p for p in pages if "ein Abgang über dem anderen" in p]
    for message in ("Abgänge", "Steigleitung", "bakery"):
        assert message in page


def test_the_part_of_a_month_in_which_the_history_begins_is_drawn(hof: Path, tmp_path: Path) -> None:
    """Found by looking at a report of five weeks: the first week was in the sums and in no chart."""
    readings = pd.read_csv(hof.parent / "readings.csv")
    readings[readings["time"] >= "2026-03-10T09:00:00Z"].to_csv(tmp_path / "readings.csv", index=False)
    plan, store = shutil.copy(hof, tmp_path / "hof.toml"), tmp_path / "late.sqlite"
    assert main(["replay", str(plan), str(tmp_path / "readings.csv"), "--into", str(store)]) == 0
    wh = energies().loc[pd.Timestamp("2026-03-10T09:00Z") :]
    for name, period, most in (("Monthly values", ("--year", "2026"), 2), ("Daily values", ("--month", "2026-03"), 22)):
        path = made(tmp_path, "report", plan, "--store", store, *period, "--xlsx", tmp_path / "r.xlsx")
        rows = book(path)[name][1:]
        until = pd.Timestamp("2026-03-31 21:00Z") if most == 22 else None
        assert len(rows) == most
        assert sum(float(str(row[1])) for row in rows) == pytest.approx(wh.loc[:until, "t1"].sum() / 1000)
