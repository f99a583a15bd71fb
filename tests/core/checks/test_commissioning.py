"""Putting into service: rows of rooms with an odd one and an exchanged pair, breakers that feed something else."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.checks.commissioning import (
    LEAST_ROOMS,
    MissingItem,
    carried_by,
    missing_items,
    outlier_rooms,
    planned_otherwise,
    switch_test,
)
from meterd.core.model.plan import Copied, PointState, Site
from tests.example_plans import example

NOW = 1_782_907_200_000
ROW = Copied("studio", "studio-{n}", tuple(f"studio-{n:02d}" for n in range(1, 25)))


@pytest.fixture(scope="module")
def mill() -> Site:
    """Harrow Mill."""
    return example("harrow-mill")


def tenants(seed: int) -> dict[str, int | None]:
    """A month of ordinary tenants: 120 kWh with a fifth of scatter."""
    draw = np.random.default_rng(seed).lognormal(0.0, 0.2, len(ROW.points))
    return {name: int(120e6 * item) for name, item in zip(ROW.points, draw, strict=True)}


def test_ordinary_tenants_are_not_odd() -> None:
    """In 200 rows of 24 rooms at most one room is named."""
    assert sum(len(outlier_rooms(ROW, tenants(seed))) for seed in range(200)) <= 2


def test_a_room_that_draws_nothing_is_odd() -> None:
    """Zero is not missing: a meter that stands still in a row that lives."""
    (odd,) = outlier_rooms(ROW, {**tenants(6), "studio-20": 0})
    assert (odd.point, odd.ratio) == ("studio-20", 0.0)


@pytest.mark.parametrize("factor", [8.0, 0.1])
def test_a_room_on_the_wrong_ratio_is_named(factor: float) -> None:
    """Eight times too much or a tenth stands out from any row."""
    for seed in range(20):
        energies = tenants(seed)
        energies["studio-11"] = int((energies["studio-11"] or 0) * factor)
        assert [odd.point for odd in outlier_rooms(ROW, energies)][:1] == ["studio-11"]


def test_an_exchanged_pair_is_named_with_both_rooms() -> None:
    """The kiln stands in studio 07 by the plan, but studio 12 draws like a kiln and 07 like everybody."""
    energies = tenants(3)
    energies["studio-12"] = int(1_200e6)
    (odd,) = outlier_rooms(ROW, energies, different=["studio-07"])
    assert (odd.point, odd.exchanged_with) == ("studio-12", "studio-07")


def test_a_room_that_may_differ_is_not_named() -> None:
    """The kiln where it belongs."""
    energies = tenants(3)
    energies["studio-07"] = int(1_200e6)
    assert outlier_rooms(ROW, energies, different=["studio-07"]) == []


def test_missing_rooms_are_not_judged_and_few_rooms_have_no_median() -> None:
    """None is missing, not zero; four rooms are no row."""
    energies = {**tenants(4), "studio-05": None}
    assert outlier_rooms(ROW, energies) == []
    few = dict.fromkeys(ROW.points[: LEAST_ROOMS - 1], 10**8)
    assert outlier_rooms(ROW, few) == []


def test_the_plan_says_which_rooms_are_drawn_otherwise(mill: Site) -> None:
    """The kiln of studio 07 has a larger rating and water heater."""
    row = next(copied for copied in mill.copied if "studio-07" in copied.points)
    assert planned_otherwise(mill, row) == ["studio-07"]


def test_a_point_says_what_it_lacks(mill: Site) -> None:
    """A finished point lacks nothing; one without instrument, input and designation says so; a planned one asks less."""
    feed = mill.point("t1")
    assert missing_items(mill, feed, NOW, heard=True) == []
    assert missing_items(mill, feed, NOW, heard=False) == [MissingItem.VALUE]
    bare = replace(mill, instruments=(), inputs=())
    results = missing_items(bare, replace(feed, designation="", rating_a=None), NOW, heard=False)
    assert results == [MissingItem.DESIGNATION, MissingItem.RATING, MissingItem.INSTRUMENT, MissingItem.INPUT]
    assert missing_items(bare, replace(feed, state=PointState.PLANNED), NOW, heard=False) == []


BEFORE = {"t1": 80_000.0, "bakery-ovens": 20_000.0, "laundry": 5_000.0, "riser-east": 9_000.0, "studio-01": 400.0}


def test_the_right_breaker_takes_its_point_out(mill: Site) -> None:
    """The ovens go out, the transformer falls with them."""
    after = {**BEFORE, "bakery-ovens": 0.0, "t1": 60_000.0}
    result = switch_test(mill, "bakery-ovens", BEFORE, after, carried_by(mill, "bakery-ovens"))
    assert result.verdict == "right"
    assert [(power_drop.point, power_drop.fell_w) for power_drop in result.drops] == [
        ("bakery-ovens", 20_000.0),
        ("t1", 20_000.0),
    ]


def test_another_point_that_goes_out_is_named(mill: Site) -> None:
    """Meters exchanged: the breaker of the ovens takes the laundry's figure to zero."""
    after = {**BEFORE, "laundry": 3.0, "t1": 75_000.0}
    result = switch_test(mill, "bakery-ovens", BEFORE, after, carried_by(mill, "bakery-ovens"))
    assert (result.verdict, result.others) == ("other", ("laundry",))


def test_what_hangs_below_goes_out_too(mill: Site) -> None:
    """A riser with its studios."""
    after = {**BEFORE, "riser-east": 10.0, "studio-01": 0.0, "t1": 71_000.0}
    result = switch_test(mill, "riser-east", BEFORE, after, carried_by(mill, "riser-east"))
    assert (result.verdict, result.others) == ("right", ())


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ({"bakery-ovens": 10.0}, {"bakery-ovens": 0.0}, "no load"),
        ({}, {}, "no load"),
        ({"bakery-ovens": 9_000.0}, {"bakery-ovens": None}, "waiting"),
        ({"bakery-ovens": 9_000.0}, {"bakery-ovens": 9_010.0}, "nothing"),
        ({"bakery-ovens": 9_000.0, "t1": 1.0}, {"bakery-ovens": 9_010.0, "t1": None}, "waiting"),
    ],
)
def test_no_load_no_value_and_no_change_are_distinguished(
    mill: Site, before: dict[str, float], after: dict[str, float | None], verdict: str
) -> None:
    """A test without load proves nothing, one without fresh values has to wait."""
    assert switch_test(mill, "bakery-ovens", before, after, ["t1"]).verdict == verdict


def test_a_studio_is_carried_by_its_riser_and_the_transformer(mill: Site) -> None:
    """Up to the connection; the backup supply stands beside the transformer of its board."""
    assert carried_by(mill, "studio-01") == ["riser-east", "t1"]
    assert carried_by(mill, "riser-west") == ["t2", "backup"]
