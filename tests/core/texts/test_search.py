"""Whatever is known of a point finds it: old and new names, designation, serial, topic, place, tenant."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.plan import Board, Consumer, Input, Instrument, Point, PointState, Role, Site
from meterd.core.texts.search import Fit, Kind, Target, find

SITE = Site(
    "mill",
    "Europe/Vienna",
    prefix="energy",
    boards=(Board("north", "Main distribution north"), Board("south")),
    points=(
        Point("t1", "north", Role.FEED, title="Transformer T1", designation="-T1-P1"),
        Point("bakery-ovens", "north", Role.FEEDER, title="Bakery, ovens", tenant="Bakery", aliases=("q01",)),
        Point("cafe", "south", Role.FEEDER, title="Café", place="Büro 2", designation="-Q54-P1"),
        Point("old-forge", "south", Role.FEEDER, title="Forge", state=PointState.RETIRED),
        Point("studio-01", "north", Role.SUB, below="bakery-ovens"),
        Point("studio-10", "north", Role.SUB, below="bakery-ovens"),
    ),
    instruments=(
        Instrument("cafe", 0, 1000, serial="HM-0023"),
        Instrument("cafe", 1000, None, serial="HM-1101"),
        Instrument("old-forge", 0, 500, serial="HM-1"),
    ),
    inputs=(
        Input("cafe", "1.8.0", "mill", "mill/meters/cafe", "/import_wh"),
        Input("cafe", "16.7.0", "mill", "mill/meters/cafe", "/power_w"),
        Input("studio-01", "1.8.0", "mill", "mill/studios/01"),
    ),
    consumers=(Consumer("studio-01-heater", "studio-01"), Consumer("pool-heater")),
)


@pytest.mark.parametrize(
    ("asked", "name", "kind", "fit"),
    [
        ("cafe", "cafe", Kind.NAME, Fit.SAME),
        ("CAFÉ", "cafe", Kind.NAME, Fit.SAME),
        ("Q1", "bakery-ovens", Kind.FORMER_NAME, Fit.SAME),
        ("q54 p1", "cafe", Kind.DESIGNATION, Fit.SAME),
        ("hm23", "cafe", Kind.SERIAL, Fit.SAME),
        ("HM-1101", "cafe", Kind.SERIAL, Fit.SAME),
        ("hm 1", "old-forge", Kind.SERIAL, Fit.SAME),
        ("mill/meters/cafe", "cafe", Kind.TOPIC, Fit.SAME),
        ("energy/mill/point/cafe/power", "cafe", Kind.NAME, Fit.SAME),
        ("point/Cafe", "cafe", Kind.NAME, Fit.SAME),
        ("energy/mill/point/q01/import/plain", "bakery-ovens", Kind.FORMER_NAME, Fit.SAME),
        ("buero", "cafe", Kind.PLACE, Fit.BEGINS),
        ("bakery", "bakery-ovens", Kind.TENANT, Fit.SAME),
        ("ovens", "bakery-ovens", Kind.NAME, Fit.PART),
        ("ovens bakery", "bakery-ovens", Kind.NAME, Fit.WORDS),
        ("old_forge", "old-forge", Kind.NAME, Fit.SAME),
        ("studio 1", "studio-01", Kind.NAME, Fit.SAME),
    ],
)
def test_the_first_hit_and_by_what_it_was_found(asked: str, name: str, kind: Kind, fit: Fit) -> None:
    """Whatever a person has in hand."""
    first = find(SITE, asked)[0]
    assert (first.name, first.term.kind, first.fit) == (name, kind, fit)


@pytest.mark.parametrize(
    ("asked", "target", "name", "point"),
    [
        ("energy/mill/board/north/residual", Target.BOARD, "north", None),
        ("main distribution", Target.BOARD, "north", None),
        ("energy/mill/share/studio-01-heater", Target.CONSUMER, "studio-01-heater", "studio-01"),
        ("pool heater", Target.CONSUMER, "pool-heater", None),
    ],
)
def test_boards_and_consumers_are_found_too(asked: str, target: Target, name: str, point: str | None) -> None:
    """By their names and topics; a consumer leads to its point."""
    first = find(SITE, asked)[0]
    assert (first.target, first.name, first.point) == (target, name, point)


def test_a_serial_says_when_it_was_fitted() -> None:
    """A removed instrument leads to the point where it was."""
    (hit,) = find(SITE, "HM-0023")
    assert (hit.term.from_ms, hit.term.until_ms) == (0, 1000)


def test_the_same_comes_before_what_begins_so_and_what_holds_it() -> None:
    """studio 1 is studio-01, then what begins with it."""
    results = [(hit.name, hit.fit) for hit in find(SITE, "studio-1")]
    assert results == [("studio-01", Fit.SAME), ("studio-10", Fit.BEGINS), ("studio-01-heater", Fit.BEGINS)]


@pytest.mark.parametrize("asked", ["", "   ", "-=/.", "no such thing", "energy/mill/point/nothing", "x" * 500])
def test_what_fits_nothing_finds_nothing(asked: str) -> None:
    """A question of separators only is none."""
    assert find(SITE, asked) == []


@given(st.text(max_size=30))
def test_any_question_gets_each_target_once_and_best_first(asked: str) -> None:
    """Whatever is typed."""
    hits = find(SITE, asked)
    assert len({(hit.target, hit.name) for hit in hits}) == len(hits)
    assert [hit.fit for hit in hits] == sorted(hit.fit for hit in hits)


@given(st.sampled_from(SITE.points), st.sampled_from(["{}", " {} ", "{}/", "energy/mill/point/{}", "point/{}/power"]))
def test_every_point_is_found_by_its_name_and_topic(point: Point, form: str) -> None:
    """In any writing, and first of all."""
    for name in (point.name, point.name.upper(), point.name.replace("-", "_"), *point.aliases):
        assert find(SITE, form.format(name))[0].name == point.name
