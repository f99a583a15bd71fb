"""A site that is younger than its week, month and year: page, commands and report say since when, and give the sums."""

import csv
import io
import json
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.registry import PAGES
from meterd.app.cli.main import main
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import served
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.model.periods import Period, local
from meterd.core.model.plan import Page
from tests.adapters.web.conftest import Mill
from tests.adapters.web.web_backends import BEGIN_MS, small_site
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import Child, write_plan

pytestmark = pytest.mark.slow


def begin(mill: Mill) -> int:
    """Where the history of the demo begins."""
    store = SqliteStore.reader(mill.store)
    span = store.span(Period.INTERVAL)
    store.close()
    assert span is not None
    return span[0]


def lines(capsys: pytest.CaptureFixture[str], mill: Mill, *arguments: str) -> list[dict[str, str]]:
    """What a command says about the running demo, as CSV."""
    command, *options = arguments
    code = main(
        [command, str(mill.store.with_suffix(".plan")), "--store", str(mill.store), *options, "--format", "csv"]
    )
    out = capsys.readouterr()
    assert code == 0, out.err
    return list(csv.DictReader(io.StringIO(out.out)))


def test_i9_the_page_gives_week_and_year_since_the_beginning(mill: Mill) -> None:
    """South has no silent meter: its sums are known; every page tells the beginning at its foot."""
    first = begin(mill)
    with httpx.Client(base_url=mill.address, timeout=60) as client:
        for question in (f"period=week&at={first}", "period=year", f"period=month&at={first}"):
            reported = client.get(f"/api/balance?board=south&{question}").json()
            gap = reported["gap"]
            assert (reported["begins"], gap["missing"]) == (True, []), question
            assert 0 <= gap["start_ms"] - first <= 3_600_000
            assert gap["residual_mwh"] is not None
            assert [b["quality"] for b in reported["branches"] if b["quality"] == "missing"] == []
            assert "The history begins on" in client.get(f"/balance?board=south&{question}").text
        zone = ZoneInfo(client.get("/api/now").json()["basis"]["zone"])
        day = f"{local(first, zone):%-d %b %Y, %H:%M}"
        for page_name in ("now", "balance", "point", "demand", "pv", "data", "findings", "commissioning"):
            assert f"since {day}" in client.get(f"/{page_name}").text, page_name


def test_i9_the_peak_of_a_month_is_of_what_is_due_since_the_beginning(
    mill: Mill, capsys: pytest.CaptureFixture[str]
) -> None:
    """Page and command count no interval before the history begins, and none that is not over."""
    first = begin(mill)
    with httpx.Client(base_url=mill.address, timeout=60) as client:
        zone = ZoneInfo(client.get("/api/now").json()["basis"]["zone"])
        month = f"{local(first, zone):%Y-%m}"
        reported = client.get(f"/api/demand?month={month}").json()
        assert reported["begins_ms"] == first
        assert reported["peak"]["of"] - reported["peak"]["known"] <= 6  # meters begin within an hour
        output = client.get(f"/demand?month={month}").text
        assert f"The history begins on {local(first, zone):%-d %b %Y, %H:%M}" in output
    (row,) = lines(capsys, mill, "energy", "--demand", "--point", "cafe", "--period", "month")[:1]
    assert row["extent"].startswith(f"since {local(first, zone):%Y-%m-%d %H:%M}")
    assert int(row["intervals"]) - int(row["intervals_known"]) <= 6


@pytest.mark.parametrize("picture", ["stacked", "heat", "cost", "flow"])
def test_a_range_before_the_history_is_said_to_be_so(mill: Mill, picture: str) -> None:
    """Found by looking: costs of a year before were promised for when the first interval is closed."""
    with httpx.Client(base_url=mill.address, timeout=60) as client:
        text = client.get(f"/energy?range=year&at=2001-05-04&picture={picture}").text
    assert "This range is over before the history begins on" in text
    assert "first interval" not in text


def test_notes_of_the_ranking_are_of_what_it_shows(mill: Mill) -> None:
    """Found by looking: the whole history, compared with nothing, explained its comparison."""
    with httpx.Client(base_url=mill.address, timeout=60) as client:
        assert "The comparison covers" in client.get("/energy?range=yesterday").text
        assert "The comparison covers" not in client.get("/energy?range=all").text


