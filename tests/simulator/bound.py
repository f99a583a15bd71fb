"""What the best policy could reach behind a delay if it knew the law of the clouds, but not the clouds to come.

The simulated sky has two states that it leaves by chance, five minutes on average each, and light is the mean of three
samples of it (`loop.cloudy_day`). A power decided at sample t acts at t + 1 + d. Whatever a policy does, it knows the sky
until t; if a kWh of import counts `price` times a kWh of PV that is not used, no policy can expect less loss than the
one that takes the quantile 1 / (1 + price) of the light to be expected (newsvendor rule). The only thing that it has in
common with a real policy is that loads are whole and that one starts only with its power to spare: no ramp, no meters.
"""

import itertools

import numpy as np

from tests.simulator.loop import CLOUD, HOURS, LOAD_W, MEAN, SAMPLE_S, Ints, clear_day, cloudy_day, sky

LEAVES = 1.0 - float(np.exp(-1.0 / MEAN))  # chance of either state to end within a sample


def expected_light(covered: bool, delay: int, price: float) -> float:
    """The quantile of the light at t + 1 + d, given whether a cloud covers the sun at t."""
    step = np.array([[1 - LEAVES, LEAVES], [LEAVES, 1 - LEAVES]])
    known = np.eye(2)[int(covered)]
    chances: dict[float, float] = {}
    first = known @ np.linalg.matrix_power(step, delay - 1)  # at t + d - 1, the oldest of the three that are averaged
    for a, b, c in itertools.product((0, 1), repeat=3):
        light = 1.0 - (1.0 - CLOUD) * (a + b + c) / 3
        chances[light] = chances.get(light, 0.0) + float(first[a] * step[a, b] * step[b, c])
    sums, total = sorted(chances.items()), 0.0
    for light, chance in sums:
        total += chance
        if total >= 1.0 / (1.0 + price):
            return light
    return sums[-1][0]


def best(count: int, delay: int, *, seed: int = 7, price: float = 1.0, hours: int = HOURS) -> tuple[float, float]:
    """Part of the usable PV that is used, and import in kWh, of that policy on one day; `delay` from 1."""
    pv, clear, covered = cloudy_day(seed, hours), clear_day(hours), sky(seed, hours) < 1.0
    level = np.array([expected_light(False, delay, price), expected_light(True, delay, price)])
    fits = np.zeros(len(pv), dtype=np.int64)
    fits[delay + 1 :] = clear[delay + 1 :] * level[covered[: -delay - 1].astype(int)] // LOAD_W
    power = LOAD_W * _with_one_to_spare(np.minimum(fits, count + 1), count)
    used = float(np.minimum(power, pv).sum() / np.minimum(pv, count * LOAD_W).sum())
    return used, float(np.maximum(0, power - pv).sum()) * SAMPLE_S / 3.6e6


def _with_one_to_spare(fits: Ints, count: int) -> Ints:
    """How many of the loads run: off at once when they no longer fit, on only while one more would fit."""
    runs, result = 0, np.zeros_like(fits)
    for t, most in enumerate(fits.tolist()):
        runs = min(count, max(min(runs, most), most - 1))
        result[t] = runs
    return result
