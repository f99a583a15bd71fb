"""For controllers that see only the surplus: how strongly each may react, and how the delay of the loop is measured."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MARGIN = 0.5  # half of the limit: a loop that has settled after a few samples, and a plant that is not quite as planned
PROOF = 0.5  # part of the variance of the response that the steps must explain before a delay is believed
LEAST_SAMPLES = 20  # fewer samples make a delay by chance


def gain_limit(delay: int) -> float:
    """Largest product of count and gain at which proportional reactions with a delay of d samples do not swing.

    x[t+1] = x[t] + N k (s - x[t-d]) is stable for 0 < N k < 2 sin(pi / (2 (2d + 1))).

    >>> [round(gain_limit(d), 3) for d in range(4)]
    [2.0, 1.0, 0.618, 0.445]

    Source: root of z^(d+1) - z^d + N k = 0 on the unit circle; checks.md, PV.
    """
    if delay < 0:
        raise ValueError(f"delay must not be negative, got {delay}")
    return 2.0 * math.sin(math.pi / (2 * (2 * delay + 1)))


def safe_gain(count: int, delay: int) -> float:
    """Part of the surplus by which one of `count` controllers may change its power per sample; without any it is 0."""
    return 0.0 if count < 1 else min(1.0, MARGIN * gain_limit(delay)) / count


def on_probability(surplus_w: float, waiting_w: float, delay: int) -> float:
    """Chance with which a waiting on/off load switches on in one sample, so that on average the surplus is used.

    `waiting_w` is the power of all loads that would switch on. The same margin as for gains keeps the delayed loop calm.

    >>> on_probability(30_000, 120_000, 0)
    0.25
    """
    if surplus_w <= 0 or waiting_w <= 0:
        return 0.0
    return min(1.0, surplus_w / waiting_w) * min(1.0, MARGIN * gain_limit(delay))


@dataclass(frozen=True, slots=True)
class Delay:
    """The delay of the loop in samples, the response in W per W of share, and the part of the variance explained."""

    samples: int
    response: float
    explained: float


def measure_delay(steps_w: Floats, response_w: Floats, longest: int = 12) -> Delay | None:
    """The delay from small test steps of the shares (T,) to the measured draw (T,), both of the same samples.

    For each delay the changes of the draw are regressed on the changes of the shares; the best explained one is it. None
    while there are too few samples, no steps, or the steps explain too little: then the configured delay stays.
    """
    change, answer = np.diff(steps_w), np.diff(response_w)
    best: Delay | None = None
    for delay in range(longest + 1):
        given, seen = change[: len(change) - delay], answer[delay:]
        power, total = float(given @ given), float(seen @ seen)
        if len(given) < LEAST_SAMPLES or power == 0.0 or total == 0.0:
            break
        cross = float(given @ seen)
        explained = cross * cross / (power * total) if cross > 0 else 0.0
        if best is None or explained > best.explained:
            best = Delay(delay, cross / power, explained)
    return best if best is not None and best.explained >= PROOF else None


def step_pattern(count: int, size_w: int, hold: int) -> tuple[int, ...]:
    """Small steps to be added to the shares, one sample each: up and down in turn, every other hold twice as long.

    The unequal lengths keep a long delay from looking like a short one of the opposite step.
    """
    results: list[int] = []
    sign, length = 1, hold
    while len(results) < count:
        results += [size_w if sign > 0 else 0] * length
        sign, length = -sign, hold if length != hold else 2 * hold
    return tuple(results[:count])
