"""The smallest visible error: smaller with time, never below what is worth an alarm, known before anything is bought."""

from dataclasses import replace

import numpy as np
import pytest

from meterd.core.balance.topology import gain_prior, network
from meterd.core.drift.daily_statistics import daily_statistics
from meterd.core.drift.detection_limits import HORIZONS, from_history, from_plan
from meterd.core.drift.monitor_state import begin
from meterd.core.model.plan import Board, Instrument, Point, Role, Site
from tests.simulator.drift_sites import grid
from tests.simulator.drift_study import replay


def test_history_shows_smaller_errors_with_time_and_larger_ones_on_small_feeders() -> None:
    site = grid(21, 90)
    state, _ = replay(site.net, [daily_statistics(site.net, site.day(d)) for d in range(90)])
    limits = {v.point: v for v in from_history(state)}
    for visible in limits.values():
        seen = [s for s in visible.seen if s is not None]
        assert seen == sorted(seen, reverse=True)
        assert all(n >= s for n, s in zip(visible.named, visible.seen, strict=True) if n is not None and s is not None)
    week = {name: v.seen[0] for name, v in limits.items()}
    assert week["main"] < week["feeder1"] < week["feeder5"]
    assert 0.0025 <= week["main"] < 0.01
    assert "visible from" in limits["main"].text
    others = {*limits, "a load without a meter at board main-board", "losses at board main-board"}
    assert {v.rival for v in limits.values()} <= others, "in words, not by the name of a hypothesis"


def test_before_the_first_week_history_is_refused() -> None:
    with pytest.raises(ValueError, match="no baseline yet"):
        from_history(begin(grid(21, 1).net))


def budget() -> Site:
    """Main CT 0.5 with a 0.5S meter against ten class 1 feeders, everything at 20 % load."""
    points = [Point("main", "b", Role.FEED, rating_a=1000.0)]
    points += [Point(f"q{i:02d}", "b", Role.FEEDER, rating_a=100.0) for i in range(1, 11)]
    fitted = [Instrument("main", 0, meter_class="0.5S", ct_class="0.5", ct_primary_a=1000.0)]
    fitted += [Instrument(p.name, 0, meter_class="1", ct_class="1", ct_primary_a=100.0) for p in points[1:]]
    return Site(
        "budget", "UTC", boards=(Board("b", rating_kva=630.0),), points=tuple(points), instruments=tuple(fitted)
    )


def test_the_plan_alone_gives_the_budget_of_the_classes() -> None:
    """balance_error_budget.csv: 1.51 % of the feed at k = 2. A year of watching shows a tenth of that on the feed."""
    limits = {v.point: v for v in from_plan(network(budget(), 1))}
    assert limits["main"].without_baseline is not None
    assert limits["main"].without_baseline == pytest.approx(0.0151, abs=5e-5)
    year = limits["main"].seen[-1]
    assert year is not None
    assert year < 0.1 * limits["main"].without_baseline
    week, quarter = limits["q01"].seen[0], limits["main"].seen[0]
    assert week is not None
    assert quarter is not None
    assert week == pytest.approx(10 * quarter, rel=1e-6)
    assert len(limits["q01"].seen) == len(HORIZONS)


def test_a_meter_with_nothing_behind_it_shows_no_error() -> None:
    site = grid(22, 30)
    energy = site.energy.copy()
    energy[:, 1] -= energy[:, 3]
    energy[:, 3] = 0
    energy[:, 0] = energy[:, 1:].sum(axis=1)
    idle = type(site)(site.net, site.start_ms, energy)
    state, _ = replay(idle.net, [daily_statistics(idle.net, idle.day(d)) for d in range(30)])
    limits = {v.point: v for v in from_history(state)}
    assert limits["feeder3"].seen == (None, None, None)
    assert "no energy has passed" in limits["feeder3"].text
    assert np.isfinite([s for s in limits["main"].seen if s is not None]).all()


def test_instruments_on_one_set_of_transformers_err_together() -> None:
    """The band is that of the whole covariance of all instruments, of which the program makes only the parts it needs."""
    site = budget()
    fitted = tuple(replace(i, ct_set="rail") if i.point in ("q01", "q02", "q03") else i for i in site.instruments)
    net = network(replace(site, instruments=fitted), 1)
    signed = np.array([10.0 if name == "main" else -1.0 for name in net.points])
    band = 2 * np.sqrt(signed @ gain_prior(net) @ signed)
    limits = {v.point: v for v in from_plan(net)}
    assert net.sets, "three share a set"
    assert limits["main"].without_baseline == pytest.approx(band / 10, rel=1e-9)
    assert limits["q04"].without_baseline == pytest.approx(band, rel=1e-9)
    apart = {v.point: v for v in from_plan(network(site, 1))}
    assert (limits["main"].without_baseline or 0) > (apart["main"].without_baseline or 1)
