"""Titles of columns name a point, a register and a unit by everything the plan knows of it."""

import pytest

from meterd.adapters.sources.old_readings.column_names import Meaning, PointNames, unit_in
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site

POINTS = (
    Point("shore", "quay", Role.FEED, title="Netzeinspeisung"),
    Point("roof", "quay", Role.PV, title="PV Hallendach"),
    Point("hall-1", "quay", Role.FEEDER, title="Winterhalle 1", designation="=E1-Q11", aliases=("big-hall",)),
    Point("hall-11", "quay", Role.FEEDER, title="Winterhalle 11"),
    Point("hall", "quay", Role.FEEDER),
)
SITE = Site(
    "boat-yard", "Europe/Berlin", boards=(Board("quay"),), points=POINTS,
    instruments=(Instrument("roof", 0, serial="SN 0815-7"),), inputs=(Input("shore", "1.8.0", "old", "col_17"),),
)  # fmt: skip


@pytest.mark.parametrize(
    ("title", "wanted"),
    [
        ("Netzeinspeisung Bezug [kWh]", Meaning(("shore",), "1.8.0", "kWh")),
        ("Netzeinspeisung, Lieferung in kWh", Meaning(("shore",), "2.8.0", "kWh")),
        ("SHORE 1-1:2.8.0*255", Meaning(("shore",), "2.8.0", "")),
        ("shore A- (Wh)", Meaning(("shore",), "2.8.0", "Wh")),
        ("col_17", Meaning(("shore",), "1.8.0", "")),
        ("PV-Hallendach Einspeisung MWh", Meaning(("roof",), "1.8.0", "MWh")),
        ("sn0815-7 kwh", Meaning(("roof",), "1.8.0", "kWh")),
        ("Winterhalle 01 Wirkenergie", Meaning(("hall-1",), "1.8.0", "")),
        ("winterhalle_11", Meaning(("hall-11",), "1.8.0", "")),
        ("E1-Q11 Blindenergie kvarh", Meaning(("hall-1",), "3.8.0", "kvarh")),
        ("big hall power kW", Meaning(("hall-1",), "16.7.0", "kW")),
        ("hall-1 voltage V", Meaning(("hall-1",), "", "V")),
        ("hall", Meaning(("hall",), "1.8.0", "")),
        ("Temperatur", Meaning((), "1.8.0", "")),
    ],
)
def test_what_a_title_means(title: str, wanted: Meaning) -> None:
    """Case, umlauts, separators and leading zeros make no difference; the longest name wins."""
    assert PointNames(SITE).meaning(title) == wanted


def test_a_name_of_two_points_gives_both() -> None:
    twins = tuple(Point(name, "quay", Role.FEEDER, title="Steg") for name in ("a-1", "a-2"))
    assert PointNames(Site("y", "UTC", points=twins)).meaning("Steg kWh").points == ("a-1", "a-2")


def test_a_letter_is_a_unit_only_where_nothing_longer_is() -> None:
    assert (unit_in("Halle A kWh"), unit_in("Strom A"), unit_in("Halle")) == ("kWh", "A", "")
