"""Charts are places: steps have their width, stacks add up, what is missing is a gap and a span of its own."""

import itertools
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from meterd.core.model.periods import to_ms
from meterd.core.reports.chart import Band, Form, Size, Track, chart

SIZE = Size(500, 300, left=50, right=50, top=20, bottom=30)
BEGIN = to_ms(datetime(2026, 5, 3, 22, tzinfo=UTC))
EDGES = [BEGIN + i * 3_600_000 for i in range(5)]
VIENNA = ZoneInfo("Europe/Vienna")


def test_the_last_step_has_its_width() -> None:
    """A line of one value reaches from edge to edge; the first value begins at the left margin."""
    drawn = chart(Form.LINES, [Track([1.0, 2.0, 2.0, 4.0])], EDGES, size=SIZE, zone=VIENNA)
    (stroke,) = drawn.strokes
    assert stroke.places[0] == (50.0, drawn.frame.y(1.0))
    assert stroke.places[-1] == (450.0, drawn.frame.y(4.0))
    assert drawn.missing == ()


def test_a_missing_value_is_a_gap_and_a_span() -> None:
    """What is to come is neither."""
    track = Track([1.0, None, 2.0, None])
    drawn = chart(Form.LINES, [track], EDGES, size=SIZE, zone=VIENNA, until_ms=EDGES[3])
    assert len(drawn.strokes) == 2
    assert drawn.missing == ((150.0, 250.0),)


def test_estimated_values_look_different() -> None:
    """A stroke of its own that goes on where the one before ended."""
    track = Track([1.0, 2.0, 3.0, 4.0], [False, True, True, False])
    drawn = chart(Form.LINES, [track], EDGES, size=SIZE, zone=VIENNA)
    assert [stroke.style for stroke in drawn.strokes] == ["solid", "estimated", "solid"]
    assert drawn.strokes[1].places[0] == drawn.strokes[0].places[-1]
    bars = chart(Form.BARS, [track], EDGES, size=SIZE, zone=VIENNA)
    assert [area.style for area in bars.areas] == ["solid", "estimated", "estimated", "solid"]


def test_a_stack_adds_up() -> None:
    """Positive values above zero, negative ones below it; the axis holds both sums."""
    tracks = [Track([3.0] * 4, tone=0), Track([2.0] * 4, tone=1), Track([-1.0] * 4, tone=2)]
    drawn = chart(Form.STACKED, tracks, EDGES, size=SIZE, zone=VIENNA)
    y = drawn.frame.y
    spans = [(min(p[1] for p in a.places), max(p[1] for p in a.places)) for a in drawn.areas]
    assert spans == [(y(3), y(0)), (y(5), y(3)), (y(0), y(-1))]


def test_bars_stand_beside_each_other() -> None:
    """Two of each step, none over the other, all within their step."""
    drawn = chart(Form.BARS, [Track([1.0] * 4), Track([2.0] * 4, tone=1)], EDGES, size=SIZE, zone=VIENNA)
    spans = sorted((a.places[0][0], a.places[2][0]) for a in drawn.areas)
    assert all(item[1] <= other[0] + 0.1 for item, other in itertools.pairwise(spans))
    assert (spans[0][0], spans[-1][1]) == (65.0, 435.0)


def test_a_band_lies_between_its_edges() -> None:
    """And is left out where one is missing."""
    band = Band([-1.0, None, -1.0, -1.0], [1.0, 1.0, 1.0, 1.0])
    drawn = chart(Form.LINES, [Track([0.0] * 4)], EDGES, size=SIZE, zone=VIENNA, bands=[band])
    assert len(drawn.areas) == 2
    assert {p[1] for p in drawn.areas[0].places} == {drawn.frame.y(1), drawn.frame.y(-1)}


def test_letters_do_not_cover_each_other() -> None:
    """Lines that end at the same height, at the foot of the plane."""
    tracks = [Track([0.0] * 4, tone=i) for i in range(8)]
    drawn = chart(Form.LINES, tracks, EDGES, size=SIZE, zone=VIENNA)
    heights = sorted(mark.y for mark in drawn.marks)
    assert sorted(mark.track for mark in drawn.marks) == list(range(8))
    assert all(b - a >= 11.5 for a, b in itertools.pairwise(heights))
    assert heights[-1] <= 275


def test_areas_bear_their_letters_where_they_are_thick() -> None:
    """One that is too thin bears none."""
    tracks = [Track([1.0, 9.0, 1.0, 1.0]), Track([0.01] * 4, tone=1)]
    drawn = chart(Form.STACKED, tracks, EDGES, size=SIZE, zone=VIENNA)
    (mark,) = drawn.marks
    assert (mark.x, mark.track, mark.inside) == (200.0, 0, True)
