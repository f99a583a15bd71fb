"""Forecasts walked forward through a year of the given site and nine months of a house, and the cost of a renewal.

The full form (`-m bench`) takes some minutes. The short form walks five days, so that it is seen to run.
"""

import time

import pytest

from meterd.core.forecast.model import fit, issue
from tests.bench.table import Line, percentile
from tests.core.forecast.test_model import missed, outside
from tests.core.forecast.walk import aims, history, walked

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(2400)]
RENEWAL_MS = 50.0
SHORT_DAYS = 5


@pytest.mark.parametrize("name", ["siteA", "opsd"])
def test_bench_a_walk_through_the_given_data(name: str, full: bool, report: list[Line]) -> None:
    """No lead is worse than the best method without forecast; three of four reach the aim; the band holds what it says."""
    results = walked(name, None if full else SHORT_DAYS)
    assert len(results) >= 15
    if not full:
        return
    must, aim = missed(name, results)
    for (quantity, hours), result in results.items():
        held = aims()[name, quantity.value, hours]
        figures = f"{result.error_kw:.3f} kW, {100 * result.inside:.0f} % in the band, {result.count} intervals"
        goal = f"<= {held.must_kw:.3f}, aim {held.aim_kw:.3f}"
        report.append(Line("forecast", f"{name} {quantity.value} {hours:g} h", figures, aim=goal))
    assert must == []
    assert len(aim) <= len(results) // 4, aim
    assert outside(name, results) == []


def test_bench_a_renewal(full: bool, report: list[Line]) -> None:
    """48 hours of PV, load and surplus in quarter hours: the fit of a day, and each renewal, in processor time."""
    whole = history("siteA").until(200 * 96)
    begun = time.thread_time()
    model = fit(whole)
    fitted_s = time.thread_time() - begun
    times = []
    for count in range(20):
        begun = time.thread_time()
        assert issue(model, whole.until(200 * 96 - count)) is not None
        times.append(1000 * (time.thread_time() - begun))
    report.append(Line("forecast", "fit of a day, in a thread of its own", f"{fitted_s:.2f} s"))
    report.append(Line("forecast", "renewal, median", f"{percentile(times, 0.5):.0f} ms", aim=f"< {RENEWAL_MS:g} ms"))
    assert not full or percentile(times, 0.5) < RENEWAL_MS
