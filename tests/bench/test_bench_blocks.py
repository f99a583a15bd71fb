"""Bytes that a stored reading takes, as a row and in a block, and how long it takes to read a history of each.

python -m pytest -n 0 tests/bench/test_bench_blocks.py -m bench -s
"""

import time
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import DAY_MS
from meterd.core.model.reading import IMPORT, Reading
from tests.bench.table import Line

pytestmark = [pytest.mark.bench, pytest.mark.slow]
START = 20_000 * DAY_MS
MOST_DELAY_MS = 5_000  # a reading comes so long after its time at most
SHAPES = {"each minute": (60_000, 10, 20), "each quarter hour": (900_000, 60, 50)}  # step, days, points


def arrivals(step_ms: int, days: int, points: int) -> list[Reading]:
    """Readings of registers that rise unevenly, in the order in which they come."""
    generator, count = np.random.default_rng(11), days * DAY_MS // step_ms
    readings = []
    for point in range(points):
        rises = generator.normal(4_000_000 * step_ms / 900_000, 1_000_000 * step_ms / 900_000, count)
        values = np.cumsum(np.maximum(rises, 0).astype(np.int64)).tolist()
        delays = generator.integers(0, MOST_DELAY_MS, count).tolist()
        times = range(START, START + days * DAY_MS, step_ms)
        name = f"q{point:03d}"
        readings += [Reading(name, IMPORT, t, v, t + d) for t, v, d in zip(times, values, delays, strict=True)]
    return sorted(readings, key=lambda reading: reading.received_ms)


def used(store: SqliteStore, *tables: str) -> int:
    """Bytes of the pages of some tables and their indexes."""
    named = ", ".join(f"'{table}'" for table in tables)
    ask = f"SELECT SUM(pgsize) FROM dbstat WHERE name IN (SELECT name FROM sqlite_schema WHERE tbl_name IN ({named}))"
    return int(store.connection.execute(ask).fetchone()[0])


def followed(store: SqliteStore) -> tuple[float, int]:
    """Processor time to read every history once, and the sum of what was read."""
    begun, total = time.process_time(), 0
    for channel in store.channels():
        total += int(store.history(channel, 0)[1].sum())
    return time.process_time() - begun, total


@pytest.mark.parametrize("shape", SHAPES)
def test_bytes_of_a_reading(report: list[Line], tmp_path: Path, shape: str) -> None:
    """In blocks at most 8 bytes; both give the same."""
    step_ms, days, points = SHAPES[shape]
    readings = arrivals(step_ms, days, points)
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    for low in range(0, len(readings), 5_000):
        with store.transaction():
            store.add_readings(readings[low : low + 5_000])
    with store.transaction():
        store.digest_writer.finish()
    rows, (row_s, total) = used(store, "reading"), followed(store)
    begun = time.process_time()
    while store.pack_step(START + days * DAY_MS, 4_000):
        pass
    packed_s = time.process_time() - begun
    blocks, (block_s, again) = used(store, "reading", "reading_block"), followed(store)
    assert again == total
    count = len(readings)
    text = f"a reading {shape}, arrival 0 to 5 s later"
    report.append(
        Line(
            "blocks", f"{text}: bytes in a block, as a row", f"{blocks / count:.1f}", f"{rows / count:.1f}", aim="<= 8"
        )
    )
    report.append(Line("blocks", "the same: us to pack a reading", f"{packed_s / count * 1e6:.1f}"))
    times = f"{block_s / count * 1e6:.2f}", f"{row_s / count * 1e6:.2f}"
    report.append(Line("blocks", "the same: us to read one of a history from blocks, from rows", *times))
    assert blocks / count <= 8
    store.close()
