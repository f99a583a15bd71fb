"""PV energy accounting: the published rules, exact to the watt-hour, the same on every run."""

import csv
import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.plan import METHODS
from meterd.core.pv.energy_accounting import (
    RULES,
    Quarter,
    account,
    account_of_points,
    jain,
    joined,
    pro_rata,
    pro_rata_whole,
    share_quarter,
    static,
    whole_wh,
)

VECTORS = list(
    csv.DictReader((Path(__file__).parents[2] / "vectors/pv_sharing_vectors.csv").read_text("utf-8").splitlines())
)
RULE_OF = {
    "static key 50/30/20, unused share goes to the grid": "static",
    "dynamic pro rata by consumption": "pro-rata",
    "hybrid: static first, unused part pro rata to unmet load": "hybrid",
    "equal shares capped by load": "equal",
    "priority order 1-2-3": "priority",
}
OURS = [row for row in VECTORS if row["method"] in RULE_OF]
NAMES = ("user1", "user2", "user3")
QUARTER = 900_000


@pytest.mark.parametrize("row", OURS, ids=lambda row: f"{row['case'][0]} {RULE_OF[row['method']]}")
def test_sharing_vectors(row: dict[str, str]) -> None:
    """pv_sharing_vectors.csv: RD 244/2019 static formula, Austrian pro rata rule, own variants; to the printed digits."""
    total, used = round(float(row["pv_surplus_kWh"]) * 1000), [1000 * kwh for kwh in json.loads(row["loads_kWh"])]
    exact = RULES[RULE_OF[row["method"]]](total, used, [50, 30, 20])
    shown = [round(float(part) / 1000, 4) for part in exact]
    assert shown == [float(row[name]) for name in NAMES]
    parts, left = whole_wh(exact, total, NAMES)
    assert sum(parts) + left == total
    assert left / 1000 == pytest.approx(float(row["to_grid"]), abs=0.001)
    assert all(abs(part - item) < 1 for part, item in zip(parts, exact, strict=True))


def test_every_vector_is_used_or_named() -> None:
    """What is not among the keys: the repeated key, and the owner-first example, which is the priority key."""
    assert {row["method"] for row in VECTORS} - set(RULE_OF) == {
        "repeated key among the still unmet",
        "owner first, rest to the group",
    }
    # Luxembourg regulator page: 500 Wh in a quarter hour, 200 Wh own use, 300 Wh to other members
    assert RULES["priority"](500, [200, 10_000], []) == [200, 300]


def test_checks_example_to_the_watt_hour() -> None:
    """10 kWh to loads 8/2/4: static 50/30/20 -> 5/2/2 and 1 to the grid; pro rata 5714/1429/2857 Wh (checks.md, PV)."""
    quarter = Quarter(0, 10_000_000, None, (8_000_000, 2_000_000, 4_000_000))
    shared = share_quarter(quarter, NAMES, "static", [50, 30, 20])
    assert (shared.parts, shared.to_grid) == ((5_000_000, 2_000_000, 2_000_000), 1_000_000)
    assert share_quarter(quarter, NAMES, "pro-rata", [1, 1, 1]).parts == (5_714_286, 1_428_571, 2_857_143)
    assert account([quarter], NAMES).parts == (5714, 1429, 2857)


def test_unused_static_part_goes_to_the_grid_and_pro_rata_leaves_a_residual() -> None:
    """Export counted 500 Wh: pro rata leaves what neither participants nor grid took as residual, static does not."""
    quarter = Quarter(0, 10_000_000, 500_000, (4_000_000, 2_000_000, 3_000_000))
    rata = share_quarter(quarter, NAMES, "pro-rata", [])
    assert (rata.parts, rata.to_grid, rata.residual) == ((4_000_000, 2_000_000, 3_000_000), 500_000, 500_000)
    key = share_quarter(quarter, NAMES, "static", [50, 30, 20])
    assert (key.parts, key.to_grid, key.residual) == ((4_000_000, 2_000_000, 2_000_000), 2_000_000, 0)


def test_standby_of_inverters_is_no_share() -> None:
    """A production below zero shares nothing; the account still adds up to it."""
    result = account([Quarter(0, -1_500, 0, (10_000, 0, 0)), Quarter(QUARTER, 2_700, 0, (10_000, 0, 0))], NAMES)
    assert result.parts == (2, 0, 0)
    assert result.production_mwh == 1_200
    assert (result.rest_mwh, result.standby_mwh) == (700, -1_500), "what inverters drew is not a rounding"


