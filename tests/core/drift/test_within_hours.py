"""What is left of a day where the power of every hour is free: nothing of any load that comes at its minute, all of a ratio."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from meterd.core.balance.uncertainty import Floats
from meterd.core.drift.daily_course import Course
from meterd.core.drift.daily_statistics import NodeSums, daily_statistics
from meterd.core.drift.within_hours import less_means, quieted, within_hours
from tests.simulator.drift_block import block
from tests.simulator.drift_sites import Simulated

DAYS = range(4, 9)  # Monday to Friday
PHI = 0.4


@pytest.fixture(scope="module")
def site() -> Simulated:
    return block(51, DAYS.stop)


@pytest.fixture(scope="module")
def courses(site: Simulated) -> list[Course]:
    results = [daily_statistics(site.net, site.day(d)).course for d in DAYS]
    return [course for course in results if course is not None]


def of(site: Simulated, days: Sequence[Course]) -> NodeSums:
    """Of the last of some days."""
    return within_hours(site.net, days[-1], days[:-1], 0)


def with_more(day: Course, kwh: Floats) -> Course:
    """A day with so much more missing in each of its intervals [T]."""
    return replace(day, residuals=(day.residuals + kwh[:, None]).astype(np.float32))


def same(node_sums: NodeSums, other: NodeSums) -> None:
    scale = np.sqrt(np.outer(np.diagonal(node_sums.S0), np.diagonal(node_sums.S0))) + 1e-12
    assert np.abs((node_sums.whitened(PHI) - other.whitened(PHI)) / scale).max() < 2e-3, (
        "courses are in single precision"
    )


def test_any_power_of_the_hours_leaves_no_trace(site: Simulated, courses: list[Course]) -> None:
    rng = np.random.default_rng(1)
    loaded = [with_more(day, np.repeat(rng.uniform(0, 2, 24), 4)) for day in courses]
    same(of(site, courses), of(site, loaded))


def test_what_every_day_has_in_common_leaves_no_trace(site: Simulated, courses: list[Course]) -> None:
    """A load that comes and goes within an hour, at the same minute each day: 5 kW or 10, the sums are the same."""
    edges = np.zeros(96)
    edges[34:62] = 1.25
    node_sums, two = (of(site, [with_more(day, size * edges) for day in courses]) for size in (1.0, 2.0))
    scale = np.sqrt(np.outer(np.diagonal(node_sums.S0), np.diagonal(node_sums.S0))) + 1e-12
    assert np.abs((node_sums.whitened(PHI) - two.whitened(PHI)) / scale).max() < 0.05


def test_a_day_with_more_of_it_leaves_nothing_that_another_column_could_explain(
    site: Simulated, courses: list[Course]
) -> None:
    edges = np.zeros(96)
    edges[34:62] = 5.0
    sizes = (1.0, 0.8, 1.1, 1.0, 1.3)
    node_sums = of(site, [with_more(day, size * edges) for day, size in zip(courses, sizes, strict=True)])
    assert node_sums.S0[-1, -1] < 3 * of(site, courses).S0[-1, -1]


def test_all_days_together_say_what_a_regression_with_free_hours_and_quarter_hours_says(
    site: Simulated, courses: list[Course]
) -> None:
    """The independent route, for phi 0 and a residual of nothing: rows less the mean of their hour (but for the first, which is
    only that before the second), and less the mean of the same row of all days."""
    still = [replace(day, residuals=np.zeros_like(day.residuals)) for day in courses]
    total = np.sum([of(site, still[: n + 1]).S0 for n in range(len(still))], axis=0)
    node = site.net.nodes[0]
    rows = []
    for day in still:
        flows = day.flows[:, list(node.points)].astype(np.float64) * np.array(node.signs)
        hours = np.column_stack([flows, day.loading[:, 0]]).reshape(24, 4, -1)[:, 1:]
        rows.append(hours - hours.mean(axis=1, keepdims=True))
    table = np.stack(rows) - np.mean(rows, axis=0)
    flat = table.reshape(-1, table.shape[-1])
    some = [*range(len(node.points)), len(node.points) + 1]
    assert total[np.ix_(some, some)] == pytest.approx(flat.T @ flat, rel=1e-6, abs=1e-9)


def test_the_first_day_of_its_kind_says_nothing(site: Simulated, courses: list[Course]) -> None:
    alone = of(site, courses[:1])
    assert alone.pairs == 0
    assert not alone.S0.any()
    saturday = replace(
        courses[1], start_ms=courses[1].start_ms + 4 * 86_400_000, end_ms=courses[1].end_ms + 4 * 86_400_000
    )
    assert of(site, [*courses[:1], saturday]).pairs == 0


def test_a_load_that_switches_within_the_hour_is_noise(site: Simulated, courses: list[Course]) -> None:
    """The same ratio is said with as much less weight; a calm node keeps the weight that it has."""
    rng = np.random.default_rng(2)
    calm = of(site, courses)
    wild = of(site, [with_more(day, rng.normal(0, 1.0, 96)) for day in courses])
    sigma = float(np.sqrt(calm.S0[-1, -1] / calm.pairs))
    weight = quieted(wild, sigma).S0[1, 1] / quieted(calm, sigma).S0[1, 1]
    assert weight < 0.1
    assert np.array_equal(quieted(calm, 1e3).whitened(0.0), quieted(calm, 1e3).whitened(0.9))


def test_means_of_blocks_are_taken_off() -> None:
    assert less_means(np.array([7, 7, 9]), np.array([[1.0], [3.0], [5.0]])).ravel().tolist() == [-1.0, 1.0, 0.0]
