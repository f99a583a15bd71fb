"""Papers by the command line: the figures are those of another way of adding up, and the same inputs give the same bytes."""

import csv
import io
import time
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import openpyxl
import pandas as pd
import pypdf
import pytest

from meterd.app.bookkeeper import Bookkeeper
from meterd.app.cli import main
from meterd.app.config import load_plan
from meterd.figure import FigureRow
from meterd.finding import Finding, FindingRow
from meterd.interval import Period
from meterd.reading import IMPORT
from meterd.store.sqlite import SqliteStore
from tests.papers.month import energies, folder

MARCH = slice(pd.Timestamp("2026-02-28 23:00Z"), pd.Timestamp("2026-03-31 21:00Z"))
HOUR = 3_600_000
END = 1_775_170_800_000  # 2026-04-02 23:00 UTC, the hour after the last reading


@pytest.fixture(scope="module")
def hof(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plan of the small site with its store."""
    return folder(tmp_path_factory.mktemp("hof"))


def march() -> pd.DataFrame:
    """Wh of each hour of local March, by other means."""
    return energies().loc[MARCH]


def book(path: Path) -> dict[str, list[list[object]]]:
    """A workbook as rows by sheet."""
    return {s.title: [[c.value for c in row] for row in s.iter_rows()] for s in openpyxl.load_workbook(path).worksheets}


def text(path: Path) -> str:
    """All text of a PDF."""
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def made(tmp_path: Path, *arguments: object) -> Path:
    """Run a command that must succeed; the file behind --xlsx or --pdf."""
    words = [str(one) for one in arguments]
    assert main(words) == 0
    return Path(words[-1])


def test_report_says_what_pandas_adds_up(hof: Path, tmp_path: Path) -> None:
    """Energies by point, area and tenant, PV, maximum demand; 743 hours, because the clock goes forward."""
    sheets = book(made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))
    wh = march()
    assert len(wh) == 743
    by_point = {
        str(row[0]).split(":")[0]: row[2] for row in (*sheets["Points main"][1:], *sheets["Points below main"][1:])
    }
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
    assert facts["PV used on the site"] == pytest.approx(used)
    days = [row[3] for row in sheets["Course"][1:]]
    exported = wh["t1-out"].groupby(wh.index.tz_convert("Europe/Vienna").date).sum() / 1000
    assert days == pytest.approx(exported.tolist())


def test_gap_is_estimated_inside_and_exact_in_sum(hof: Path, tmp_path: Path) -> None:
    """Five hours of the shop's meter: stated in percent, the month as if nothing had been."""
    sheets = book(made(tmp_path, "report", hof, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))
    (row,) = [row for row in sheets["Gaps and estimates"] if row[0] == "shop"]
    assert row[1:5] == [743, 0, pytest.approx(100 * 5 / 743), 0]


def test_paper_in_german_with_cautions(hof: Path, tmp_path: Path) -> None:
    """Umlauts, decimal comma, netting interval, cautions, page x of y."""
    found = text(made(tmp_path, "report", hof, "--month", "2026-03", "--lang", "de", "--pdf", tmp_path / "r.pdf"))
    for words in (
        "Energiebericht März 2026, Hof Größe & Söhne", "Bäckerei Öztürk", "2.223,2", "je Intervall von 60 min",
        "Sicherheitsregeln der EN 50110", "Seite 1 von",
    ):  # fmt: skip
        assert words in found
    assert load_plan(hof).fingerprint[:12] in found


def test_same_store_same_bytes_at_another_time_and_after_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A year later, and after the books were opened and closed for writing again, the month's papers are the same."""
    hof = folder(tmp_path)
    both = ("--pdf", tmp_path / "r.pdf", "--xlsx", tmp_path / "r.xlsx")
    made(tmp_path, "report", hof, "--month", "2026-03", *both)
    first = [(tmp_path / name).read_bytes() for name in ("r.pdf", "r.xlsx")]
    later = time.time() + 400 * 86_400
    monkeypatch.setattr(time, "time", lambda: later)  # the clock of the libraries that write the files
    site = load_plan(hof).site
    store = SqliteStore.writer(tmp_path / "hof.sqlite")
    Bookkeeper(store, site, ZoneInfo(site.zone)).tick([], END + 3 * 24 * HOUR)
    store.close()
    made(tmp_path, "report", hof, "--month", "2026-03", *both)
    assert [(tmp_path / name).read_bytes() for name in ("r.pdf", "r.xlsx")] == first


def test_month_that_is_not_over_goes_to_its_last_whole_day(hof: Path, tmp_path: Path) -> None:
    """The readings end on 2 April at 24:00: one line says so, and the figures are those of two days."""
    sheets = book(made(tmp_path, "report", hof, "--month", "2026-04", "--xlsx", tmp_path / "r.xlsx"))
    assert any(str(row[0]).startswith("The period is not over") for row in sheets["Report"])
    by_point = {str(row[0]).split(":")[0]: row[2] for row in sheets["Points main"][1:]}
    two_days = energies().loc[pd.Timestamp("2026-03-31 22:00Z") : pd.Timestamp("2026-04-02 21:00Z")]
    assert by_point["bakery"] == pytest.approx(two_days["bakery"].sum() / 1000)


def test_year_with_missing_months_is_missing_with_what_is_known(hof: Path, tmp_path: Path) -> None:
    """January and February have no readings: no sum that looks whole."""
    sheets = book(made(tmp_path, "report", hof, "--year", "2026", "--xlsx", tmp_path / "r.xlsx"))
    by_point = {str(row[0]).split(":")[0]: row[2] for row in sheets["Points main"][1:]}
    assert str(by_point["bakery"]).startswith("missing, at least 2,3")
    assert [row[0] for row in sheets["Course"][1:]] == ["Jan", "Feb", "Mar", "Apr"]
    assert sheets["Course"][1][1] == "missing"


def test_changed_figures_and_open_findings_are_in_the_report(tmp_path: Path) -> None:
    """A figure with a second version counts as changed after closing, with its reason."""
    plan = folder(tmp_path)
    store = SqliteStore.writer(tmp_path / "hof.sqlite")
    start = 1_772_319_600_000 + 5 * HOUR
    row = FigureRow(("bakery", IMPORT), Period.INTERVAL, start, 9_002_000, 0)
    finding = Finding("stale", "shop", start, "shop: nothing comes", "look at the cable", ("shop",))
    with store.transaction():
        store.write_figures([row], now_ms=start + HOUR, reason="late readings")
        store.write_finding(FindingRow(finding, start, start, "new"))
    store.close()
    sheets = book(made(tmp_path, "report", plan, "--month", "2026-03", "--xlsx", tmp_path / "r.xlsx"))
    assert [row[:2] for row in sheets["Changes"][1:]] == [["late readings", 1]]
    assert sheets["Open findings"][1][1:] == ["stale", "shop", "shop: nothing comes", "look at the cable"]
    facts = {row[0]: row[1] for row in sheets["Report"]}
    assert facts["Versions of the figures"].startswith("1 interval figures changed")


def test_a_german_report_has_its_findings_in_german(tmp_path: Path) -> None:
    """With numbers and times of the site; what has no German form is there as it was kept."""
    plan = folder(tmp_path)
    start = 1_772_319_600_000 + 5 * HOUR
    late = "shop: last value 2026-03-01T04:00:00Z, 1440 min ago"
    known = Finding("stale", "shop", start, late, "look at the meter and its data connection", ("shop",))
    unknown = Finding("stale", "bakery", start, "bakery: nobody foresaw this", "", ("bakery",))
    with closing(SqliteStore.writer(tmp_path / "hof.sqlite")) as store, store.transaction():
        for one in (known, unknown):
            store.write_finding(FindingRow(one, start, start, "new"))
    sheets = book(made(tmp_path, "report", plan, "--month", "2026-03", "--lang", "de", "--xlsx", tmp_path / "r.xlsx"))
    assert sorted(row[3:] for row in sheets["Offene Befunde"][1:]) == [
        ["bakery: nobody foresaw this", ""],
        ["shop: letzter Wert vom 1. März 2026, 05:00, vor 1.440 min", "den Zähler und seine Datenverbindung ansehen"],
    ]


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


def test_cost_allocation_as_paper_and_of_a_year_that_is_not_whole(hof: Path, tmp_path: Path) -> None:
    """What is divided per year has no month; a year without readings says which points are missing."""
    month = text(made(tmp_path, "cost-allocation", hof, "--month", "2026-03", "--pdf", tmp_path / "c.pdf"))
    assert "tower is divided per year" in month
    assert "Residual: counted at the feed, by no" in month
    year = text(made(tmp_path, "cost-allocation", hof, "--year", "2026", "--lang", "de", "--pdf", tmp_path / "c.pdf"))
    assert "Nicht aufteilbar: riser" in year


def test_acceptance_of_a_point_and_of_a_board(hof: Path, tmp_path: Path) -> None:
    """Plate data, ratio, the newest reading with its time, the checks, the lines to sign on."""
    point = text(made(tmp_path, "acceptance", hof, "--point", "t1", "--lang", "de", "--pdf", tmp_path / "a.pdf"))
    for words in (
        "S-1",
        "150/5 A",
        "0.5S / 0.5",
        "positiv in die Verteilung",
        "03.04.2026 00:00",
        "Abgenommen von",
        "EN 50110",
    ):
        assert words in point
    board = text(made(tmp_path, "acceptance", hof, "--board", "main", "--pdf", tmp_path / "a.pdf"))
    for words in ("inside the band", "2026-04-02", "later", "Accepted with remarks"):
        assert words in board


def test_acceptance_without_a_store(hof: Path, tmp_path: Path) -> None:
    """Before anything was read the sheet says that there is no reading; without transformers nobody checks them."""
    found = text(
        made(
            tmp_path,
            "acceptance",
            hof,
            "--point",
            "bakery",
            "--store",
            tmp_path / "none.sqlite",
            "--pdf",
            tmp_path / "a.pdf",
        )
    )
    assert "no reading" in found
    assert "Short-circuit links" not in found


def test_documents_and_labels_follow_the_plan(hof: Path, tmp_path: Path) -> None:
    """Every point, every instrument, every input, the revision and the newest date in the plan."""
    sheets = book(made(tmp_path, "documents", hof, "--lang", "de", "--xlsx", tmp_path / "d.xlsx"))
    site = load_plan(hof).site
    assert [str(row[0]).split(":")[0] for row in sheets["Messstellen"][1:]] == [p.name for p in site.points]
    assert len(sheets["Zählerliste"]) == 1 + len(site.instruments)
    assert len(sheets["Woher Register gelesen werden"]) == 1 + len(site.inputs)
    facts = {row[0]: row[1] for row in sheets["Messung"]}
    assert facts["Stand des Messplans"] == load_plan(hof).fingerprint[:12]
    assert facts["Neuestes Datum im Plan"].date().isoformat() == "2024-05-02"
    assert "bakery" in text(made(tmp_path, "labels", hof, "--point", "bakery", "--pdf", tmp_path / "l.pdf"))


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("report", "--month", "2026-03"), 2, "say where the paper goes: --pdf FILE or --xlsx FILE"),
        (("report", "--month", "2026-12", "--pdf", "unwritten.pdf"), 2, "has no figures of 2026-12"),
        (("report", "--month", "2026-13", "--pdf", "unwritten.pdf"), 2, "cannot read --month '2026-13'"),
        (("report", "--year", "2026-03", "--pdf", "unwritten.pdf"), 2, "cannot read --year '2026-03'; write 2026"),
        (("report", "--month", "2026-03", "--pdf", "/no/such/folder/x.pdf"), 1, "cannot write /no/such/folder/x.pdf"),
        (("acceptance", "--point", "nobody", "--pdf", "unwritten.pdf"), 2, "the plan has no point nobody"),
        (("labels",), 2, "say where the paper goes: --pdf FILE"),
    ],
)
def test_what_cannot_be_done_says_why(
    hof: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], code: int, says: str
) -> None:
    """One line, and the exit code of the command line."""
    command, *rest = arguments
    assert main([command, str(hof), *rest]) == code
    assert says in capsys.readouterr().err
