"""What the page of energies can be asked for, by whom, and what it says to a wrong question."""

import html
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, expect

from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.pages.energy_query import choosable
from tests.adapters.web.browser import log_in, opened
from tests.adapters.web.conftest import PASSWORD, Mill
from tests.adapters.web.pages.test_energy import ask
from tests.adapters.web.request_contexts import context_of, steady

pytestmark = pytest.mark.slow


def test_single_rooms_are_for_those_who_may_see_them(mill: Mill, browser: Browser) -> None:
    """Neither by choosing one, nor as a file, nor in a list; their sum as a row of equal points is for everybody."""
    for address in ("/energy?of=point:studio-03", "/energy.csv?of=point:studio-03", "/api/energy?of=point:studio-03"):
        assert httpx.get(mill.address + address, timeout=30).status_code == 403
    for query in ("of=points", "of=patterns&picture=flow", "of=feeders&table=true"):
        assert "studio-03" not in httpx.get(f"{mill.address}/energy?{query}", timeout=30).text
    view = ask(mill, "of=patterns&range=yesterday")
    assert [(line["key"], line["why"]) for line in view["ranking"]] == [("pattern:studio", "")]  # type: ignore[attr-defined]
    with opened(browser, f"{mill.address}/energy?of=points") as page:
        log_in(page, mill.address, "look", PASSWORD)
        page.goto(f"{mill.address}/energy?of=point:studio-03&range=yesterday")
        expect(page.locator(".ranking tbody tr")).to_have_count(1)
        expect(page.locator(".ranking")).to_contain_text("Studio 03")


def test_a_tenant_with_a_restricted_room_is_restricted(tmp_path: Path) -> None:
    """The sum of one or two rooms would tell each; a pattern of two is not shown either."""
    site = context_of(tmp_path / "s.sqlite", [*steady("room-1", 100.0), *steady("q01", 500.0)]).backend.site
    open_, look = choosable(site, Viewer()), choosable(site, Viewer("a", UserRole.LOOK))
    assert open_.restricted == {"point:room-1", "point:room-2", "pattern:room"}
    assert "room-1" not in [item.name for item in open_.groups["points"]]
    assert look.restricted == frozenset()


def test_dates_may_be_written_day_first(mill: Mill) -> None:
    """As a German engineer types them into the address: the last day is included all the same."""
    written, iso = (
        ask(mill, f"range=span&from={low}&until={high}")
        for low, high in (("1.5.2026", "4.5.2026"), ("2026-05-01", "2026-05-04"))
    )
    assert (written["from_ms"], written["until_ms"]) == (iso["from_ms"], iso["until_ms"])


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("energy?range=fortnight", "Zeitraum: eines davon ist nötig: "),
        ("what-if?year=soon", "Jahr: eine ganze Zahl ist nötig"),
        ("what-if?year=1066", "Jahr: 1970 oder mehr ist nötig"),
        ("demand?month=05.2026", "Monat: die Schreibweise stimmt nicht; ein Monat wird als 2026-05 geschrieben"),
        ("find?q=" + "x" * 300, "q: höchstens 200 Zeichen"),
        (
            "energy?from=31.13.2025&until=2.1.2026&range=span",
            "„31.13.2025“ ist keine gültige Zeit; schreiben Sie 04.05.2026",
        ),
    ],
)
def test_a_german_reader_is_refused_in_german(mill: Mill, address: str, message: str) -> None:
    """Found in the browser: texts of the library that checks addresses came in English."""
    answer = httpx.get(f"{mill.address}/{address}", headers={"accept-language": "de"}, timeout=30)
    assert answer.status_code == 422
    assert message in html.unescape(answer.text)
    assert "input should" not in answer.text


@pytest.mark.parametrize(
    ("query", "text"),
    [
        ("range=span", "both ends"),
        ("range=span&from=2026-05-04&until=2026-05-01", "no span"),
        ("range=span&from=soon&until=2026-05-01", "soon"),
        ("of=point:cold-stor", "point:cold-store"),
        ("range=fortnight", "range"),
        ("picture=pie", "picture"),
    ],
)
def test_a_wrong_choice_says_what_would_be_right(mill: Mill, query: str, text: str) -> None:
    """In words, with the code for a question that cannot be."""
    assert text in str(ask(mill, query, code=422)["detail"])


def test_what_is_near_is_named_once(mill: Mill) -> None:
    """Found by looking: a feeder is in two groups, and stood twice in the proposal."""
    proposed = str(ask(mill, "of=point:caffe", code=422)["detail"]).partition("for example: ")[2].split(", ")
    assert proposed[0] == "point:cafe"
    assert len(set(proposed)) == len(proposed)
