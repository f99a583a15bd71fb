"""Energies of intervals to the register that counted them, in whole milli-units. Pure.

The register stands at zero where the first interval begins. Across a hole nobody knows what flowed: there the register
goes on from another level, so that the energy of the hole is missing and never zero.
"""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from meterd.adapters.sources.files.cells import Cells, LocalOrder, local_to_utc
from meterd.core.model.periods import DAY_MS, HOUR_MS

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MONTH_MS = 28 * DAY_MS, 31 * DAY_MS


@dataclass(frozen=True, slots=True)
class Spans:
    """Where intervals begin and end, in ms UTC, in order of time."""

    start_ms: Ints
    end_ms: Ints


def usual_step_ms(times: Ints) -> int:
    """The most frequent step between times, in ms; 0 for fewer than two. A day of 23 or 25 hours counts as a day.

    >>> usual_step_ms(np.array([0, 900_000, 1_800_000, 3_600_000]))
    900000
    """
    steps = np.diff(np.unique(times))
    if not len(steps):
        return 0
    values, counts = np.unique(steps, return_counts=True)
    usual = int(values[np.argmax(counts)])
    return DAY_MS if abs(usual - DAY_MS) == HOUR_MS else usual


def spans_of(times: Ints, step_ms: int, label: str, zone: ZoneInfo) -> Spans:
    """Both ends of intervals that are labelled by their "start" or "end". Days and months are local ones."""
    other = _moved(times, step_ms, 1 if label == "start" else -1, zone)
    return Spans(times, other) if label == "start" else Spans(other, times)


def _moved(times: Ints, step_ms: int, direction: int, zone: ZoneInfo) -> Ints:
    if step_ms < DAY_MS:
        return times + direction * step_ms
    local = _local(times, zone)
    if MONTH_MS[0] <= step_ms <= MONTH_MS[1]:
        first = local.astype("datetime64[ms]").astype("datetime64[M]")
        rest = local - first.astype("datetime64[ms]").astype(np.int64)
        moved = (first + direction).astype("datetime64[ms]").astype(np.int64) + rest
    else:
        moved = local + direction * step_ms
    good = np.ones(len(moved), dtype=bool)
    return local_to_utc(Cells(moved, good, ~good), zone, LocalOrder()).values


def _local(times: Ints, zone: ZoneInfo) -> Ints:
    """Local times as if they were UTC, by trying offsets: at a moment the offset is what leads back to it."""
    good = np.ones(len(times), dtype=bool)
    guess = times
    for _ in range(2):
        back = local_to_utc(Cells(guess, good, ~good), zone, LocalOrder()).values
        guess = guess + (times - back)
    return guess


def register_of(spans: Spans, energies: Ints, jump: int, capacity: int | None) -> tuple[Ints, Ints]:
    """Times and readings of the register that counted the intervals; they ascend and do not overlap.

    `jump` is an advance no feeder can make across the longest hole. A register with `capacity` begins again at zero.
    """
    if not len(energies):
        return spans.start_ms[:0], energies[:0]
    new = np.concatenate([[True], spans.start_ms[1:] > spans.end_ms[:-1]])
    lift = np.where(new, jump, 0)
    lift[0] = 0
    after = np.cumsum(energies + lift)
    before = (after - energies)[new]
    times = np.concatenate([spans.start_ms[new], spans.end_ms])
    readings = np.concatenate([before, after])
    order = np.argsort(times, kind="stable")
    readings = readings[order] % capacity if capacity else readings[order]
    return times[order], readings
