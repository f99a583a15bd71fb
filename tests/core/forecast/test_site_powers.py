"""The load of a site for its forecasts: feeds, PV and other sources, less flexible loads; what is missing stays missing."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from meterd.core.energy.rollup import Columns
from meterd.core.forecast.site_powers import forecast_inputs, history_from, step_of
from meterd.core.model.plan import Role, Site
from tests.example_plans import example

SMALL = example("small.toml")
QUARTER_MS = 900_000
SITE = Site("mill", "UTC")


def columns(*energies: Sequence[int | None]) -> Columns:
    """Energies in mWh, one list for each point."""
    known = np.array([[e is not None for e in row] for row in energies], dtype=np.bool_).T.reshape(-1, len(energies))
    values = np.array([[e or 0 for e in row] for row in energies], dtype=np.int64).T.reshape(-1, len(energies))
    return Columns(values, known, np.zeros(values.shape, np.uint8))


def test_load_is_sources_and_pv_less_flexible_loads() -> None:
    """A kilowatt hour in a quarter hour is 4 kW."""
    pv, feed, heater = [1_000_000, 0], [500_000, 2_000_000], [250_000, 250_000]
    got = history_from(0, (columns(pv), columns(feed), columns(heater)), SITE)
    assert got.pv.tolist() == [4000.0, 0.0]
    assert got.load.tolist() == [5000.0, 7000.0]


def test_missing_stays_missing() -> None:
    """Any term that lacks, and a load below zero, which no meter can have meant."""
    got = history_from(0, (columns([1, None, 0]), columns([None, 5, -9_000_000]), columns([0, 0, 0])), SITE)
    assert np.isnan(got.load).all()
    assert np.isnan(got.pv).tolist() == [False, True, False]


def test_short_intervals_are_put_together() -> None:
    """Three of five minutes are a quarter hour; one that lacks makes it missing."""
    feed = [100_000, 200_000, 300_000, 1, None, 3]
    empty = Columns(np.zeros((6, 0), np.int64), np.zeros((6, 0), np.bool_), np.zeros((6, 0), np.uint8))
    got = history_from(0, (empty, columns(feed), empty), replace(SITE, interval_s=300))
    assert got.interval_ms == QUARTER_MS
    assert got.load[0] == pytest.approx(2400.0)
    assert np.isnan(got.load[1])
    assert np.isnan(got.pv).all()


def test_the_small_plan_has_its_registers() -> None:
    """Feed and PV by role; consumers with a point of their own are flexible; without a feed there is nothing."""
    inputs = forecast_inputs(SMALL)
    assert inputs is not None
    assert set(inputs.sources.points) == {p.name for p in SMALL.points if p.role is Role.FEED}
    assert set(inputs.pv.points) == {p.name for p in SMALL.points if p.role is Role.PV}
    assert set(inputs.flexible.points) == {c.point for c in SMALL.consumers if c.point and c.alone}
    assert forecast_inputs(replace(SMALL, points=tuple(p for p in SMALL.points if p.role is not Role.FEED))) is None


@pytest.mark.parametrize(
    ("interval_s", "step_s"), [(60, 900), (300, 900), (900, 900), (1800, 1800), (3600, 3600), (420, None)]
)
def test_a_forecast_has_steps_of_a_quarter_hour_at_least(interval_s: int, step_s: int | None) -> None:
    """And none where intervals divide neither quarter hour nor day."""
    assert step_of(interval_s * 1000) == (None if step_s is None else step_s * 1000)
