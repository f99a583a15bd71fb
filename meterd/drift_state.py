"""The state of the watch as bytes and back, so that a restart goes on as if nothing had happened.

A line of JSON, then little-endian float64 arrays and the recent days one after the other. Replaying the stored days gives the
same state; this only saves the time.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from meterd.drift import Alarm, Copy, WatchState, begin, watch
from meterd.drift_chart import Chart, Threshold
from meterd.drift_day import DayStatistics, NodeSums
from meterd.drift_fit import Fit, Noise
from meterd.drift_name import Suspicion
from meterd.network import Network
from meterd.uncertainty import Floats

FORMAT = 2  # 1 had one scatter for both copies
PER_COPY = 9  # arrays


def to_bytes(state: WatchState) -> bytes:
    """All of the state but the network, which comes from the plan."""
    arrays: list[Floats] = [state.noise.phi, state.noise.sigma, state.start.mean, state.start.covariance]
    arrays += [state.scores, state.allowances, state.scale, state.phi]
    for copy in (state.learner, state.frozen):
        if copy is not None:
            chart = copy.chart
            arrays += [copy.fit.mean, copy.fit.covariance, copy.last, copy.scale, copy.phi]
            arrays += [chart.high, chart.low, chart.high_days, chart.low_days]
    for sums in state.sums:
        arrays += [sums.S0, sums.C, sums.S1]
    days = [day.to_bytes() for day in state.recent]
    head = {
        "format": FORMAT,
        "fingerprint": state.network.fingerprint,
        "seen": state.seen,
        "learned": state.learned,
        "frozen_at": state.frozen_at,
        "learner": state.learner is not None,
        "frozen": state.frozen is not None,
        "pairs": [sums.pairs for sums in state.sums],
        "threshold": [state.threshold.h, state.threshold.false_alarms_per_year, state.threshold.days],
        "wanted": state.wanted,
        "alarm": None if state.alarm is None else _alarm(state.alarm),
        "shapes": [array.shape for array in arrays],
        "days": [len(day) for day in days],
    }
    parts = [np.ascontiguousarray(array, dtype="<f8").tobytes() for array in arrays]
    return b"".join([json.dumps(head, allow_nan=False).encode(), b"\n", *parts, *days])


def _alarm(alarm: Alarm) -> list[int]:
    return [int(alarm.frozen), alarm.found_ms, alarm.first_ms, alarm.part, alarm.days]


def from_bytes(network: Network, data: bytes) -> WatchState:
    """The state that `to_bytes` wrote, for the same network.

    Raises ValueError for another format, another network or a wrong length: then begin anew and replay the stored days.
    """
    line, _, rest = data.partition(b"\n")
    head = json.loads(line)
    if head.get("format") != FORMAT or head.get("fingerprint") != network.fingerprint:
        raise ValueError("this state of the watch belongs to another format or network; replay the stored days")
    sizes = [int(np.prod(shape)) for shape in head["shapes"]]
    if len(rest) != 8 * sum(sizes) + sum(head["days"]):
        raise ValueError("this state of the watch is cut short; replay the stored days")
    arrays, at = [], 0
    for shape, size in zip(head["shapes"], sizes, strict=True):
        arrays.append(np.frombuffer(rest, dtype="<f8", count=size, offset=at).reshape(shape).copy())
        at += 8 * size
    days = []
    for size in head["days"]:
        days.append(DayStatistics.from_bytes(rest[at : at + size]))
        at += size
    return _joined(network, head, arrays, tuple(days))


def _joined(
    network: Network, head: dict[str, Any], arrays: Sequence[Floats], days: tuple[DayStatistics, ...]
) -> WatchState:
    empty = begin(network)
    copies, at = [], 8
    for present in (head["learner"], head["frozen"]):
        part = arrays[at : at + PER_COPY] if present else ()
        copies.append(Copy(Fit(part[0], part[1]), Chart(*part[5:]), *part[2:5]) if part else None)
        at += len(part)
    triples = [arrays[at + 3 * k : at + 3 * k + 3] for k in range(len(head["pairs"]))]
    sums = tuple(NodeSums(S0, C, S1, pairs) for (S0, C, S1), pairs in zip(triples, head["pairs"], strict=True))
    alarm = head["alarm"]
    return WatchState(
        network=network,
        tests=empty.tests,
        sums=sums,
        seen=head["seen"],
        learned=head["learned"],
        recent=days,
        noise=Noise(arrays[0], arrays[1]),
        start=Fit(arrays[2], arrays[3]),
        classes=empty.classes,
        parts=empty.parts,
        learner=copies[0],
        frozen=copies[1],
        frozen_at=head["frozen_at"],
        scores=arrays[4],
        allowances=arrays[5],
        scale=arrays[6],
        phi=arrays[7],
        threshold=Threshold(*head["threshold"]),
        wanted=head["wanted"],
        alarm=None if alarm is None else Alarm(bool(alarm[0]), *alarm[1:]),
    )


def replay(network: Network, days: Iterable[DayStatistics]) -> tuple[WatchState, tuple[Suspicion, ...]]:
    """The state after stored days in their order, and what is suspected on the last of them."""
    state = begin(network)
    found: tuple[Suspicion, ...] = ()
    for day in days:
        state, found = watch(state, day)
    return state, found