def test_missing_intervals_are_counted_and_in_no_sum() -> None:
    """A participant without a figure: that interval is not shared among the others; its production is reported."""
    result = account([Quarter(0, 5_000, 0, (9_000, None, 0)), Quarter(QUARTER, None, 0, (1, 1, 1))], NAMES)
    assert (result.intervals, result.missing, result.shared) == (2, 2, 0)
    assert (result.unshared_mwh, result.production_mwh) == (5_000, 5_000)


@pytest.mark.parametrize("method", METHODS)
def test_a_month_of_small_uses_loses_nothing_to_rounding(method: str) -> None:
    """2,880 quarter hours with 0.9 Wh beside a whole one: cut each time, a point was 1.3 kWh per month below its register."""
    rows = [Quarter(i * QUARTER, 100_000_000, 0, (10_900, 3_450, 600)) for i in range(2880)]
    result = account(rows, NAMES, method, [50, 30, 20])
    assert result.used == (31_392, 9_936, 1_728)
    assert result.parts == result.used
    points = account_of_points(rows, {"a": "x", "b": "x", "c": "y"}, method, {"x": 50, "y": 50})
    assert points.used == points.parts == (31_392, 9_936, 1_728)


energies = st.integers(-5_000, 40_000_000)
quarters = st.lists(
    st.tuples(energies, st.integers(0, 40_000_000), st.tuples(energies, energies, energies)), min_size=1, max_size=12
)


@given(quarters, st.sampled_from(METHODS))
def test_parts_add_up_whatever_the_figures(rows: list[tuple[int, int, tuple[int, int, int]]], method: str) -> None:
    """Parts, grid, residual and rest are the production to the milliwatt-hour; nobody gets more than it used."""
    given_ = [Quarter(i * QUARTER, made, out, used) for i, (made, out, used) in enumerate(rows)]
    result = account(given_, NAMES, method, [50, 30, 20])
    assert result.production_mwh == sum(made for made, _, _ in rows)
    assert account(given_, NAMES, method, [50, 30, 20]) == result, "a second run gives the same"
    for quarter in given_:
        shared = share_quarter(quarter, NAMES, method, [50, 30, 20])
        assert shared.parts is not None
        assert all(part <= max(0, use or 0) for part, use in zip(shared.parts, quarter.used, strict=True))
        assert shared.to_grid >= 0
        assert shared.residual >= 0


def test_order_of_participants_does_not_matter_but_for_priority() -> None:
    """Ties go by name: another order of rows gives everybody the same."""
    shared = share_quarter(Quarter(0, 100_000, 0, (90_000,) * 3), ("a", "b", "c"), "pro-rata", [])
    two = share_quarter(Quarter(0, 100_000, 0, (90_000,) * 3), ("c", "b", "a"), "pro-rata", [])
    assert shared.parts == (33_334, 33_333, 33_333)
    assert two.parts == (33_333, 33_333, 33_334)


def test_points_of_a_tenant_add_up_to_it() -> None:
    """By point, by area and by tenant the sums are the same to the watt-hour, and a tenant's part is by its own use."""
    tenant_of = {"oven": "bakery", "wall": "hall", "mixer": "bakery"}
    rows = [Quarter(i * QUARTER, 9_001_700, 0, (4_000_300, 2_000_900, 6_000_500)) for i in range(7)]
    point_account = account_of_points(rows, tenant_of, "pro-rata", {})
    by_tenant = point_account.by(tenant_of)
    assert list(by_tenant) == ["bakery", "hall"]
    assert {name: part for name, (part, _) in by_tenant.items()} == dict(
        zip(point_account.tenants.names, point_account.tenants.parts, strict=True)
    )
    assert sum(point_account.parts) == point_account.tenants.shared == 7 * 9_001_700 // 1000
    assert point_account.by({"oven": "south", "wall": "north", "mixer": "north"})["south"] == (
        point_account.parts[0],
        28_002,
    )
    assert point_account.tenants.production_mwh == 7 * 9_001_700


