"""The watch learns a site, finds a step or a ramp, names it or lists what fits, and is silent where nothing changed."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from meterd.drift import WatchState, accept, begin, clear, watch
from meterd.drift_day import DayStatistics, daily_statistics
from meterd.drift_name import Suspicion
from meterd.drift_state import from_bytes, replay, to_bytes
from meterd.network import network
from meterd.site import Board, Point, Role, Site
from tests.simulator.drift_sites import Simulated, grid
from tests.simulator.drift_study import LOUD, creeping

WARM = 80


@pytest.fixture(scope="module")
def site() -> Simulated:
    return grid(11, 140)


@pytest.fixture(scope="module")
def days(site: Simulated) -> list[DayStatistics]:
    return [daily_statistics(site.net, site.day(d)) for d in range(site.days)]


@pytest.fixture(scope="module")
def warm(site: Simulated, days: list[DayStatistics]) -> WatchState:
    return replay(site.net, days[:WARM])[0]


def run(
    site: Simulated, state: WatchState, factors: dict[str, float], until: int = 140
) -> Iterator[tuple[int, WatchState, tuple[Suspicion, ...]]]:
    for d in range(WARM, until):
        state, found = watch(state, daily_statistics(site.net, site.day(d, factors)))
        yield d - WARM + 1, state, found


def test_nothing_is_said_on_a_quiet_site(site: Simulated, warm: WatchState) -> None:
    assert not any(found for _, _, found in run(site, warm, {}))
    assert warm.threshold.days > 0  # the site's own
    assert 0 < warm.threshold.false_alarms_per_year <= 0.1


@pytest.mark.parametrize(("point", "factor"), [("main", 1.01), ("feeder1", 0.98), ("feeder6", 1.02)])
def test_a_step_is_found_named_sized_and_dated(site: Simulated, warm: WatchState, point: str, factor: float) -> None:
    named = next((day, found[0]) for day, _, found in run(site, warm, {point: factor}) if found and found[0].named)
    assert named[0] <= 14
    said = named[1]
    assert said.named == f"ratio {point}"
    best = said.candidates[0]
    assert abs(best.step - (factor - 1)) < 4 * best.step_error + 0.002
    changed = int(site.start_ms[WARM * 96])
    assert abs(said.change_ms - changed) <= 2 * 86_400_000
    assert "than before" in said.text
    assert "common to all instruments" in said.text
    assert "qualified people" in said.remedy


def test_a_step_of_the_feed_says_what_else_it_would_be(site: Simulated, warm: WatchState) -> None:
    found = next(found[0] for _, _, found in run(site, warm, {"main": 1.01}) if found)
    assert found.if_feed_right.startswith("if the feed is right: ")


def test_an_instrument_and_a_changed_load_are_told_from_a_common_factor(site: Simulated, warm: WatchState) -> None:
    """A common factor on all meters leaves every balance closed: nothing may be said, for nothing can be seen."""
    everything = dict.fromkeys(site.net.points, 1.03)
    assert not any(found for _, _, found in run(site, warm, everything, WARM + 25))


def test_a_new_standing_load_is_listed_with_losses_and_no_instrument_is_named(
    site: Simulated, warm: WatchState
) -> None:
    state, found = warm, ()
    for d in range(WARM, WARM + 12):
        table = site.day(d, extra={"main": np.full(96, 3.0 * 0.25e6)})
        state, found = watch(state, daily_statistics(site.net, table))
    assert found
    kinds = [c.kind for c in found[0].candidates]
    assert {"standing", "loss"} <= set(kinds)
    assert found[0].named is None
    assert found[0].candidates[0].kind == "standing"
    assert found[0].candidates[0].step == pytest.approx(3.0, rel=0.25)


def test_a_twin_pair_is_always_listed_together() -> None:
    """Two feeders with one shape: whichever is wrong, both are listed and neither is named."""
    twins = grid(12, 110, twin=True)
    state = replay(twins.net, [daily_statistics(twins.net, twins.day(d)) for d in range(WARM)])[0]
    for d in range(WARM, 110):
        state, found = watch(state, daily_statistics(twins.net, twins.day(d, {"feeder1": 1.03})))
        if found:
            assert {"ratio feeder1", "ratio feeder2"} <= {c.hypothesis for c in found[0].candidates}
            assert found[0].named is None
    assert found


def test_slow_ramps_are_found_by_the_frozen_copy() -> None:
    """The feed creeps 3 % in 200 days, up or down, on two sites: each day too little for the learner, which follows.

    It must not be taken for scatter either: seed 16 was never found while both copies reckoned with one scatter.
    """
    found = [creeping(seed, end) for seed, end in ((15, 0.03), (16, -0.03))]
    assert all(o.found is not None and 0 < o.found <= 220 for o in found)
    assert all(o.listed for o in found)
    assert all(o.right for o in found if o.named is not None)


def test_a_creeping_feed_is_not_put_down_to_a_feeder_alone() -> None:
    """Under losses that wander twice as much feeder 5 was named on this seed before the evidence was there."""
    found = creeping(2411, -0.03, size=LOUD)
    assert found.listed
    assert found.right or found.named is None


def test_one_odd_day_is_no_drift(site: Simulated, days: list[DayStatistics], warm: WatchState) -> None:
    odd = daily_statistics(site.net, site.day(WARM, {"feeder1": 1.2}))
    state, found = watch(warm, odd)
    assert not found
    for day in days[WARM + 1 : WARM + 10]:
        state, found = watch(state, day)
        assert not found


def test_clear_goes_on_with_the_old_baseline_and_accept_learns_anew(site: Simulated, warm: WatchState) -> None:
    alarmed = next(state for _, state, found in run(site, warm, {"feeder1": 0.97}) if found)
    assert alarmed.alarm is not None
    cleared = clear(alarmed)
    assert cleared.alarm is None
    for d in range(120, 135):
        cleared, found = watch(cleared, daily_statistics(site.net, site.day(d)))
        assert not found
    anew = accept(alarmed)
    assert (anew.seen, anew.learner) == (0, None)
    assert clear(anew) is anew
    assert accept(anew) is anew


def test_a_restart_at_any_day_goes_on_to_the_last_bit(site: Simulated, days: list[DayStatistics]) -> None:
    whole, _ = replay(site.net, days[:100])
    for cut in (3, 30, 85):
        first, _ = replay(site.net, days[:cut])
        state = from_bytes(site.net, to_bytes(first))
        for day in days[cut:100]:
            state, _ = watch(state, DayStatistics.from_bytes(day.to_bytes()))
        assert to_bytes(state) == to_bytes(whole)


def test_a_restart_in_an_alarm_keeps_it(site: Simulated, warm: WatchState) -> None:
    alarmed = next(state for _, state, found in run(site, warm, {"feeder1": 0.97}) if found)
    again = from_bytes(site.net, to_bytes(alarmed))
    day = daily_statistics(site.net, site.day(110, {"feeder1": 0.97}))
    assert watch(again, day)[1] == watch(alarmed, day)[1]


def test_states_of_another_network_or_cut_short_are_refused(site: Simulated, warm: WatchState) -> None:
    other = replace(site.net, site="elsewhere")
    with pytest.raises(ValueError, match="another format or network"):
        from_bytes(other, to_bytes(warm))
    with pytest.raises(ValueError, match="cut short"):
        from_bytes(site.net, to_bytes(warm)[:-1])
    with pytest.raises(ValueError, match="belongs to another network"):
        watch(begin(other), daily_statistics(site.net, site.day(1)))


def test_a_day_without_figures_changes_nothing(site: Simulated, warm: WatchState) -> None:
    table = site.day(90)
    table.present[:] = False
    assert watch(warm, daily_statistics(site.net, table)) == (warm, ())


def test_a_plan_without_a_balance_is_refused_in_words() -> None:
    lonely = network(Site("s", "UTC", boards=(Board("b"),), points=(Point("t", "b", Role.FEED),)), 0)
    with pytest.raises(ValueError, match="nothing to watch"):
        begin(lonely)


def test_a_suspicion_is_plain_data(site: Simulated, warm: WatchState) -> None:
    import json

    found = next(found[0] for _, _, found in run(site, warm, {"feeder1": 0.9}) if found)
    again = json.loads(json.dumps(found.as_dict(), allow_nan=False))
    assert again["candidates"][0]["hypothesis"] == "ratio feeder1"
