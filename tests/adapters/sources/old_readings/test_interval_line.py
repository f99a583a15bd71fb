"""Energies of intervals become a register: sums telescope, holes are no zeros, days and months are local."""

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.old_readings.interval_line import Spans, register_of, spans_of, usual_step_ms
from meterd.core.model.periods import to_ms

BERLIN = ZoneInfo("Europe/Berlin")
STEP = 900_000


@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=40))
def test_the_register_telescopes(energies: list[int]) -> None:
    start = np.arange(len(energies), dtype=np.int64) * STEP
    times, readings = register_of(Spans(start, start + STEP), np.array(energies, dtype=np.int64), 10**9, None)
    assert times.tolist() == [STEP * row for row in range(len(energies) + 1)]
    assert np.diff(readings).tolist() == energies


def test_across_a_hole_the_register_stands_at_another_level() -> None:
    start = np.array([0, STEP, 3 * STEP], dtype=np.int64)
    times, readings = register_of(Spans(start, start + STEP), np.array([5, 6, 7], dtype=np.int64), 1000, None)
    assert times.tolist() == [0, STEP, 2 * STEP, 3 * STEP, 4 * STEP]
    assert readings.tolist() == [0, 5, 11, 1011, 1018]
    assert register_of(Spans(start, start + STEP), np.array([5, 6, 7]), 1000, 1010)[1].tolist() == [0, 5, 11, 1, 8]


def days(*texts: str) -> np.ndarray:  # type: ignore[type-arg]
    return np.array([to_ms(datetime.fromisoformat(text).replace(tzinfo=BERLIN)) for text in texts], dtype=np.int64)


def test_days_and_months_end_at_local_midnight() -> None:
    """The days of both changes of the clocks have 23 and 25 hours; February has 28 days."""
    spring = days("2025-03-29", "2025-03-30", "2025-03-31", "2025-04-01")
    assert usual_step_ms(spring) == 86_400_000
    assert spans_of(spring[:-1], 86_400_000, "start", BERLIN).end_ms.tolist() == spring[1:].tolist()
    autumn = days("2025-10-25", "2025-10-26", "2025-10-27")
    assert spans_of(autumn[1:], 86_400_000, "end", BERLIN).start_ms.tolist() == autumn[:-1].tolist()
    months = days("2025-01-01", "2025-02-01", "2025-03-01", "2025-04-01", "2025-05-01")
    assert spans_of(months[:-1], usual_step_ms(months), "start", BERLIN).end_ms.tolist() == months[1:].tolist()
    assert usual_step_ms(months[:1]) == 0