def test_weights_name_tenants_and_order_is_priority() -> None:
    """Static weights by tenant, one without a weight gets nothing; for priority the order of the weights counts."""
    tenant_of = {"a1": "a", "b1": "b", "c1": "c"}
    rows = [Quarter(0, 10_000_000, None, (8_000_000, 2_000_000, 4_000_000))]
    key = account_of_points(rows, tenant_of, "static", {"b": 50, "a": 50})
    assert dict(zip(key.points, key.parts, strict=True)) == {"a1": 5000, "b1": 2000, "c1": 0}
    first = account_of_points(rows, tenant_of, "priority", {"c": 1, "b": 1})
    assert dict(zip(first.points, first.parts, strict=True)) == {"a1": 4000, "b1": 2000, "c1": 4000}
    alike = account_of_points([Quarter(0, 6_000_000, None, (8_000_000, 9_000_000, 4_000_000))], tenant_of, "static", {})
    assert dict(zip(alike.points, alike.parts, strict=True)) == {"a1": 2000, "b1": 2000, "c1": 2000}, "without weights"


def test_longer_netting_shows_more_self_use() -> None:
    """PV in one quarter hour, use in the next: nothing is shared per quarter hour, everything per hour (2 intervals here)."""
    rows = [Quarter(0, 4_000, 4_000, (0, 0, 0)), Quarter(QUARTER, 0, 0, (4_000, 0, 0))]
    assert account(rows, NAMES).shared == 0
    assert account(joined(rows, QUARTER, 2), NAMES).shared == 4
    assert joined(rows[:1], QUARTER, 2) == [], "a longer interval with a part missing is not made"
    assert joined([rows[0], Quarter(QUARTER, None, 0, (1, 1, 1))], QUARTER, 2)[0].production is None


def test_jain_index() -> None:
    """1 for all alike, 1/n for one that has everything (Jain, Chiu, Hawe 1984); undefined without anything."""
    assert jain([5, 5, 5]) == 1.0
    assert jain([7, 0, 0, 0]) == 0.25
    assert jain([]) is None
    assert account([Quarter(0, 6_000, 0, (9_000, 9_000, 9_000))], NAMES).fairness == 1.0


def test_a_key_without_weight_shares_nothing() -> None:
    """All weights zero: everything goes to the grid."""
    assert static(10, [5, 5], [0, 0]) == [Fraction(0), Fraction(0)]


@given(st.integers(0, 10**9), st.lists(st.integers(0, 10**6), min_size=1, max_size=12))
def test_pro_rata_by_whole_numbers_is_pro_rata(total: int, used: list[int]) -> None:
    """The fast way gives exactly the parts of the exact one, ties included."""
    names = [f"tenant-{(i * 7) % len(used)}" for i in range(len(used))]
    for some in (total, total % (sum(used) + 1)):
        assert pro_rata_whole(some, used, names) == whole_wh(pro_rata(some, used), some, names)


@pytest.mark.parametrize("use", [0, -5])
def test_who_uses_nothing_is_booked_nothing_however_often(use: int) -> None:
    """Standby the other way and zero alike: two thousand quarter hours come to no watt-hour, for tenants and points."""
    quarters = [Quarter(i * QUARTER, 10_000, 0, (use, 4_000)) for i in range(2_000)]
    result = account(quarters, ("a", "b"))
    assert (result.used, result.parts) == ((0, 8_000), (0, 8_000))
    by_point = account_of_points(quarters, {"p1": "a", "p2": "a"}, "pro-rata", {})
    assert (by_point.used, by_point.parts) == ((0, 8_000), (0, 8_000))


def test_longer_intervals_begin_where_their_parts_do() -> None:
    """An hour of four begins with its first; one that lacks a part is none; of one each they are what they were."""
    quarters = [Quarter(i * QUARTER, 100 + i, i, (i, None if i == 5 else 2 * i)) for i in range(4, 15)]
    hours = joined(quarters, QUARTER, 4)
    assert [hour.start_ms for hour in hours] == [4 * QUARTER, 8 * QUARTER]
    assert hours[0] == Quarter(4 * QUARTER, 422, 22, (22, None))
    assert hours[1] == Quarter(8 * QUARTER, 438, 38, (38, 76))
    assert joined(quarters, QUARTER, 1) == quarters
