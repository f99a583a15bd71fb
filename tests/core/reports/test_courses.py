"""Courses of a report: means and sums of the intervals, the largest feeders first, missing where an interval is."""

from dataclasses import replace

import numpy as np

from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import Period
from meterd.core.model.plan import Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.reports.courses import feeder_course, load_course, load_hours
from meterd.core.reports.figures import Intervals
from tests.example_plans import example

SMALL = example("small.toml")
HOUR, DAY = 3_600_000, 86_400_000
BEGIN = 1_772_319_600_000  # 1 March 2026 in Vienna
BOARD = SMALL.boards[0].name


def site_of(*points: Point) -> Site:
    """A site of half hours in Vienna."""
    return replace(SMALL, zone="Europe/Vienna", interval_s=1800, points=points)


def intervals(days: int, **energies: object) -> Intervals:
    """Half hours of registers, `name` for import and `name_out` for export; None in a list is missing."""
    starts = np.arange(BEGIN, BEGIN + days * DAY, HOUR // 2, dtype=np.int64)
    channels = tuple((n.removesuffix("_out"), EXPORT if n.endswith("_out") else IMPORT) for n in energies)
    table = np.array([np.broadcast_to(np.array(v, dtype=np.float64), len(starts)) for v in energies.values()]).T
    present = ~np.isnan(table)
    columns = Columns(np.nan_to_num(table).astype(np.int64), present, np.zeros(table.shape, np.uint8))
    return Intervals(starts, channels, columns, np.ones(table.shape, np.int64))


T1, ROOF = Point("t1", BOARD, Role.FEED), Point("roof", BOARD, Role.PV)
A, B, C = (Point(name, BOARD, Role.FEEDER) for name in ("a", "b", "c"))


def test_load_is_what_comes_in_less_what_goes_out_hour_by_hour() -> None:
    """From the grid 3, back 1, PV 4 kWh in each half hour: 12 kW, of which PV 8 kW."""
    rows = intervals(1, t1=3e6, t1_out=1e6, roof=4e6)
    course = load_course(rows, site_of(T1, ROOF), Period.MONTH, (BEGIN, BEGIN + DAY))
    assert course is not None
    assert len(course.edges) == 25
    assert set(course.load) == {12_000.0}
    assert set(course.production) == {8_000.0}


def test_a_missing_half_hour_makes_its_hour_missing_and_a_year_has_days() -> None:
    """Half an hour of the second day: the hour in a month, the day in a year."""
    energy = np.full(96, 2e6)
    energy[50] = np.nan
    rows, span = intervals(2, t1=energy), (BEGIN, BEGIN + 2 * DAY)
    hours = load_course(rows, site_of(T1), Period.MONTH, span)
    days = load_course(rows, site_of(T1), Period.YEAR, span)
    assert hours is not None
    assert days is not None
    assert [i for i, v in enumerate(hours.load) if v is None] == [25]
    assert (days.load, hours.production) == ((4_000.0, None), ())


def test_feeders_are_in_order_of_energy_and_the_small_ones_are_one_sum() -> None:
    """Nothing is lost: the rows add up to all feeders; a feeder of another board is none of them."""
    supply = Point("supply", BOARD, Role.FEEDER)
    site = site_of(T1, A, B, C, supply)
    site = replace(site, boards=(*site.boards, replace(site.boards[0], name="lower", fed_by="supply")))
    rows = intervals(2, t1=9e6, a=1e6, b=3e6, b_out=1e5, c=2e6, supply=5e6)
    edges = [BEGIN, BEGIN + DAY]
    course = feeder_course(rows, site, edges, BEGIN + 2 * DAY, most=2)
    assert course is not None
    assert ([p.name for p in course.points], course.others) == (["b"], 2)
    assert course.values == ((48 * 2_900_000,) * 2, (48 * 3_000_000,) * 2)
    whole = feeder_course(rows, site, edges, BEGIN + 2 * DAY)
    assert whole is not None
    assert ([p.name for p in whole.points], whole.others) == (["b", "c", "a"], 0)


def test_one_missing_feeder_makes_the_sum_of_the_others_missing() -> None:
    """Never a smaller one."""
    energy = np.full(96, 1e6)
    energy[3] = np.nan
    course = feeder_course(
        intervals(2, a=energy, b=3e6, c=2e6), site_of(A, B, C), [BEGIN, BEGIN + DAY], BEGIN + 2 * DAY, most=2
    )
    assert course is not None
    assert course.values[-1] == (None, 48 * 3_000_000)


def test_without_feeds_or_feeders_there_is_no_chart() -> None:
    """Nothing to draw."""
    rows = intervals(1, a=1e6)
    assert load_course(rows, site_of(A), Period.MONTH, (BEGIN, BEGIN + DAY)) is None
    assert feeder_course(rows, site_of(T1), [BEGIN], BEGIN + DAY) is None
    assert feeder_course(rows, site_of(A), [], BEGIN) is None


def test_an_hour_that_is_not_over_has_the_mean_of_what_is_over() -> None:
    """Found in the report of a month that was not over: its last half hour at 6 kW was drawn as an hour at 3 kW."""
    hours = load_hours(intervals(1, t1=3e6), site_of(T1), (BEGIN, BEGIN + 2 * HOUR + HOUR // 2))
    assert hours is not None
    assert hours.watt[:3, 0].tolist() == [6_000.0, 6_000.0, 6_000.0]
