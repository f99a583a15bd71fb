"""The values of the plan answer simple questions about themselves."""

from dataclasses import replace

import pytest

from meterd.core.model.plan import Board, Input, Instrument, Point, PointState, Role, Site, base_scale
from meterd.core.model.reading import REGISTERS, UNITS

SITE = Site(
    name="mill",
    zone="Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("t1", "north", Role.FEED),
        Point("q01", "north", Role.FEEDER),
        Point("s01", "north", Role.SUB, below="q01"),
        Point("roof", "north", Role.PV, below="q01", state=PointState.FITTED),
    ),
    instruments=(Instrument("q01", 2000), Instrument("q01", 1000, until_ms=2000), Instrument("t1", 0)),
)


@pytest.mark.parametrize(
    ("unit", "scale", "factor"),
    [
        ("Wh", 1.0, 1.0),
        ("kWh", 1.0, 1000.0),
        ("MWh", 0.1, 100_000.0),
        ("kWh", 0.01, 10.0),
        ("imp", 1.0, 1.0),
        ("kW", -1.0, -1000.0),
        ("%", 1.0, 0.01),
        ("/", 1.0, 1.0),
        ("mA", 1.0, 0.001),
    ],
)
def test_base_scale_leads_to_the_base_unit(unit: str, scale: float, factor: float) -> None:
    assert base_scale(Input("q01", "1.8.0", "broker", "a", unit=unit, scale=scale)) == pytest.approx(factor, rel=1e-15)


def test_every_register_has_its_own_unit_with_factor_one() -> None:
    assert all(UNITS[kind.unit] == ((kind.unit,), 1.0) for kind in REGISTERS.values())


def test_an_unknown_unit_is_an_error_of_the_program() -> None:
    with pytest.raises(KeyError):
        base_scale(Input("q01", "1.8.0", "broker", "a", unit="BTU"))


def test_terms_of_a_board_are_not_below_a_feeder() -> None:
    assert [point.name for point in SITE.on_board("north")] == ["t1", "q01"]


def test_instruments_come_in_the_order_of_their_dates() -> None:
    assert [instrument.from_ms for instrument in SITE.instruments_of("q01")] == [1000, 2000]


def test_a_point_is_found_by_name_or_not_at_all() -> None:
    assert SITE.point("s01").below == "q01"
    with pytest.raises(KeyError):
        SITE.point("s02")
    assert replace(SITE, points=(replace(SITE.points[0], name="new"),)).point("new").board == SITE.points[0].board


def test_only_live_and_accepted_points_count() -> None:
    assert not SITE.point("roof").counts
    assert SITE.point("t1").counts


def test_the_ratio_of_current_transformers_is_exact_or_none() -> None:
    assert Instrument("t1", 0, ct_primary_a=250.0, ct_secondary_a=5.0).ct_ratio == 50
    assert Instrument("t1", 0).ct_ratio is None
