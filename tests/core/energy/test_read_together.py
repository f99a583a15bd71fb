"""Figures read together are those read one by one, and the store is asked once."""

from pathlib import Path

import numpy as np

from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.read_together import ReadTogether
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.results import Channel
from meterd.core.registers.figure_columns import FigureColumns

OTHER: Channel = ("x", "1.8.0")
CHANNELS: list[Channel] = [("q1", "1.8.0"), ("q2", "1.8.0"), ("q1", "2.8.0")]


def test_whoever_asks_gets_the_column_of_its_register(tmp_path: Path) -> None:
    """In any order, also of a register that was not named, which is then asked for by itself."""
    store, at = SqliteStore.writer(tmp_path / "s.sqlite"), np.array([0, 2 * DAY_MS])
    with store.transaction():
        for j, channel in enumerate([*CHANNELS, OTHER]):
            energy, flags = np.array([10 * j, 10 * j + 1]), np.array([0, 1])
            figures = FigureColumns(channel, Period.DAY, at, energy, np.array([True, j != 1]), flags)
            store.write_columns(figures, now_ms=0, reason="")
    together, starts = ReadTogether(store, [*CHANNELS, *CHANNELS]), DAY_MS * np.arange(3)
    asked: list[str] = []
    store.connection.set_trace_callback(asked.append)
    results = [together.columns([channel], Period.DAY, starts) for channel in reversed(CHANNELS)]
    assert len(asked) == 1, "one question for all registers"
    store.connection.set_trace_callback(None)
    for channel, mine in zip(reversed(CHANNELS), results, strict=True):
        plain = store.columns([channel], Period.DAY, starts)
        for name in ("energy", "present", "flags"):
            assert getattr(mine, name).tolist() == getattr(plain, name).tolist()
    assert together.columns([OTHER, CHANNELS[0]], Period.DAY, starts).energy.tolist() == [[30, 0], [0, 0], [31, 1]]
    assert together.span(Period.DAY) == (0, 2 * DAY_MS)
    store.close()
