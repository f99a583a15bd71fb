"""Page "what-if", looked at in a browser and asked for what it must refuse."""

from urllib.parse import quote

import httpx
import pytest
from playwright.sync_api import Browser, expect

from tests.adapters.web.browser import PHONE, accessibility_faults, opened, overflows
from tests.adapters.web.conftest import Mill

pytestmark = pytest.mark.slow


def test_a_battery_and_more_pv_are_answered_with_assumptions(mill: Mill, browser: Browser) -> None:
    """Filled in and sent, as a person does; German, on a phone, nothing cut off."""
    with opened(browser, f"{mill.address}/what-if", size=PHONE, language="de-AT") as page:
        page.fill("input[name=pv]", "50")
        page.fill("input[name=battery]", "40,5")
        page.click("form.choice button")
        expect(page.locator("section[aria-labelledby=answer]")).to_contain_text("Verlust im Speicher")
        expect(page.locator("section[aria-labelledby=answer] li").nth(2)).to_contain_text("höchstens 20,25 kW")
        expect(page.locator("input[name=battery]")).to_have_value("40,5")
        assert accessibility_faults(page) == []
        assert not overflows(page)


def test_figures_keep_the_consumption(mill: Mill) -> None:
    """Import less export plus PV stays, but for what the battery lost and what is left in it."""
    view = httpx.get(f"{mill.address}/api/what-if", params={"pv": 50, "battery": 40}, timeout=30).json()
    figures = {figure["key"]: figure for figure in view["figures"]}
    change = {key: figures[key]["after"] - figures[key]["before"] for key in ("imported", "exported", "produced")}
    stored = figures["lost"]["after"] + figures["left"]["after"]
    assert change["imported"] - change["exported"] + change["produced"] == pytest.approx(stored, abs=0.01)
    assert figures["imported"]["after"] < figures["imported"]["before"]


def test_other_prices_make_another_bill(mill: Mill, browser: Browser) -> None:
    """Typed with a decimal comma; the bill of the year is import and export at them, to the cent, and nothing else changes."""
    view = httpx.get(
        f"{mill.address}/api/what-if", params={"import_price": "0,30", "export_price": "0.08"}, timeout=30
    ).json()
    figures = {figure["key"]: figure for figure in view["figures"]}
    wh = {key: figures[key]["after"] for key in ("imported", "exported")}
    assert figures["bill"]["after"] == pytest.approx(
        wh["imported"] / 1000 * 0.30 - wh["exported"] / 1000 * 0.08, abs=0.01
    )
    assert figures["bill"]["before"] != figures["bill"]["after"]
    assert all(item["before"] == item["after"] for key, item in figures.items() if key != "bill")
    with opened(browser, f"{mill.address}/what-if", size=PHONE, language="de-AT") as page:
        page.fill("input[name=import_price]", "0,35")
        page.click("form.choice button")
        expect(page.locator("input[name=import_price]")).to_have_value("0,35")
        expect(page.locator("section[aria-labelledby=answer]")).to_contain_text("Rechnung nach dem Tarif")
        assert accessibility_faults(page) == []
        assert not overflows(page)
    assert httpx.get(f"{mill.address}/api/what-if", params={"import_price": -1}, timeout=20).status_code == 422


def test_what_cannot_be_is_refused_in_words(mill: Mill) -> None:
    """A size below zero is no question, nor one with two readings; a year without figures is one without an answer."""
    assert httpx.get(f"{mill.address}/api/what-if", params={"battery": -1}, timeout=20).status_code == 422
    view = httpx.get(f"{mill.address}/api/what-if", params={"year": 1999}, timeout=20).json()
    assert "no interval of 1999" in view["refused"]
    for size in ("1,000", "7,5,1"):  # two readings, and none
        assert httpx.get(f"{mill.address}/api/what-if", params={"battery": size}, timeout=20).status_code == 422
    german = httpx.get(f"{mill.address}/point?point=nobody", headers={"accept-language": "de"}, timeout=20)
    assert (german.status_code, "der Messplan hat keine Messstelle nobody" in german.text) == (404, True)


def test_what_was_typed_wrongly_is_told_by_the_name_of_its_field(mill: Mill, browser: Browser) -> None:
    """Found in a German browser: "battery: a number is needed", and 1.500 was read as one and a half."""
    for typed, message in (
        ("zwölf", "Speicher in kWh: eine Zahl ist nötig"),
        ("1.500", "Speicher in kWh: es kann 1.500 oder 1,500 heißen; ohne Tausendertrennzeichen schreiben"),
        ("1,500", "Speicher in kWh: es kann 1.500 oder 1,500 heißen; ohne Tausendertrennzeichen schreiben"),
    ):
        address = f"{mill.address}/what-if?written=de&battery={quote(typed)}"
        answer = httpx.get(address, headers={"accept-language": "de"}, timeout=20)
        assert (answer.status_code, message in answer.text) == (422, True), answer.text
    assert (
        httpx.get(f"{mill.address}/api/what-if", params={"battery": "1.500"}, timeout=30).json()["asked"]["battery"]
        == 1.5
    )
    with opened(browser, f"{mill.address}/what-if", language="de-DE") as page:
        page.fill("input[name=battery]", " 1500,5 ")
        page.click("form.choice button")
        expect(page.locator("input[name=battery]")).to_have_value("1500,5")
        expect(page.locator("section[aria-labelledby=answer]")).to_contain_text("höchstens 750,25 kW")