def test_i9_commands_agree_about_the_year_and_its_pv(mill: Mill, capsys: pytest.CaptureFixture[str]) -> None:
    """`energy`, `energy --pv`, `balance` and `pv-shares`: one beginning, one production."""
    first = begin(mill)
    (energy,) = lines(capsys, mill, "energy", "--period", "year", "--point", "cafe")
    assert float(energy["energy_wh"]) > 0
    assert energy["quality"].startswith("since ")
    assert energy["quality"].endswith(", so far")
    (south,) = lines(capsys, mill, "balance", "--period", "year", "--board", "south")
    assert south["verdict"] in ("inside", "outside")
    assert " since " in south["period"]
    for _ in range(3):  # an interval may close between two commands
        before = lines(capsys, mill, "energy", "--pv", "--period", "month")
        month = before[-1]["period"][:7]
        shares = lines(capsys, mill, "pv-shares", "--month", month)
        if before == lines(capsys, mill, "energy", "--pv", "--period", "month"):
            break
    (made,) = [row for row in shares if row["tenant"] == "production"]
    assert float(before[-1]["production_wh"]) == pytest.approx(float(made["pv_wh"]), abs=1e-6)
    start = datetime.fromisoformat(before[0]["start"])
    assert abs(start.timestamp() * 1000 - first) <= 3_600_000


def test_i9_the_report_of_a_first_year_has_sums(mill: Mill, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Feed, outgoing and PV since the beginning, which it says."""
    from meterd.adapters.planfile.loader import load_plan
    from meterd.app.operations.documents import CalendarPeriod, report

    zone = ZoneInfo(httpx.get(f"{mill.address}/api/now", timeout=60).json()["basis"]["zone"])
    year = f"{local(begin(mill), zone):%Y}"
    plan = load_plan(mill.store.with_suffix(".plan"))
    document = report(plan, mill.store, CalendarPeriod(Period.YEAR, year), lang="en")
    text = json.dumps(document.document, default=lambda item: getattr(item, "__dict__", None) or repr(item))
    assert "The history begins on" in text
    known = [energy for *_, energy in document.used if energy is not None]
    assert len(known) > len(document.used) / 2
    paper = tmp_path / "year.pdf"
    assert (
        main(
            [
                "report",
                str(mill.store.with_suffix(".plan")),
                "--store",
                str(mill.store),
                "--year",
                year,
                "--pdf",
                str(paper),
            ]
        )
        == 0
    )
    assert paper.read_bytes().startswith(b"%PDF")
    capsys.readouterr()


def test_i9_a_site_that_has_heard_nothing_has_no_page_of_errors(tmp_path: Path) -> None:
    """A daemon in its first minute, before any meter has sent: each page says what it knows."""
    port = free_port()
    with Mosquitto() as broker:
        plan = write_plan(tmp_path, broker.port, limits="")
        plan.write_text(f"page = {{ port = {port} }}\n" + plan.read_text(encoding="utf-8"), encoding="utf-8")
        address = f"http://127.0.0.1:{port}"

        def there() -> bool:
            with suppress(httpx.TransportError):
                return httpx.get(f"{address}/now").status_code == 200
            return False

        with Child(plan, tmp_path / "mill.sqlite"):
            assert until(there, 180)
            for page_entry in PAGES:
                if page_entry.role is UserRole.OPEN and page_entry.listed:
                    response = httpx.get(f"{address}{page_entry.path}")
                    assert response.status_code == 200, f"{page_entry.path}: {response.text[:300]}"
            for period in ("interval", "hour", "day", "week", "month", "year"):
                assert httpx.get(f"{address}/balance?period={period}").status_code == 200


def test_pages_of_a_fresh_site_say_that_nothing_is_closed(tmp_path: Path) -> None:
    """No sums so far where there are none, no list of months without a month, and the reasons in the reader's language."""
    site = replace(small_site(Page(port=free_port())), zone="Europe/Vienna")
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    ledger.tick([], BEGIN_MS)
    daemon = Daemon(site, tmp_path / "s.sqlite")
    daemon.snapshot = live.snapshot(ledger.state, BEGIN_MS, closed={}, pv_day=None, findings=())
    store.close()
    with served(daemon) as root, httpx.Client(base_url=root or "", headers={"Accept-Language": "de"}) as client:
        energy = client.get("/energy?range=week").text
        assert "Es gibt noch keine Werte" in energy
        assert "Bisher: Werte sind bis" not in energy
        assert "<select" not in client.get("/pv").text
        assert "nicht bestimmt" not in client.get("/data").text  # a part of nothing is a dash there
        assert "noch kein abgeschlossenes Intervall" in client.get("/what-if").text
