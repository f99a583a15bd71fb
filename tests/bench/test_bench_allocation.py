"""One allocation for a thousand consumers against a bare water-filling of the same numbers with numpy."""

import time

import numpy as np
import pytest

from meterd.core.model.plan import Consumer, Sharing, Site
from meterd.core.sharing.allocation import Draws, allocate, begin
from meterd.core.sharing.available_power import Inputs
from meterd.core.sharing.consumers import policy_of
from tests.bench.table import Line, percentile

COUNT = 1_000
AIM_MS = 5.0
T = 1_780_000_000_000


def consumers() -> tuple[Consumer, ...]:
    """Three classes of on/off, stepped and smooth loads with minimum times."""
    kinds = (
        {"min_w": 1500, "max_w": 1500, "step_w": 1500},
        {"min_w": 2000, "max_w": 6000, "step_w": 2000},
        {"max_w": 4000},
    )
    return tuple(
        Consumer(f"load-{i:04d}", priority=1 + i % 3, min_on_s=60 * (i % 5), min_off_s=60, **kinds[i % 7 % 3])
        for i in range(COUNT)
    )


def bare(total: float, demand: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> float:
    """Max-min level by sorting, nothing else: no classes, no minimum times, no reasons."""
    asked = np.sort(demand)
    left = total - np.concatenate(([0.0], np.cumsum(asked)[:-1]))
    level = left / np.arange(len(asked), 0, -1)
    k = int(np.argmax(asked >= level))
    return float(np.minimum(demand, level[k]).sum())


@pytest.mark.bench
def test_bench_allocation_of_a_thousand_consumers(full: bool, report: list[Line]) -> None:
    """Median and 99th percentile of one decision while the surplus moves, in time of the thread: below 5 ms."""
    site = Site("mill", "UTC", consumers=consumers(), sharing=Sharing(mode="on"))
    policy = policy_of(site)
    state, rng = begin(policy), np.random.default_rng(5)
    pv = 900_000 + np.cumsum(rng.normal(0, 20_000, 2_000 if full else 60)).astype(np.int64)
    measured = np.ones(COUNT, dtype=np.bool_)
    times, bares = [], []
    for i, power in enumerate(pv.tolist()):
        draw = state.states.given[2]
        inputs = Inputs(T + i * 10_000, power - int(draw.sum()), power)
        begun = time.thread_time()
        state, decisions = allocate(state, inputs, Draws(draw, measured), policy, T + i * 10_000)
        times.append((time.thread_time() - begun) * 1000)
        assert decisions.total_w <= max(power, 0) + int(policy.min_w.sum())
        demand = policy.max_w.astype(np.float64)
        begun = time.thread_time()
        bare(float(power), demand)
        bares.append((time.thread_time() - begun) * 1000)
    median, bare_median = percentile(times, 0.5), percentile(bares, 0.5)
    late = percentile(times, 0.99)
    report += [
        Line(
            "allocation",
            "median",
            f"{median:.2f} ms",
            f"{bare_median:.3f} ms",
            median / bare_median,
            f"< {AIM_MS:g} ms",
        ),
        Line("allocation", "99 %", f"{late:.2f} ms", aim=f"< {AIM_MS:g} ms"),
    ]
    if full:
        assert median < AIM_MS
