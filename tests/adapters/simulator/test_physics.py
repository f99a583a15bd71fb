"""The simulated truth closes exactly, whatever the plan, the weather or the happenings."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from meterd.adapters.simulator.load_profiles import moments
from meterd.adapters.simulator.physics import (
    Happening,
    Mill,
    Truth,
    build,
    consumption,
    frequency,
    load_of,
    phases,
    truth,
    voltages,
)
from meterd.core.model.periods import to_ms
from meterd.core.model.plan import Board, Consumer, Point, PointState, Role, Site
from tests.adapters.simulator.sites import DAY, HOUR, JUNE, MINUTE, POINTS, harrow_mill, mill

AT_MS = JUNE + 10_000 * np.arange(2000, dtype=np.int64)


def below_rows(result: Mill, name: str) -> list[int]:
    return [result.row[p.name] for p in result.site.points if p.below == name]


def residuals(result: Mill, true: Truth) -> list[np.ndarray]:
    """Feed side minus outgoing side minus losses minus unmetered loads of each board, mW."""
    site, gaps = result.site, []
    for number, board in enumerate(site.boards):
        gap = -true.board_loss[number] - true.unmetered[number]
        for point in site.on_board(board.name):
            gap = gap + (-1 if point.role is Role.FEEDER else 1) * true.power[result.row[point.name]]
        gaps.append(gap)
    return gaps


@pytest.mark.parametrize("plan", [mill, harrow_mill], ids=["small", "harrow-mill"])
def test_every_board_closes_to_the_milliwatt_at_every_moment(plan):
    result = build(plan(), 5)
    true = truth(result, AT_MS)
    for gap in residuals(result, true):
        assert not gap.any()
    assert (true.board_loss > 0).all()
    assert true.board_loss.max() < 0.002 * np.abs(true.power).max()


@pytest.mark.parametrize("plan", [mill, harrow_mill], ids=["small", "harrow-mill"])
def test_a_riser_is_the_sum_of_what_hangs_below_it_and_its_cable(plan):
    result = build(plan(), 5)
    true = truth(result, AT_MS)
    for point in result.site.points:
        below = [p for p in result.site.points if p.below == point.name]
        if below:
            total = sum((-1 if p.role is Role.PV else 1) * true.power[result.row[p.name]] for p in below)
            row = result.row[point.name]
            assert np.array_equal(true.power[row], total + true.cable_loss[row])
            through = np.abs(true.power[below_rows(result, point.name)]).sum(axis=0)
            assert (true.cable_loss[row] <= 0.008 * through).all()


def test_truth_is_a_function_of_time_alone():
    result = build(harrow_mill(), 5)
    whole = truth(result, AT_MS[:200])
    parts = [truth(result, AT_MS[i : i + 1]) for i in range(200)]
    assert np.array_equal(whole.power, np.hstack([part.power for part in parts]))
    assert np.array_equal(whole.reactive, np.hstack([part.reactive for part in parts]))


def test_same_seed_same_site_and_another_seed_another():
    item, same, other = (truth(build(mill(), seed), AT_MS).power for seed in (1, 1, 2))
    assert np.array_equal(item, same)
    assert not np.array_equal(item, other)


def test_a_point_keeps_its_load_when_the_plan_grows():
    grown = mill(points=(*POINTS, Point("new", "north", Role.FEEDER, rating_a=63.0)))
    before, after = build(mill(), 1), build(grown, 1)
    row = before.row["workshops"]
    assert np.array_equal(truth(before, AT_MS).power[row], truth(after, AT_MS).power[row])


def test_two_transformers_share_nearly_alike():
    true = truth(build(mill(), 5), AT_MS)
    share = true.power[0] / (true.power[0] + true.power[1])
    assert abs(share - share[0]).max() < 1e-5
    assert abs(share[0] - 0.5) < 0.02


def test_yield_of_a_clear_june_day_is_five_to_seven_kwh_per_kwp():
    """Common practice for 48 degrees north."""
    start = to_ms(datetime(2026, 5, 31, 22, tzinfo=UTC))
    days = start + MINUTE * np.arange(30 * 1440, dtype=np.int64)
    result = build(mill(), 1)
    energy = truth(result, days).power[result.row["pv-roof"]].reshape(30, 1440).sum(axis=1) / 60 / 1000
    per_peak = energy / result.pv_peak_w[0]
    assert 5.0 < np.sort(per_peak)[-3] < 7.0 + 0.3
    assert per_peak.min() < 3.0


def test_winter_yields_a_fraction_of_summer():
    result = build(mill(), 1)
    row = result.row["pv-roof"]
    sums = []
    for month in (6, 12):
        starts = [to_ms(datetime(year, month, 1, tzinfo=UTC)) for year in range(2020, 2028)]
        hours = np.concatenate([start + HOUR * np.arange(30 * 24, dtype=np.int64) for start in starts])
        sums.append(truth(result, hours).power[row].sum())
    assert 3.5 < sums[0] / sums[1] < 9


def test_photovoltaics_draw_a_little_at_night_and_never_pass_their_peak():
    result = build(mill(), 1)
    true = truth(result, JUNE + 10_000 * np.arange(8640, dtype=np.int64))
    power = true.power[result.pv]
    assert (power.min(axis=1) < 0).all()
    assert (power.min(axis=1) > -0.001 * 1000 * result.pv_peak_w).all()
    assert (power.max(axis=1) <= 1000 * result.pv_peak_w).all()


@pytest.mark.parametrize("seed", [1, 2])
def test_day_energies_of_harrow_mill_are_plausible(seed):
    """Invented site: base load at night, below the contracted power, bakery before dawn, climbers in the evening."""
    result = build(harrow_mill(), seed)
    start = to_ms(datetime(2026, 6, 8, 22, tzinfo=UTC))  # a Tuesday, local midnight
    true = truth(result, start + MINUTE * np.arange(1440, dtype=np.int64))
    load = true.power[[result.row["t1"], result.row["t2"]]].sum(axis=0) + true.power[result.pv].sum(axis=0)
    assert 1000 < load.sum() / 60 / 1e6 < 5000
    assert load.min() > 10e6
    assert load.max() < 500e6
    hours = true.power.reshape(len(true.power), 24, 60).mean(axis=2)
    assert hours[result.row["bakery-ovens"], 2:7].mean() > 3 * hours[result.row["bakery-ovens"], 17:22].mean()
    assert hours[result.row["climbing-hall"], 18:22].mean() > 3 * hours[result.row["climbing-hall"], 2:8].mean()
    for point in result.site.points:
        if point.rating_a:
            assert np.abs(true.power[result.row[point.name]]).max() <= result.full_mw[result.row[point.name]]


def test_points_that_are_not_live_draw_nothing():
    true = truth(build(harrow_mill(), 1), AT_MS)
    names = [p.name for p in harrow_mill().points if not p.counts]
    assert names
    for name in names:
        assert not true.power[[p.name for p in harrow_mill().points].index(name)].any()


def test_outage_leaves_essential_loads_on_the_backup_supply():
    result = build(mill(), 5)
    true = truth(result, AT_MS, happenings=(Happening("outage", "mill", int(AT_MS[500]), int(AT_MS[900])),))
    during, row = slice(500, 900), result.row
    for name in ("t1", "t2", "pv-roof", "pv-studio", "bakery-ovens", "studio-1"):
        assert not true.power[row[name], during].any(), name
    assert (true.power[row["genset"], during] > 0).all()
    assert (true.power[row["cold-store"], during] > 0).all()
    assert not true.power[row["genset"], :500].any()
    assert not true.power[row["genset"], 900:].any()
    assert not residuals(result, true)[0].any()


def test_outage_without_backup_supply_is_dark():
    site = mill(points=tuple(p for p in POINTS if p.role is not Role.BACKUP))
    result = build(site, 5)
    true = truth(result, AT_MS[:10], happenings=(Happening("outage", "mill", int(AT_MS[0]), int(AT_MS[5])),))
    assert not true.power[:, :5].any()
    assert true.power[result.row["t1"], 5:].all()


def test_unmetered_load_raises_the_feed_and_nothing_else():
    result = build(mill(), 5)
    plain = truth(result, AT_MS)
    loaded = truth(result, AT_MS, happenings=(Happening("load", "north", int(AT_MS[100]), int(AT_MS[-1]) + 1, 7000.0),))
    more = (loaded.power - plain.power)[:, 200]
    feeds = more[result.row["t1"]] + more[result.row["t2"]]
    assert feeds == 7_000_000
    assert np.count_nonzero(more) == 2
    assert not residuals(result, loaded)[0].any()


def test_load_at_a_point_that_is_not_live_is_seen_there_and_at_the_feed():
    result = build(mill(), 5)
    event = Happening("load", "print-shop", int(AT_MS[0]), int(AT_MS[-1]) + 1, 7000.0)
    true = truth(result, AT_MS, happenings=(event,))
    assert (true.power[result.row["print-shop"]] == 7_000_000).all()
    assert not residuals(result, true)[0].any()


def test_cloud_covers_one_roof():
    result = build(mill(), 5)
    noon = JUNE + 4 * HOUR + 10_000 * np.arange(100, dtype=np.int64)
    plain = truth(result, noon).power
    shaded = truth(result, noon, happenings=(Happening("cloud", "pv-roof", int(noon[0]), int(noon[50]), 0.05),)).power
    row = result.row["pv-roof"]
    assert (shaded[row, :50] < 0.1 * 1000 * result.pv_peak_w[0]).all()
    assert np.array_equal(shaded[row, 50:], plain[row, 50:])
    assert np.array_equal(shaded[result.row["pv-studio"]], plain[result.row["pv-studio"]])


@pytest.mark.parametrize(("given", "drawn_mw"), [(0.0, 0), (800.0, 800_000), (9e9, 1_500_000), (-5.0, 0)])
def test_a_consumer_follows_what_it_is_given_within_its_size(given, drawn_mw):
    result = build(mill(), 5)
    now = moments(JUNE + MINUTE * np.arange(1440, dtype=np.int64), result.zone, result.sky)
    assert (consumption(result, now, {"heater-1": given}) == drawn_mw).all()
    own = consumption(result, now, {})
    assert set(np.unique(own).tolist()) == {0, 1_500_000}


def test_phases_add_up_to_the_power():
    result = build(mill(), 5)
    true = truth(result, AT_MS)
    item, two, three = phases(result, true)
    assert np.abs(item + two + three - true.power).max() <= 2 * len(POINTS) * 3
    row = result.row["workshops"]
    assert (item[row] != two[row]).any()


def test_voltage_and_frequency_stay_near_nominal():
    """EN 50160: 230 V +-10 %, 50 Hz +-1 % (from memory)."""
    result = build(mill(), 5)
    true = truth(result, AT_MS)
    volts = voltages(result, true)
    assert volts.shape == (len(POINTS), 3, len(AT_MS))
    assert 0.95 * 230.9 < volts.min() < volts.max() < 1.05 * 230.9
    assert abs(frequency(result, AT_MS) - 50).max() < 0.1


def test_reactive_power_of_the_feeds_is_that_of_the_loads():
    result = build(mill(), 5)
    true = truth(result, AT_MS)
    feeders = [result.row[p.name] for p in POINTS if p.role is Role.FEEDER]
    feeds = true.reactive[[result.row["t1"], result.row["t2"]]].sum(axis=0)
    assert np.array_equal(feeds, true.reactive[feeders].sum(axis=0))
    assert (true.reactive[result.row["cold-store"]] > 0).all()


def test_a_board_below_a_feeder_of_another_closes_too():
    points = (
        Point("t1", "main", Role.FEED, rating_a=400.0),
        Point("q1", "main", Role.FEEDER, rating_a=200.0),
        Point("q2", "main", Role.FEEDER, rating_a=63.0),
        Point("q1-in", "annex", Role.FEED, "q1", rating_a=200.0),
        Point("a1", "annex", Role.FEEDER, rating_a=63.0),
        Point("a2", "annex", Role.FEEDER, rating_a=63.0, state=PointState.PLANNED),
    )
    site = Site("s", "UTC", boards=(Board("main"), Board("annex")), points=points)
    result = build(site, 1)
    true = truth(result, AT_MS)
    row = result.row
    annex = true.power[row["a1"]] + true.board_loss[1]
    assert np.array_equal(true.power[row["q1-in"]], annex)
    assert np.array_equal(true.power[row["q1"]], annex + true.cable_loss[row["q1"]])
    assert not residuals(result, true)[0].any()


@pytest.mark.parametrize(
    ("point", "shape"),
    [
        (Point("kiln", "b", Role.FEEDER, rating_a=63.0), "mixed"),
        (Point("x1", "b", Role.SUB), "room"),
        (Point("bakery-ovens-2", "b", Role.FEEDER, rating_a=10.0), "ovens"),
    ],
)
def test_unknown_names_fall_back_to_role_and_rating(point, shape):
    site = Site("s", "UTC", boards=(Board("b"),), points=(point,))
    name, peak_w = load_of(point, site)
    assert name == shape
    assert peak_w <= 0.9 * 3**0.5 * 400 * (point.rating_a or 25.0)


def test_a_plan_of_nothing_but_a_feed_is_possible():
    site = Site("s", "UTC", boards=(Board("b"),), points=(Point("t", "b", Role.FEED),))
    assert not truth(build(site, 1), AT_MS[:5]).power.any()


def test_consumers_of_a_point_that_is_not_live_draw_nothing():
    site = replace(mill(), consumers=(Consumer("c", "print-shop", max_w=5000),))
    assert not truth(build(site, 1), JUNE + DAY + AT_MS - AT_MS[0]).power[8].any()


def test_a_meter_of_a_consumer_alone_counts_nothing_else():
    site = replace(mill(), consumers=(Consumer("boiler", "unknown-1", max_w=6000, min_w=2000, step_w=2000),))
    result = truth(build(site, 1), AT_MS, given={"boiler": 4000.0}).power
    assert set(result[12].tolist()) == {4_000_000}
    assert truth(build(mill(), 1), AT_MS, given={}).power[12].max() > 0


def test_overdraw_ignores_what_is_given_and_goes_on_through_the_feeder():
    site = replace(mill(), consumers=(Consumer("boiler", "unknown-1", max_w=6000),))
    wild = Happening("overdraw", "boiler", int(AT_MS[100]), int(AT_MS[200]), 1.5)
    tame = truth(build(site, 1), AT_MS, given={"boiler": 0.0})
    result = truth(build(site, 1), AT_MS, given={"boiler": 0.0}, happenings=(wild,))
    assert result.power[12, 100:200].tolist() == [9_000_000] * 100
    assert not result.power[12, :100].any()
    more = (result.power - tame.power)[:2, 100:200].sum(axis=0) + (result.power - tame.power)[2, 100:200]
    assert (abs(more - 9_000_000) < 100_000).all(), "the transformers carry it, with its losses"
