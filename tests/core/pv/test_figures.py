"""PV figures per interval, and the surplus of one moment by the path whose inputs are complete."""

import ast
import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.plan import Board, Consumer, Limits, Point, PointState, Role, Site
from meterd.core.model.reading import POWER, Quality
from meterd.core.model.snapshot import Now, SurplusNow
from meterd.core.pv.figures import (
    PvFigures,
    pv_figures,
    ratio,
    site_powers,
    surplus_now,
    total,
)

VECTORS = Path(__file__).parents[2] / "vectors"


def table(name: str) -> list[dict[str, str]]:
    with (VECTORS / f"{name}.csv").open(newline="", encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


# -- figures of periods ------------------------------------------------------------------------------------------------


def figures(pv: list[int], export: list[int], grid: list[int], present: list[bool] | None = None) -> PvFigures:
    zero = np.zeros(len(pv), dtype=np.int64)
    mask = np.array([True] * len(pv) if present is None else present)
    return pv_figures(np.array(pv), np.array(export), np.array(grid), zero, mask)


@pytest.mark.parametrize("row", table("pv_kpi_vectors"), ids=lambda r: r["case"])
def test_self_consumption_and_self_sufficiency(row: dict[str, str]) -> None:
    """pv_kpi_vectors.csv: shares of production consumed and of load covered (definitions: Luthander et al. 2015)."""
    pv, load = ast.literal_eval(row["pv_kWh"]), ast.literal_eval(row["load_kWh"])
    net = [kwh * 10**6 for kwh in map(int.__sub__, load, pv)]
    pv_total = total(figures([p * 10**6 for p in pv], [max(-x, 0) for x in net], [max(x, 0) for x in net]))
    expected = [float(row[k]) for k in ("pv_total", "surplus_kWh", "self_consumed_kWh", "load_total")]
    sums = (pv_total.production_mwh, pv_total.export_mwh, pv_total.self_use_mwh, pv_total.consumption_mwh)
    assert [mwh / 1e6 for mwh in sums if mwh is not None] == expected
    for value, column in ((pv_total.self_consumption, "self_consumption_ratio(empty if no PV)"),
                          (pv_total.self_sufficiency, "self_sufficiency_ratio(empty if no load)")):  # fmt: skip
        assert value == (pytest.approx(float(row[column]), abs=1e-6) if row[column] else None)


def test_same_hour_summed_first_hides_export() -> None:
    """Netting per interval: 2 kWh export of four quarter hours are not undone by 2 kWh import in between."""
    quarters = total(figures([10**6] * 4, [10**6, 0, 10**6, 0], [0, 10**6, 0, 10**6]))
    hour = total(figures([4 * 10**6], [0], [0]))
    assert (quarters.self_use_mwh, hour.self_use_mwh) == (2 * 10**6, 4 * 10**6)
    assert (quarters.self_consumption, hour.self_consumption) == (0.5, 1.0)


def test_f2_a_missing_interval_makes_the_period_missing() -> None:
    one_gap = figures([5, 5], [1, 1], [0, 0], [True, False])
    assert total(one_gap).production_mwh is None
    assert total(one_gap).self_consumption is None
    assert total(one_gap, 0, 1).production_mwh == 5
    assert total(one_gap, 1, 1).production_mwh is None


def test_f6_ratios_without_divisor_are_undefined() -> None:
    night = total(figures([0], [0], [0]))
    assert (night.self_consumption, night.self_sufficiency) == (None, None)
    assert ratio(None, 1) is None
    assert ratio(1, None) is None


def test_export_above_production_is_marked_and_self_use_is_zero() -> None:
    """Seen in real data: registers whose clock is an hour off, or another source that exports."""
    result = figures([5, 5, -1, 5], [6, 5, 0, 9], [0] * 4, [True, True, True, False])
    assert result.export_exceeds.tolist() == [True, False, False, False]
    assert result.self_use[:3].tolist() == [0, 0, 0]


def test_other_sources_are_consumed_too() -> None:
    result = pv_figures(np.array([10]), np.array([2]), np.array([0]), np.array([5]), np.array([True]))
    assert result.consumption.tolist() == [13]


MWH = st.integers(0, 10**12)


@given(st.lists(st.tuples(MWH, MWH, MWH), min_size=1, max_size=30))
def test_parts_of_production_add_up_and_split_anywhere(rows: list[tuple[int, int, int]]) -> None:
    pv, export, grid = ([row[k] for row in rows] for k in range(3))
    whole = figures(pv, export, grid)
    assert np.array_equal(whole.self_use + np.minimum(whole.export, whole.production), whole.production)
    assert (whole.self_use >= 0).all()
    middle = len(rows) // 2
    parts = [total(whole, 0, middle), total(whole, middle)]
    if middle:
        assert sum(part.self_use_mwh or 0 for part in parts) == total(whole).self_use_mwh
    for i in range(len(rows)):
        alone = figures(pv[i : i + 1], export[i : i + 1], grid[i : i + 1])
        assert (alone.self_use[0], alone.consumption[0]) == (whole.self_use[i], whole.consumption[i])


# -- powers of now -----------------------------------------------------------------------------------------------------

NOW = 1_760_000_000_000
SITE = Site(
    "harrow-mill",
    "Europe/London",
    boards=(Board("msb1"), Board("msb2")),
    points=(
        Point("t1", "msb1", Role.FEED),
        Point("t2", "msb2", Role.FEED),
        Point("pv1", "msb1", Role.PV),
        Point("pv2", "msb2", Role.PV, below="studios"),
        Point("gen", "msb1", Role.BACKUP, rating_a=400.0),
        Point("bakery", "msb1", Role.FEEDER),
        Point("studios", "msb2", Role.FEEDER),
        Point("oven", "msb1", Role.SUB, below="bakery"),
        Point("cold-store", "msb2", Role.FEEDER, state=PointState.PLANNED),
    ),
    consumers=(Consumer("oven", "oven"), Consumer("boiler"), Consumer("defrost", "cold-store")),
)
# board 1: feed -30, PV 90 -> bakery 60 of which the oven 20; board 2: feed 5, studios 5 with 10 of PV behind them
POWERS = {"t1": -30e3, "t2": 5e3, "pv1": 90e3, "pv2": 10e3, "gen": 0.0, "bakery": 60e3, "studios": 5e3, "oven": 20e3}


def instant(
    ages_s: dict[str, float] | None = None, old: tuple[str, ...] = (), every_ms: int = 10_000, **powers: float
) -> dict:
    """Powers of a moment; each meter has sent the same before. `every_ms` = 0: nothing before, as after a start."""
    ages = {"": 2.0, **(ages_s or {})}
    values = {**POWERS, **{name.replace("_", "-"): value for name, value in powers.items()}}
    return {
        (name, POWER): sampled(value, NOW - round(1000 * ages.get(name, ages[""])), name in old, every_ms)
        for name, value in values.items()
        if ages.get(name, 0.0) < math.inf
    }


def sampled(value: float, at_ms: int, old: bool, every_ms: int) -> Now:
    samples = () if old or not every_ms else ((at_ms - every_ms, value), (at_ms, value))
    return Now(value, at_ms, old, samples, every_ms if samples else 0)


def test_surplus_is_export_plus_running_flexible_load() -> None:
    result = surplus_now(SITE, instant({"t1": 4.0}), NOW)
    assert result == SurplusNow(25e3 + 20e3, NOW - 4000, Quality.GOOD, "connection", apart_ms=2000, every_ms=10_000)


@pytest.mark.parametrize("age_s", [61, 300, 3600])
@pytest.mark.parametrize("stale", ["pv1", "pv2"])
def test_g1_a_stale_pv_meter_makes_the_surplus_invalid(stale: str, age_s: float) -> None:
    result = surplus_now(SITE, instant({stale: age_s}), NOW)
    assert (result.power_w, result.state, result.path) == (None, Quality.INVALID, "none")
    assert f"no power within 60 s from {stale}" in result.reason


def test_g1_the_last_second_of_validity() -> None:
    """All inputs 60 s old: still now; 60.001 s: no more, also of meters that were heard only once."""
    assert surplus_now(SITE, instant({"": 60.0}, every_ms=0), NOW).state is Quality.GOOD
    assert surplus_now(SITE, instant({"": 60.001}, every_ms=0), NOW).state is Quality.INVALID
    assert surplus_now(SITE, instant({"": 60.0}), NOW).state is Quality.GOOD
    assert surplus_now(SITE, instant({"": 60.001}), NOW).state is Quality.INVALID


@pytest.mark.parametrize(("every_s", "age_s"), [(50, 75.0), (60, 90.0), (100, 120.0)])
def test_a_meter_slower_than_the_plan_believes_is_believed_for_one_and_a_half_periods(
    every_s: int, age_s: float
) -> None:
    """But never longer than a controller may use the published value (120 s)."""
    assert surplus_now(SITE, instant({"": age_s}, every_ms=every_s * 1000), NOW).state is Quality.GOOD
    assert surplus_now(SITE, instant({"": age_s + 0.001}, every_ms=every_s * 1000), NOW).state is Quality.INVALID


def test_g2_a_stale_feeder_leaves_the_path_by_the_connection() -> None:
    result = surplus_now(SITE, instant({"studios": 600}), NOW)
    assert (result.power_w, result.state, result.path) == (45e3, Quality.GOOD, "connection")


@pytest.mark.parametrize("gone", [math.inf, 600.0])
def test_g2_a_stale_feed_leaves_the_sum_of_the_board(gone: float) -> None:
    """PV behind a feeder is production, but no source term of the board: 90 - 60 - 5 = 25 kW are left over."""
    result = surplus_now(SITE, instant({"t1": gone}), NOW)
    assert (result.power_w, result.state, result.path, result.reason) == (45e3, Quality.GOOD, "sum of the board", "")


def test_g2_both_paths_broken_names_the_points_of_both() -> None:
    result = surplus_now(SITE, instant({"t2": 600, "studios": 600}), NOW)
    assert result.state is Quality.INVALID
    assert result.reason == (
        "connection: no power within 60 s from t2; sum of the board: no power within 60 s from studios"
    )


def test_g3_powers_of_different_moments_are_not_combined() -> None:
    """After a start, while no period is known: what lies further apart than the plan allows is no round."""
    result = surplus_now(SITE, instant({"oven": 13.0}, every_ms=0), NOW)
    assert result.power_w is None
    assert "no power of the same moment from oven" in result.reason
    assert surplus_now(SITE, instant({"oven": 12.0}, every_ms=0), NOW).state is Quality.GOOD


def test_g3_the_window_is_the_plans() -> None:
    tight = replace(SITE, limits=Limits(same_time_s=1))
    assert surplus_now(tight, instant({"oven": 4.0}, every_ms=0), NOW).state is Quality.INVALID


def test_the_last_complete_round_stands_while_a_meter_has_not_sent_yet() -> None:
    """All have sent before; the oven has not sent again: the round before is the newest that all have reached."""
    result = surplus_now(SITE, instant({"oven": 13.0}), NOW)
    assert (result.power_w, result.state, result.at_ms) == (45e3, Quality.GOOD, NOW - 13_000)


def test_one_that_overdraws_counts_as_flexible_up_to_its_fallback() -> None:
    """As the shares have it: the rest of its 20 kW is base load."""
    assert surplus_now(SITE, instant(), NOW, {"oven": 0}).power_w == 25e3
    assert surplus_now(SITE, instant(), NOW, {"oven": 3_000}).power_w == 28e3
    assert surplus_now(SITE, instant(), NOW, {"boiler": 0}).power_w == 45e3


def test_f2_no_power_at_all_is_invalid_and_not_zero() -> None:
    result = surplus_now(SITE, {}, NOW)
    assert (result.power_w, result.state) == (None, Quality.INVALID)
    assert all(power.power_w is None and power.reason for power in site_powers(SITE, {}, NOW))


def test_g9_on_backup_supply_the_surplus_is_zero() -> None:
    """Also while the dead feeds are silent. 0.5 % of 400 A at 400 V are 1,386 W."""
    result = surplus_now(SITE, instant({"t1": math.inf, "t2": math.inf}, gen=40e3), NOW)
    assert (result.power_w, result.state, result.reason) == (0.0, Quality.GOOD, "on backup supply: gen")
    assert surplus_now(SITE, instant(gen=1300.0), NOW).path == "connection"
    assert surplus_now(SITE, instant(gen=1400.0), NOW).power_w == 0.0


def test_g9_backup_without_rating_counts_from_500_w() -> None:
    points = tuple(replace(p, rating_a=None) for p in SITE.points)
    assert surplus_now(replace(SITE, points=points), instant(gen=501.0), NOW).power_w == 0.0
    assert surplus_now(replace(SITE, points=points), instant(gen=499.0), NOW).path == "connection"


def test_g9_a_silent_backup_meter_makes_the_surplus_invalid() -> None:
    """Whether the site runs on backup supply is not known then."""
    assert surplus_now(SITE, instant({"gen": 600}), NOW).state is Quality.INVALID


def test_b6_a_retained_value_of_before_the_start_is_not_now() -> None:
    assert surplus_now(SITE, instant(old=("t1",)), NOW).path == "sum of the board"
    assert "pv1" in surplus_now(SITE, instant(old=("pv1",)), NOW).reason


def test_c3_a_power_from_the_future_is_not_now() -> None:
    assert surplus_now(SITE, instant({"pv1": -61.0}), NOW).state is Quality.INVALID


def test_a_stale_consumer_makes_it_invalid() -> None:
    assert "oven" in surplus_now(SITE, instant({"oven": 600}), NOW).reason


def test_import_while_flexible_loads_run_lowers_the_surplus() -> None:
    """A cloud: 15 kW from the grid while the oven draws 20 kW. Only 5 kW of it are PV's; adding 20 would hold it on."""
    result = surplus_now(SITE, instant(t1=10e3, t2=5e3, pv1=50e3), NOW)
    assert result.power_w == 5e3
    assert surplus_now(SITE, instant(t1=100e3), NOW).power_w == 0.0


def test_surplus_is_never_more_than_the_production() -> None:
    """Export of a battery or of another source is not PV's to give."""
    assert surplus_now(SITE, instant(t1=-200e3), NOW).power_w == 100e3


def test_fitted_points_make_the_sum_of_the_board_partial() -> None:
    points = tuple(replace(p, state=PointState.FITTED) if p.name == "cold-store" else p for p in SITE.points)
    site = replace(SITE, points=points)
    assert surplus_now(site, instant(), NOW).state is Quality.GOOD
    result = surplus_now(site, instant({"t1": 600}), NOW)
    assert (result.state, result.reason) == (Quality.PARTIAL, "fitted, not counted: cold-store")


def test_a_consumer_below_another_is_not_added_twice() -> None:
    site = replace(SITE, consumers=(Consumer("bakery", "bakery"), Consumer("oven", "oven"), Consumer("again", "oven")))
    assert surplus_now(site, instant(), NOW).power_w == 25e3 + 60e3


def test_a_consumer_that_feeds_back_runs_no_load() -> None:
    assert surplus_now(SITE, instant(oven=-5e3), NOW).power_w == 25e3


def test_sites_without_pv_feeds_or_feeders() -> None:
    without = {role: replace(SITE, points=tuple(p for p in SITE.points if p.role is not role)) for role in Role}
    assert surplus_now(without[Role.PV], instant(), NOW).reason == "no live PV point"
    assert surplus_now(without[Role.FEED], instant(), NOW).path == "sum of the board"
    draw, _, load, self_use = site_powers(without[Role.FEED], instant(), NOW)
    assert draw.reason == load.reason == self_use.reason == "no live feed point"
    _, production, load, self_use = site_powers(without[Role.PV], instant(), NOW)
    assert production.reason == self_use.reason == "no live PV point"
    assert (load.power_w, load.reason) == (None, "below zero: the meters contradict each other")
    bare = replace(without[Role.FEEDER], consumers=())
    assert "no live feeder point" in surplus_now(bare, instant({"t1": 600}), NOW).reason
    solar = replace(bare, points=tuple(p for p in bare.points if p.role is Role.PV and p.below is None))
    assert "connection: no live feed point" in surplus_now(solar, instant(), NOW).reason


def test_powers_of_the_site() -> None:
    draw, production, load, self_use = site_powers(SITE, instant(), NOW)
    assert (draw.power_w, production.power_w, load.power_w, self_use.power_w) == (-25e3, 100e3, 75e3, 75e3)
    assert draw.state is Quality.GOOD


def test_powers_of_the_site_on_backup_and_at_night() -> None:
    night = instant(t1=0.0, t2=0.0, pv1=-20.0, pv2=0.0, gen=40e3)
    draw, production, load, self_use = site_powers(SITE, night, NOW)
    assert (draw.power_w, production.power_w, load.power_w, self_use.power_w) == (0.0, -20.0, 39_980.0, 0.0)


def test_g3_site_powers_of_different_moments() -> None:
    draw, production, load, self_use = site_powers(SITE, instant({"t1": 30.0, "t2": 30.0}, every_ms=0), NOW)
    assert (draw.power_w, production.power_w) == (-25e3, 100e3)
    assert (load.power_w, self_use.power_w) == (None, None)
    assert self_use.reason == "no power of the same moment from t1, t2"


@given(st.permutations(SITE.points), st.dictionaries(st.sampled_from(sorted(POWERS)), st.floats(-1e5, 1e5)))
def test_the_order_of_the_points_does_not_matter(points: list[Point], powers: dict[str, float]) -> None:
    shuffled = replace(SITE, points=tuple(points))
    assert surplus_now(shuffled, instant(**powers), NOW) == surplus_now(SITE, instant(**powers), NOW)
    assert site_powers(shuffled, instant(**powers), NOW) == site_powers(SITE, instant(**powers), NOW)
