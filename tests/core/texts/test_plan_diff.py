"""What differs between two plans is said in one line; what cannot change while running is named."""

from dataclasses import replace

import pytest

from meterd.core.model.plan import Board, Input, Instrument, Limits, Page, Point, Role, Site, Source
from meterd.core.texts.plan_diff import change, fixed

INPUT = Input("q01", "1.8.0", "meters", "m/q01", where="inputs.csv:2")
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("main"),),
    points=(Point("q01", "main", Role.FEEDER), Point("q02", "main", Role.FEEDER)),
    instruments=(Instrument("q01", 0),),
    inputs=(INPUT,),
    sources=(Source("meters", "mqtt"),),
)


def test_the_same_plan_has_no_change_wherever_its_rows_stand() -> None:
    """The line of a row is not what it means, and the order of points neither."""
    other = replace(SITE, inputs=(replace(INPUT, where="inputs.csv:9"),), points=SITE.points[::-1])
    assert change(SITE, other) == ""
    assert fixed(SITE, other) == []


def test_what_is_added_removed_and_changed_is_named() -> None:
    """Points, sources, inputs, instruments and the keys of tables."""
    other = replace(
        SITE,
        title="Mill",
        points=(replace(SITE.points[0], rating_a=63), Point("q03", "main", Role.FEEDER)),
        sources=(Source("meters", "mqtt", (("port", 1884),)), Source("files", "file")),
        inputs=(replace(INPUT, address="m/1"), replace(INPUT, register="2.8.0")),
        instruments=(Instrument("q01", 0, 5), Instrument("q01", 5)),
        limits=Limits(stale_after_s=60),
    )
    assert change(SITE, other) == (
        "points added: q03; points removed: q02; points changed: q01; sources added: files; sources changed: meters;"
        " inputs added: q01 2.8.0; inputs changed: q01 1.8.0; instruments changed: q01; limits changed: stale_after_s;"
        " title changed"
    )


def test_what_is_in_force_only_after_a_start_is_said() -> None:
    """The server of the page is not part of the loop."""
    assert change(SITE, replace(SITE, page=Page(port=8480))) == "page changed: port (from the next start on)"


def test_a_long_list_is_counted() -> None:
    """A row of fifty rooms does not fill the screen."""
    other = replace(SITE, points=(*SITE.points, *(Point(f"r{i:02d}", "main", Role.SUB) for i in range(50))))
    assert change(SITE, other).endswith("r10, r11 and 38 more")


@pytest.mark.parametrize(
    ("name", "value"),
    [("name", "weir"), ("prefix", "p"), ("zone", "Europe/Berlin"), ("interval_s", 3600), ("store_path", "x.sqlite")],
)
def test_what_cannot_change_is_refused_in_words(name: str, value: object) -> None:
    """Both values are in the sentence."""
    (text,) = fixed(SITE, replace(SITE, **{name: value}))
    assert repr(value) in text
    assert repr(getattr(SITE, name)) in text
