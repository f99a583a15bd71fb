"""The report of a month or year: its figures are those of another way of adding up."""

from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.periods import Period
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import FigureRow
from tests.adapters.documents.month import energies, folder
from tests.adapters.documents.written_files import HOUR, book, made, march, text


def test_report_says_what_pandas_adds_up(hof: Path, tmp_path: Path) -> None:
    """Energies by point, area and tenant, PV, maximum demand; 743 hours, because the clock goes forward."""
    sheets = book(made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))
    wh = march()
    assert len(wh) == 743
    names = {point.title or point.name: point.name for point in load_plan(hof).site.points}
    by_point = {names[str(row[0])]: row[2] for row in (*sheets["Points main"][1:], *sheets["Points below main"][1:])}
    for name in ("t1", "roof", "bakery", "shop", "riser", "stairs", "room-1", "room-2"):
        assert by_point[name] == pytest.approx(wh[name].sum() / 1000, abs=1e-9)
    areas = {row[0]: row[1] for row in sheets["Energies by area"][1:]}
    assert areas["Turm"] == pytest.approx((wh["riser"] - wh["room-2"] + wh["stairs"]).sum() / 1000)
    assert areas["All"] == pytest.approx(wh[["bakery", "shop", "riser", "stairs"]].sum().sum() / 1000)
    tenants = {row[0]: row[1] for row in sheets["Energies by tenant"][1:]}
    assert tenants["(no tenant)"] == pytest.approx((wh["riser"] - wh["room-1"] + wh["stairs"]).sum() / 1000)
    (draw,) = sheets["Maximum demand"][1:2]
    net = wh["t1"] - wh["t1-out"]
    assert draw[2] == pytest.approx(net.max() / 1000)
    assert draw[1] == net.idxmax().tz_convert("Europe/Vienna").tz_localize(None).to_pydatetime()
    facts = {row[0]: row[1] for row in sheets["Report"]}
    used = (wh["roof"] - wh[["roof", "t1-out"]].min(axis=1)).sum() / 1000
    assert facts["PV used on site"] == pytest.approx(used)
    days = [row[3] for row in sheets["Daily values"][1:]]
    exported = wh["t1-out"].groupby(wh.index.tz_convert("Europe/Vienna").date).sum() / 1000
    assert days == pytest.approx(exported.tolist())


def test_gap_is_estimated_inside_and_exact_in_sum(hof: Path, tmp_path: Path) -> None:
    """Five hours of the shop's meter: stated in percent, the month as if nothing had been."""
    sheets = book(made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))
    (row,) = [row for row in sheets["Missing and estimated figures"] if row[0] == "shop"]
    assert row[1:5] == [743, 0, pytest.approx(100 * 5 / 743), 0]


def test_document_in_german_with_cautions(hof: Path, tmp_path: Path) -> None:
    """Umlauts, decimal comma, netting interval, cautions, page x of y."""
    result = text(made(tmp_path, "report", hof, "--month", "2026-03", "--lang", "de", "--pdf", tmp_path / "r.pdf"))
    for message in (
        "Energiebericht März 2026, Hof Größe & Söhne", "Bäckerei Öztürk", "2.223,2", "je Intervall von 60 min",
        "Sicherheitsregeln der EN 50110", "Seite 1 von",
    ):  # fmt: skip
        assert message in result
    assert load_plan(hof).fingerprint[:12] in result


def test_month_that_is_not_over_goes_to_its_last_whole_day(hof: Path, tmp_path: Path) -> None:
    """The readings end on 2 April at 24:00: one line says so, and the figures are those of two days."""
    sheets = book(made(tmp_path, "report", hof, "--month", "2026-04", "--xlsx", tmp_path / "r.xlsx"))
    assert any(str(row[0]).startswith("The period is not over") for row in sheets["Report"])
    by_point = {str(row[0]).split(":")[0]: row[2] for row in sheets["Points main"][1:]}
    two_days = energies().loc[pd.Timestamp("2026-03-31 22:00Z") : pd.Timestamp("2026-04-02 21:00Z")]
    assert by_point["bakery"] == pytest.approx(two_days["bakery"].sum() / 1000)


