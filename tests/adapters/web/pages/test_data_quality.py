"""Page "data": counted on small stores with planted gaps, and in a browser beside a silent meter."""

from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, expect
from starlette.exceptions import HTTPException

from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.pages.data_quality import DataView, view
from meterd.core.model.finding import Finding
from meterd.core.model.reading import Reading
from tests.adapters.web.browser import DESK, PHONE, opened, unreadable
from tests.adapters.web.conftest import Mill
from tests.adapters.web.request_contexts import BEGIN, HOURS, MINUTE, context_of, shot, steady

SOMEBODY = Viewer("ada", UserRole.LOOK)
END = BEGIN + HOURS * 60 * MINUTE
GAP = [*range(61), *range(112, HOURS * 60 + 2)]  # an hour, then 52 minutes of silence


def answer(path: Path, readings: list[Reading], findings: list[Finding] | None = None, month: str = "") -> DataView:
    context = context_of(path / "s.sqlite", readings, findings or [])
    return view(context, SOMEBODY, shot(context), month)


def whole_site() -> list[Reading]:
    """t1 and the rooms send without a break, q01 has a gap, q02 ends after two hours."""
    return [
        *steady("t1", 5000.0),
        *steady("q01", 4000.0, minutes=GAP),
        *steady("q02", 1000.0, minutes=range(121)),
        *steady("room-1", 300.0),
        *steady("room-2", 300.0),
    ]


def test_gaps_are_estimated_and_ends_are_missing(tmp_path: Path) -> None:
    """Of twelve quarter hours q01 has four with an end in the gap, and q02 lacks the last four; their energies count."""
    view = answer(tmp_path, whole_site())
    rows = {row.point: row.share for row in view.points}
    assert (rows["t1"].of, rows["t1"].missing, rows["t1"].estimated) == (12, 0, 0)
    assert (rows["q01"].missing, rows["q01"].estimated) == (12, 8)  # its reactive register never came
    assert (rows["q02"].of, rows["q02"].missing, rows["q02"].estimated) == (24, 8, 0)
    assert rows["q01"].estimated_energy_part == pytest.approx(4 / 12)
    assert rows["t1"].estimated_energy_part == 0.0
    assert view.total.missing == sum(row.share.missing for row in view.points)
    assert (view.from_ms, view.until_ms) == (BEGIN, END)


def test_what_is_wrong_now_comes_first_then_what_is_missing(tmp_path: Path) -> None:
    """A frozen meter before a gap before a good one, with words for each."""
    findings = [
        Finding("frozen-value", "t1", END, "t1: stands", "", ("t1",)),
        Finding("stale", "q02", END, "q02: no", "", ("q02",)),
    ]
    view = answer(tmp_path, whole_site(), findings)
    assert [row.point for row in view.points][:3] == ["q02", "t1", "q01"]
    assert {row.point: row.wrong for row in view.points if row.wrong} == {"t1": ["frozen"], "q02": ["silent"]}


@pytest.mark.parametrize(
    ("cause", "texts"),
    [
        ("silent-source", ["silent"]),  # found by reading the page beside the table: it knew four causes of its own
        ("silent-board", ["silent"]),
        ("broker-silent", ["silent"]),
        ("frozen-value", ["frozen"]),
        ("meter-clock", ["clock"]),
        ("ct-ratio", []),  # its values come, and are wrong
        ("drift", []),
        ("long-forgotten", []),
    ],
)
def test_what_is_wrong_now_is_read_off_the_table_of_causes(tmp_path: Path, cause: str, texts: list[str]) -> None:
    """Every cause that says silence, a clock or a standing value marks the points it names."""
    view = answer(tmp_path, whole_site(), [Finding(cause, "somewhere", END, "what", "", ("q01", "q02"))])
    assert {row.point: row.wrong for row in view.points if row.wrong} == ({"q01": texts, "q02": texts} if texts else {})


def test_rooms_are_counted_and_not_listed_for_whoever_may_not_see_them(tmp_path: Path) -> None:
    """The totals are the same for everyone."""
    context = context_of(tmp_path / "s.sqlite", whole_site())
    closed, open_ = (view(context, viewer, shot(context)) for viewer in (Viewer(), SOMEBODY))
    assert closed.hidden == 2
    assert {row.point for row in closed.points} == {"t1", "q01", "q02"}
    assert open_.hidden == 0
    assert closed.total == open_.total


def test_a_month_without_figures_is_reported(tmp_path: Path) -> None:
    """In words. In a store without any reading everything that is due is missing, and nothing is divided by zero."""
    with pytest.raises(HTTPException, match="no figures of 2020-01"):
        answer(tmp_path, whole_site(), month="2020-01")
    (tmp_path / "empty").mkdir()
    view = answer(tmp_path / "empty", [])
    assert view.months == ["2026-05"]
    assert (view.total.missing_part, view.total.estimated_energy_part) == (1.0, None)


# -- in a browser ------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_silent_meter_stands_first(mill: Mill, browser: Browser) -> None:
    """With its word and the age of its last value; the source is connected."""
    with opened(browser, f"{mill.address}/data") as page:
        row = page.locator("section[aria-labelledby=points] tbody tr").first
        for _ in range(30):
            if "no values" in row.inner_text():
                break
            page.wait_for_timeout(1000)
            page.reload()
        expect(row).to_contain_text("Lifts north")
        expect(row.locator(".mark.outside")).to_have_text("no values")
        expect(page.locator(".answer")).to_contain_text("does not report current values")
        expect(page.locator("section[aria-labelledby=sources] tbody tr")).to_contain_text("connected")


@pytest.mark.slow
def test_clocks_are_compared_as_values_arrive(mill: Mill) -> None:
    """The simulated clocks are off by a second or two at most, and plain numbers come without a clock."""
    rows = {row["point"]: row for row in httpx.get(f"{mill.address}/api/data", timeout=20).json()["points"]}
    assert rows["t1"]["arrived"]
    assert abs(rows["t1"]["offset_ms"]) < 30_000
    assert rows["light-north"]["offset_ms"] is None


@pytest.mark.slow
def test_it_is_readable_for_everyone(mill: Mill, browser: Browser) -> None:
    """axe-core finds nothing, and nothing is cut off; in German."""
    with opened(browser, f"{mill.address}/data", language="de-AT") as page:
        expect(page.locator("h1")).to_contain_text("welche Uhr geht falsch?")
        assert unreadable(page, at_night=DESK, by_day=PHONE) == []


@pytest.mark.slow
def test_the_page_does_not_begin_anew_while_somebody_moves_by_keyboard(mill: Mill, browser: Browser) -> None:
    """Found on the page of the demand: it was loaded again between two keys, and the way began at the top."""
    with opened(browser, f"{mill.address}/data") as page:
        page.clock.install()
        page.reload()
        page.evaluate("window.same = true")
        page.clock.run_for(55_000)
        page.keyboard.press("Tab")
        page.clock.run_for(10_000)  # at 60 s it would be asked for again
        assert page.evaluate("window.same === true")
        page.clock.run_for(50_000)
        page.clock.run_for(10_000)
        page.wait_for_function("window.same === undefined")


@pytest.mark.slow
def test_no_line_ends_between_a_part_and_its_sign(mill: Mill) -> None:
    """Found by looking: "0,0" at the end of a line and "%" at the beginning of the next one."""
    page = httpx.get(f"{mill.address}/data", headers={"Accept-Language": "de"}, timeout=20).text
    answer = page[page.index('<section class="answer') : page.index("</section>")]
    assert "\N{NO-BREAK SPACE}%" in answer
    assert " %" not in answer
