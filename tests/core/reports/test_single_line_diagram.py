"""The single-line diagram: everything of the plan is on it, and nothing lies on top of another."""

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.plan import Board, Point, PointState, Role, Site
from meterd.core.reports.single_line_diagram import (
    LETTERS,
    METERS,
    PER_ROW,
    TITLE_LINES,
    Drawing,
    Flow,
    Kind,
    boxes,
    draw,
    wrapped,
)
from tests.example_plans import example

CONFIG = Path(__file__).parents[3] / "config"
SITES = {name: example(name) for name in ("harrow-mill", "small.toml")}
BOARDS = [(name, board.name) for name, site in SITES.items() for board in site.boards]


def drawing(site: Site, board: str) -> Drawing:
    """With an energy and a mark at every point."""
    flows = {p.name: Flow("1,234.5 MWh", mark="▲ verdächtig") for p in site.points}
    return draw(site, next(b for b in site.boards if b.name == board), flows)


def overlaps(result: Drawing) -> list[tuple[str, str]]:
    """Pairs of things that lie on top of each other."""
    return [
        (item[0], two[0])
        for item, two in combinations(boxes(result), 2)
        if item[1] < two[3] and two[1] < item[3] and item[2] < two[4] and two[2] < item[4]
    ]


@pytest.mark.parametrize(("name", "board"), BOARDS)
def test_every_point_of_the_board_is_drawn_once(name: str, board: str) -> None:
    """Each with a meter, a title and its energy; points of other boards and below feeders are not on it."""
    site = SITES[name]
    result = drawing(site, board)
    expected = sorted(p.name for p in site.on_board(board))
    assert sorted(s.point for s in result.symbols if s.kind in METERS) == expected
    assert sorted(label.point for label in result.labels if label.role == "title") == expected
    assert sorted(label.point for label in result.labels if label.role == "energy") == expected


@pytest.mark.parametrize(("name", "board"), BOARDS)
def test_nothing_lies_on_top_of_another(name: str, board: str) -> None:
    """Symbols, titles, energies and marks each have their room, and all lie inside."""
    result = drawing(SITES[name], board)
    assert overlaps(result) == []
    for what, left, top, right, bottom in boxes(result):
        assert left >= 0, what
        assert top >= 0, what
        assert right <= result.width, what
        assert bottom <= result.height, what


@pytest.mark.parametrize("feeders", [0, 1, 7, 8, 9, 25, 60])
@pytest.mark.parametrize("sources", [1, 3, 10])
def test_any_number_of_feeders_and_sources_finds_room(feeders: int, sources: int) -> None:
    """Rows wrap; a board with more sources than feeders is as wide as these."""
    points = tuple(
        Point(f"f{i:02d}", "main", Role.FEEDER, title="Feeder with a long title of its own") for i in range(feeders)
    )
    kinds = (Role.FEED, Role.PV, Role.BACKUP, Role.STORAGE)
    points += tuple(
        Point(f"s{i:02d}", "main", kinds[i % 4], title="Source with a long title of its own") for i in range(sources)
    )
    site = Site("x", "UTC", boards=(Board("main"),), points=points)
    result = drawing(site, "main")
    assert overlaps(result) == []
    assert {s.point for s in result.symbols} == {p.name for p in points}
    assert max(right for _, _, _, right, _ in boxes(result)) <= result.width
    bars = {line.y1 for line in result.lines if line.busbar and line.y1 == line.y2}
    assert len(bars) == max(1, -(-feeders // PER_ROW))


def test_what_is_not_in_service_is_dashed_and_what_is_retired_is_gone() -> None:
    """A planned feeder is drawn dashed; a retired one is no part of the board any more."""
    site = SITES["small.toml"]
    changed = tuple(
        replace(p, state={"offices": PointState.PLANNED, "light": PointState.RETIRED}.get(p.name, p.state))
        for p in site.points
    )
    result = drawing(replace(site, points=changed), "main")
    assert sum(line.dashed for line in result.lines) == 1
    assert all(s.point != "light" for s in result.symbols)


def test_current_transformers_are_drawn_where_the_plan_has_them() -> None:
    """The feed of the small plan is measured at transformers of 250/5, its feeders directly."""
    result = drawing(SITES["small.toml"], "main")
    kinds = {s.point: s.kind for s in result.symbols if s.kind in METERS}
    assert kinds["grid"] is Kind.METER_CT
    assert {kind for point, kind in kinds.items() if point != "grid"} == {Kind.METER}


def test_a_board_fed_by_another_has_a_transformer_only_by_the_plan() -> None:
    """Its supply is drawn as one; with a rating of its own there is a transformer between; the feeder above shows a bar."""
    points = (
        Point("in", "main", Role.FEED),
        Point("q1", "main", Role.FEEDER),
        Point("low", "sub", Role.FEED),
        Point("q2", "sub", Role.FEEDER),
    )
    for rating, kind in ((None, Kind.SUPPLY), (250.0, Kind.TRANSFORMER)):
        boards = (Board("main"), Board("sub", fed_by="q1", rating_kva=rating))
        site = Site("x", "UTC", boards=boards, points=points)
        assert next(s.kind for s in draw(site, boards[1], {}).symbols if s.point == "low") is kind
    upper = draw(site, boards[0], {})
    assert next(s.kind for s in upper.symbols if s.point == "in") is Kind.TRANSFORMER
    assert sum(line.busbar for line in upper.lines) == 2
    assert not any("arrow" in s.kind for s in upper.symbols)


def test_a_flow_against_the_arrow_points_up() -> None:
    """A feeder with PV behind it may give."""
    site = SITES["small.toml"]
    result = draw(site, site.boards[0], {"joinery": Flow("1 kWh", against=True), "offices": Flow("1 kWh")})
    arrows = {s.point: s.kind for s in result.symbols if s.kind in (Kind.ARROW_UP, Kind.ARROW_DOWN)}
    assert arrows == {"joinery": Kind.ARROW_UP, "offices": Kind.ARROW_DOWN}


def test_a_number_stays_with_its_unit() -> None:
    """Found by looking: the last line of a title was "kW"; what is no unit is a word of its own."""
    assert wrapped("Photovoltaics, mill hall 100 kW") == ("Photovoltaics,", "mill hall", "100 kW")
    assert wrapped("Transformer 2 Vienna") == ("Transformer 2", "Vienna")


@given(st.text(max_size=200))
def test_any_title_fits(message: str) -> None:
    """No more lines and letters than there is room for."""
    lines = wrapped(message)
    assert len(lines) <= TITLE_LINES
    assert all(len(line) <= LETTERS for line in lines)
