"""Charts of a report: the figures that are drawn are those of pandas, on paper and in the workbook."""

from pathlib import Path

import openpyxl
import pytest

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
    said = text(made(tmp_path, "report", hof, "--month", "2026-03", "--lang", "de", "--pdf", tmp_path / "r.pdf"))
    pages = said.split("Seite ")
    (page,) = [p for p in pages if "Mittlere Leistung jeder Stunde" in p]
    for words in ("Last und PV", "kW", "Verbrauch der Anlage", "PV-Erzeugung", "9. Mär"):
        assert words in page
    (page,) = [p for p in pages if "ein Abgang über dem anderen" in p]
    for words in ("Abgänge", "Steigleitung", "bakery"):
        assert words in page
