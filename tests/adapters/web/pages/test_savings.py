"""Page "savings" of a running daemon, with the report: what a person and a program get of a planted saving."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from openpyxl import load_workbook
from playwright.sync_api import Browser, expect

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.app.cli.main import main
from tests.adapters.web.browser import PHONE, accessibility_faults, opened, overflows
from tests.app.savings_site import CHANGED, DAYS, ColdStore, filled
from tests.brokers import Mosquitto
from tests.faults.page_client import PageClient, asked

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def cold_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ColdStore]:
    with Mosquitto() as broker:
        yield filled(tmp_path_factory.mktemp("cold"), broker.port)


@pytest.fixture(scope="module")
def client(cold_store: ColdStore) -> Iterator[PageClient]:
    """A daemon that runs in the first minutes after the last day."""
    real = WallClock()
    ahead = cold_store.end_ms + 300_000 - real.now_ms()
    clock = WallClock(lambda: real.now_ms() + ahead)
    with asked(load_plan(cold_store.plan).site, cold_store.store, clock) as made:
        yield made


def test_the_baseline_of_the_plan_is_answered_with_its_chart(client: PageClient, browser: Browser) -> None:
    """On a phone, in German, nothing cut off; other days are asked for by the form."""
    with opened(browser, f"{client.address}/savings", size=PHONE, language="de-AT") as page:
        answer = page.locator("section[aria-labelledby=answer]")
        expect(answer).to_contain_text("Cold store hat ")
        expect(answer).to_contain_text("new door seals")
        expect(answer).to_contain_text(f"{CHANGED} von {CHANGED} Tagen verwendet")
        expect(page.locator("#saved-narrow .area.band")).to_have_count(1)
        expect(page.locator("#saved-narrow .stroke")).not_to_have_count(0)
        assert accessibility_faults(page) == []
        assert not overflows(page)
        page.click("button[aria-label='Kalender: Einsparung ab']")
        page.locator(".calendar").nth(1).evaluate(
            "it => { it.value = '2026-02-18'; it.dispatchEvent(new Event('change')) }"
        )
        expect(page.locator("input[name=baseline_until]")).to_have_value("18.02.2026")
        page.fill("input[name=baseline_until]", "19.02.2026")
        page.fill("input[name=from]", "20.02.2026")
        page.fill("input[name=until]", "2026-03-05")
        page.click("form.choice > button")
        expect(page.locator("section[aria-labelledby=answer]")).to_contain_text("keine Einsparung nachgewiesen")
        expect(page.locator("section[aria-labelledby=answer]")).to_contain_text("14 von 14 Tagen verwendet")


def test_programs_get_the_days_and_each_leads_to_why(client: PageClient, cold_store: ColdStore) -> None:
    """Whole mWh as they were taken; the way from a day to its readings is one that answers."""
    answer = client.page_values("savings", of="cold-store")["answer"]
    assert answer["outcome"] == "saved"
    assert answer["saved_mwh"] == answer["expected_mwh"] - answer["measured_mwh"] == answer["saved"][-1]
    assert answer["measured"] == cold_store.taken[CHANGED:].tolist()
    assert len(answer["days_ms"]) == DAYS - CHANGED
    path = f"/why?point=cold-store&amp;register={answer['register']}&amp;period=day&amp;start={answer['days_ms'][0]}"
    html = client.html("savings", "en", of="cold-store")
    assert path in html
    why = httpx.get(client.address + path.replace("&amp;", "&"), timeout=30)
    assert why.status_code == 200
    assert client.page_values("savings", of="north")["answer"] is None, "the plan names no days for the board"


def test_what_cannot_be_asked_is_said(client: PageClient) -> None:
    """No such point, a date that is none, periods in the wrong order."""

    def status(**params: str) -> int:
        return httpx.get(f"{client.address}/api/savings", params=params, timeout=30).status_code

    assert status(of="boiler") == 404
    assert status(of="cold-store", baseline_from="yesterday") == 422
    refused = client.page_values("savings", of="cold-store", **{"from": "2026-02-01"})["refused"]
    assert "the reporting period overlaps the baseline" in refused
    german = client.html("savings", "de", of="cold-store", **{"from": "2026-02-01"})
    assert "der Berichtszeitraum überschneidet die Ausgangsbasis" in german


def test_the_report_has_the_saving_of_its_period(cold_store: ColdStore, tmp_path: Path) -> None:
    """March from the sixth on, with the course of the days; the year's report until its last day; before it nothing."""

    def cells(period: str, when: str, lang: str = "en") -> dict[str, list[list[object]]]:
        path = tmp_path / f"{when}.xlsx"
        arguments = ["report", str(cold_store.plan), "--store", str(cold_store.store), period, when, "--lang", lang]
        assert main([*arguments, "--xlsx", str(path)]) == 0
        book = load_workbook(path)
        return {sheet.title: [list(row) for row in sheet.iter_rows(values_only=True)] for sheet in book.worksheets}

    march = cells("--month", "2026-03")
    days = march["Savings 1, days"]
    assert len(days) == 1 + 26
    first = cold_store.taken[CHANGED : CHANGED + 26].sum()
    pairs = {str(row[0]): row[1] for rows in march.values() for row in rows if len(row) > 1}
    assert pairs["Measured"] == f"{first / 1e6:,.0f} kWh"
    assert isinstance(days[-1][1], float)
    assert days[-1][1] > 200
    assert "Einsparung 1, Tage" in cells("--year", "2026", "de")
    assert not any(name.startswith("Savings") for name in cells("--month", "2026-02"))
