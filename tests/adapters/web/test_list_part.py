"""A long list is shown in parts, by number and by a piece of a name, on the page and as JSON."""

import re
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.list_part import MOST_ROWS, part_of
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import served
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.model.plan import Board, Input, Page, Point, Role, Site
from meterd.core.model.reading import IMPORT

NOW_MS = 1_777_888_800_000
POINTS = 2 * MOST_ROWS + 50


def twice(row: str) -> tuple[str, str]:
    return row, ""


@pytest.mark.parametrize(
    ("count", "part", "shown"),
    [
        (0, 1, (1, 1, 0, 0, 0)),
        (0, 0, (1, 1, 0, 0, 0)),
        (MOST_ROWS + 1, 0, (1, 1, 1, MOST_ROWS + 1, MOST_ROWS + 1)),
        (1, 1, (1, 1, 1, 1, 1)),
        (MOST_ROWS, 1, (1, 1, 1, MOST_ROWS, MOST_ROWS)),
        (MOST_ROWS + 1, 2, (2, 2, MOST_ROWS + 1, MOST_ROWS + 1, MOST_ROWS + 1)),
        (MOST_ROWS + 1, 999, (2, 2, MOST_ROWS + 1, MOST_ROWS + 1, MOST_ROWS + 1)),
    ],
)
def test_parts_of_a_list(count: int, part: int, shown: tuple[int, ...]) -> None:
    rows, reported = part_of([f"q{i}" for i in range(count)], part, "", twice)
    assert (reported.part, reported.parts, reported.first, reported.last, reported.of) == shown
    assert rows == [f"q{i}" for i in range(count)][max(reported.first - 1, 0) : reported.last]


def test_all_parts_together_are_the_list_and_a_piece_of_a_name_chooses() -> None:
    """Large and small letters are alike, in names and in titles."""
    rows = [f"q{i:04d}" for i in range(POINTS)]
    every = [row for part in (1, 2, 3) for row in part_of(rows, part, "", twice)[0]]
    assert every == rows
    assert part_of(rows, 1, " Q0017", twice)[0] == ["q0017"]
    assert part_of(rows, 1, "oven", lambda row: (row, "Ovens" if row == "q0003" else ""))[0] == ["q0003"]
    assert part_of(rows, 3, "nobody", twice)[1].of == 0


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The page of a board with many feeders that have sent nothing yet."""
    path: Path = tmp_path_factory.mktemp("parts") / "s.sqlite"
    points = tuple(Point(f"q{i:04d}", "main", Role.FEEDER, title=f"Feeder & {i}") for i in range(POINTS))
    inputs = tuple(Input(point.name, IMPORT, "s", point.name) for point in points)
    plan = Site("mill", "UTC", boards=(Board("main"),), points=points, inputs=inputs, page=Page(port=free_port()))
    store = SqliteStore.writer(path)
    ledger = Ledger(store, plan, ZoneInfo("UTC"))
    daemon = Daemon(plan, path)
    daemon.snapshot = live.snapshot(ledger.state, NOW_MS, closed={}, pv_day=None, findings=())
    store.close()
    with served(daemon) as result:
        yield result.rstrip("/")


@pytest.mark.parametrize("page", ["data", "commissioning"])
def test_the_pages_show_a_part_and_lead_to_the_others(address: str, page: str) -> None:
    """10,000 points made pages of 4.2 and 2.6 MB; the same rows are the answer for programs."""
    seen: list[str] = []
    path = f"{address}/{page}"
    for part in (1, 2, 3):
        body = httpx.get(path, timeout=30).text
        rows = re.findall(r'<th scope="row"><a href="[^"]*point=(q\d+)"', body)
        api = httpx.get(f"{address}/api/{page}?part={part}", timeout=30).json()
        assert rows == [row["point"] for row in api["points"]]
        assert len(body) < 300_000
        seen += rows
        further = re.findall(rf'href="([^"]*/{page}\?[^"]*part={part + 1}#points)"', body)
        assert len(further) == (part < 3)
        if further:
            path = address + further[0].replace("&amp;", "&")
    assert sorted(seen) == [f"q{i:04d}" for i in range(POINTS)]
    whole = httpx.get(f"{address}/api/{page}", timeout=30).json()  # a program that knows of no parts misses nothing
    assert [row["point"] for row in whole["points"]] == seen
    assert whole["list_part"]["parts"] == 1
    assert f"Rows {2 * MOST_ROWS + 1} to {POINTS} of {POINTS}." in body


def test_a_piece_of_a_name_stays_in_the_links(address: str) -> None:
    """Also a piece with a letter that addresses use for themselves."""
    body = httpx.get(f"{address}/data?named=feeder+%26", timeout=30).text
    (further,) = re.findall(r'href="([^"]*part=2#points)"', body)
    assert "named=feeder%20%26&amp;" in further
    german = httpx.get(address + further.replace("&amp;", "&"), headers={"Accept-Language": "de"}, timeout=30).text
    assert f"Zeilen {MOST_ROWS + 1} bis {2 * MOST_ROWS} von {POINTS}." in german
    assert httpx.get(f"{address}/data?part=0", timeout=30).status_code == 422
