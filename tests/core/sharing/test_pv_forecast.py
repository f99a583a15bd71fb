"""Where PV goes while a decision is on its way: edges of clouds two meters agree on, and the slow change of a clear day."""

from dataclasses import replace

import pytest

from meterd.core.model.plan import Consumer, Sharing, Site
from meterd.core.sharing.consumers import Policy, policy_of
from meterd.core.sharing.pv_forecast import PvForecast, PvHistory, forget_step, updated_forecast

T = 1_780_000_000_000
STEP = 10_000
HIGH, LOW = 100_000, 25_000


def policy(delay: int = 2, power: int = 1500) -> Policy:
    """One load that is on or off."""
    heater = Consumer("heater", min_w=power, max_w=power, step_w=power)
    return policy_of(Site("mill", "UTC", consumers=(heater,), sharing=Sharing(mode="on", delay_samples=delay)))


def walk(*production: int, delay: int = 2, base: "tuple[int, ...] | int" = 0) -> PvForecast:
    """What is ahead after one sample each of this production; the connection shows it less the base load."""
    history, pv_forecast = PvHistory(), PvForecast()
    for i, power in enumerate(production):
        used = base if isinstance(base, int) else base[i]
        history, pv_forecast = updated_forecast(
            history, power, surplus_w=power - used, at_ms=T + i * STEP, policy=policy(delay)
        )
    return pv_forecast


def test_an_edge_goes_on_to_where_pv_was() -> None:
    """A third of the way into the sun, and into the cloud: the two thirds that are left are ahead."""
    assert walk(HIGH, LOW, LOW, 50_000) == PvForecast(25_000, 50_000)
    assert walk(HIGH, LOW, HIGH, HIGH, 75_000) == PvForecast(0, -50_000)


def test_an_edge_does_not_go_beyond_what_was_seen() -> None:
    """The second and third sample of the same edge: no more than what is left of it."""
    assert walk(HIGH, LOW, LOW, 50_000, 75_000).change_w == 25_000
    assert walk(HIGH, LOW, LOW, 50_000, 75_000, HIGH).change_w == 0
    assert walk(HIGH, HIGH, 75_000).change_w == 0, "the first cloud of a day: nobody knows how thick it is"


def test_what_was_seen_is_forgotten_after_ten_minutes() -> None:
    """The sun of 70 samples ago bounds nothing any more, that of 50 does."""
    assert walk(HIGH, *[LOW] * 70, 50_000).change_w == 0
    assert walk(HIGH, *[LOW] * 50, 50_000).change_w == 50_000


def test_without_delay_only_the_next_sample_counts() -> None:
    """A decision that acts at the next sample needs to know one sample ahead."""
    assert walk(HIGH, LOW, LOW, 50_000, delay=0).change_w == 25_000


def test_one_meter_alone_is_no_edge() -> None:
    """PV rises and the connection does not show it, or the other way round: nothing is ahead and nothing is sure to rise."""
    assert walk(HIGH, LOW, LOW, 50_000, base=(0, 0, 0, 25_000)) == PvForecast(0, 0)
    assert walk(LOW, LOW, LOW, base=(40_000, 40_000, 0)) == PvForecast(0, 0)
    assert walk(HIGH, LOW, LOW, 50_000, base=(0, 0, 0, 10_000)).rose_w == 15_000, "as much as both show"


@pytest.mark.parametrize(("delay", "ahead"), [(0, -100), (2, -300), (6, -700)])
def test_a_slow_fall_is_known_until_the_decision_acts(delay: int, ahead: int) -> None:
    """100 W a sample, as slow as the slowest of the last three: one sample and the delay ahead."""
    assert walk(60_000, 59_800, 59_700, 59_500, delay=delay).change_w == ahead


def test_a_slow_rise_is_counted_up_to_the_dead_band() -> None:
    """What is to spare when a load starts is all that may be given away too early."""
    assert walk(60_000, 60_100, 60_250, 60_400, delay=6).change_w == 700
    assert walk(60_000, 60_400, 60_900, 61_300, delay=6).change_w == 1500


def test_noise_is_neither() -> None:
    """Up and down within a fiftieth of the production: nothing is ahead."""
    assert walk(60_000, 59_400, 60_300, 59_900).change_w == 0
    assert walk(60_000, 59_400, 59_900, 59_300).change_w == 0


def test_lost_and_repeated_moments_are_no_steps() -> None:
    """After a gap, after a moment without meaning and at the same moment again no change can be determined."""
    start, _ = updated_forecast(PvHistory((HIGH, LOW), LOW, T), LOW, surplus_w=LOW, at_ms=T + STEP, policy=policy())
    _, pv_forecast = updated_forecast(start, 50_000, surplus_w=50_000, at_ms=T + 2 * STEP, policy=policy())
    assert pv_forecast.change_w == 50_000
    _, pv_forecast = updated_forecast(start, 50_000, surplus_w=50_000, at_ms=T + 3 * STEP, policy=policy())
    assert pv_forecast == PvForecast()
    _, pv_forecast = updated_forecast(forget_step(start), 50_000, surplus_w=50_000, at_ms=T + 2 * STEP, policy=policy())
    assert pv_forecast == PvForecast()
    same, pv_forecast = updated_forecast(start, 50_000, surplus_w=50_000, at_ms=T + STEP, policy=policy())
    assert (same, pv_forecast) == (start, PvForecast())


def test_smooth_loads_alone_have_an_edge_of_a_fiftieth() -> None:
    """Without any load that is on or off the dead band is nothing; noise is no edge all the same."""
    smooth = replace(policy(), jump_w=policy().jump_w * 0)
    start = PvHistory((HIGH, LOW, LOW), LOW, T)
    assert updated_forecast(start, LOW + 1_900, surplus_w=LOW + 1_900, at_ms=T + STEP, policy=smooth)[1].change_w == 0
    assert (
        updated_forecast(start, LOW + 2_100, surplus_w=LOW + 2_100, at_ms=T + STEP, policy=smooth)[1].change_w == 4_200
    )
