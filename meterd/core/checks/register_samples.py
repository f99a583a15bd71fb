"""The registers of the last day as they were read, one reading for each quarter hour: what units are judged by while live.

The readings themselves, not the lines made of them: a register that is read a thousand times too large never makes a line.
"""

from collections import deque
from collections.abc import Iterable, Mapping

import numpy as np

from meterd.core.checks.register_scale import Fall, Floats, rises
from meterd.core.model.periods import DAY_MS, HOUR_MS
from meterd.core.model.reading import REGISTERS, Reading
from meterd.core.model.results import Channel

SLOT_MS = 900_000
SAMPLES = DAY_MS // SLOT_MS + 1
FALLS = 4  # quarter hours in which a register falls and none in which it rises: a reset or a rollover is one


class RegisterSamples:
    """Keeps the first reading of each quarter hour, in the order in which they come."""

    def __init__(self, channels: Iterable[Channel]) -> None:
        self._samples: dict[Channel, deque[tuple[int, int]]] = {
            channel: deque(maxlen=SAMPLES) for channel in channels if REGISTERS[channel[1]].cumulative
        }
        self._until_ms: dict[Channel, int] = {}  # end of the quarter hour that has one

    def take(self, readings: Iterable[Reading]) -> None:
        """Note readings; what is late or of a quarter hour that has one is passed over."""
        until = self._until_ms
        for point, register, at_ms, value, *_ in readings:
            channel = (point, register)
            if at_ms >= until.get(channel, 0) and channel in self._samples:
                until[channel] = (at_ms // SLOT_MS + 1) * SLOT_MS
                self._samples[channel].append((at_ms, int(value)))

    def energies(self, factors: Mapping[Channel, float]) -> tuple[dict[Channel, Floats], int]:
        """Energies in mWh of the last 24 whole hours by the newest reading, and the length of a stretch in ms.

        `factors` are mWh for each milli-unit as shown. Empty before there is a reading.
        """
        newest = max((samples[-1][0] for samples in self._samples.values() if samples), default=0)
        grid = newest // HOUR_MS * HOUR_MS - np.arange(24, -1, -1, dtype=np.int64) * HOUR_MS
        energies = {}
        for channel, samples in self._samples.items():
            if len(samples) > 1 and channel in factors:
                times, raws = np.array(samples, dtype=np.int64).T
                energies[channel] = rises(times, raws, grid, factors[channel])
        return energies, HOUR_MS

    def falls(self, factors: Mapping[Channel, float]) -> dict[Channel, Fall]:
        """Registers that count backwards, by the readings since the last rise; `factors` as for `energies`."""
        results = {}
        for channel, samples in self._samples.items():
            raws = np.array([raw for _, raw in samples], dtype=np.int64)
            steps = np.diff(raws)
            first = int(np.flatnonzero(steps > 0)[-1]) + 1 if (steps > 0).any() else 0
            count = int((steps[first:] < 0).sum())
            if count >= FALLS and channel in factors:
                results[channel] = Fall(count, round(float(raws[first] - raws[-1]) * factors[channel]))
        return results