def test_year_in_which_the_history_begins_says_since_when_and_adds_up(hof: Path, tmp_path: Path) -> None:
    """January and February have no readings: sums since the first of March, and one line says so."""
    sheets = book(made(tmp_path, "report", hof, "--year", "2026", "--xlsx", tmp_path / "r.xlsx"))
    assert any(str(row[0]).startswith("The history begins on 2026-03-01") for row in sheets["Report"])
    by_point = {str(row[0]).split(":")[0]: row[2] for row in sheets["Points main"][1:]}
    assert by_point["bakery"] == pytest.approx(energies()["bakery"].sum() / 1000)
    assert [row[0] for row in sheets["Monthly values"][1:]] == ["Mar", "Apr"]
    assert "missing" not in sheets["Monthly values"][1]


def test_changed_figures_and_open_findings_are_in_the_report(tmp_path: Path) -> None:
    """A figure with a second version counts as changed after closing, with its reason."""
    plan = folder(tmp_path)
    store = SqliteStore.writer(tmp_path / "hof.sqlite")
    start = 1_772_319_600_000 + 5 * HOUR
    row = FigureRow(("bakery", IMPORT), Period.INTERVAL, start, 9_002_000, 0)
    finding = Finding("stale", "shop", start, "shop: nothing comes", "look at the cable", ("shop",))
    with store.transaction():
        store.write_figures([row], now_ms=start + HOUR, reason="late readings")
        store.finding_tables.write(FindingRow(finding, start, start, "new"))
    store.close()
    sheets = book(made(tmp_path, "report", plan, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))
    assert [row[:2] for row in sheets["Changes"][1:]] == [["late readings", 1]]
    assert sheets["Findings"][1][3:] == ["Meter is silent", "shop", "shop: nothing comes", "look at the cable"]
    facts = {row[0]: row[1] for row in sheets["Report"]}
    assert facts["Versions of the figures"].startswith("1 interval figures changed")


def test_a_consumption_below_zero_is_missing_in_the_report(tmp_path: Path) -> None:
    """A PV meter that counts a hundredth: more goes to the grid than is there."""
    small = folder(tmp_path)
    span = ("--from", "2026-03-01", "--to", "2026-04-01")
    reported = ("--reason", "told wrong", "--person", "A. Name")
    assert main(["correct", str(small), "--point", "roof", *span, "--factor", "0.01", *reported]) == 0
    output = text(made(tmp_path, "report", small, "--month", "2026-03", "--lang", "en", "--pdf", tmp_path / "r.pdf"))
    assert "missing: it would be below zero, because the meters contradict each other" in " ".join(output.split())


def test_a_german_report_has_its_findings_in_german(tmp_path: Path) -> None:
    """With numbers and times of the site; what has no German form is there as it was stored."""
    plan = folder(tmp_path)
    start = 1_772_319_600_000 + 5 * HOUR
    late = "shop: last value 2026-03-01T04:00:00Z, 1440 min ago"
    known = Finding("stale", "shop", start, late, "look at the meter and its data connection", ("shop",))
    unknown = Finding("stale", "bakery", start, "bakery: nobody foresaw this", "", ("bakery",))
    with closing(SqliteStore.writer(tmp_path / "hof.sqlite")) as store, store.transaction():
        for finding in (known, unknown):
            store.finding_tables.write(FindingRow(finding, start, start, "new"))
    sheets = book(made(tmp_path, "report", plan, "--month", "2026-03", "--lang", "de", "--xlsx", tmp_path / "r.xlsx"))
    assert sorted(row[5:] for row in sheets["Befunde"][1:]) == [
        ["bakery: nobody foresaw this", ""],
        ["shop: letzter Wert vom 1. März 2026, 05:00, vor 1.440 min", "den Zähler und seine Datenverbindung prüfen"],
    ]
