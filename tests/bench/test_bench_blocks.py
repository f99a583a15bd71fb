"""Bytes that a stored reading or figure takes, as a row and in a block, and how long it takes to read each.

python -m pytest -n 0 tests/bench/test_bench_blocks.py -m bench -s
"""

import time
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.figure_blocks import PERIODS
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.registers.figure_columns import Anchors, FigureColumns
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


def written(path: Path, days: int, points: int) -> SqliteStore:
    """Figures of all periods as the daemon writes them, of meters that send each minute at any of its seconds."""
    store, generator = SqliteStore.writer(path), np.random.default_rng(11)
    begin, quarter = START, 900_000
    for point in range(points):
        channel = (f"q{point:03d}", IMPORT)
        energy = generator.integers(0, 5_000_000, days * 96)
        for period, parts in ((Period.INTERVAL, 1), (Period.HOUR, 4), (Period.DAY, 96), (Period.WEEK, 672)):
            sums = np.add.reduceat(energy, np.arange(0, len(energy), parts))
            starts, all_ = begin + np.arange(len(sums)) * quarter * parts, np.ones(len(sums), dtype=np.bool_)
            at = starts - generator.integers(0, 60_000, len(sums))
            anchors = Anchors(all_, at, np.cumsum(sums), at) if parts == 1 else None
            rows = FigureColumns(channel, period, starts, sums, all_, np.zeros(len(sums), dtype=np.int64), anchors)
            for low in range(0, len(rows), 96):  # one reason and moment for what closes together
                with store.transaction():
                    store.write_columns(rows.part(low, low + 96), now_ms=int(starts[low]) + DAY_MS, reason="closed")
    return store


def asked(store: SqliteStore, period: Period, days: int, channels: int) -> float:
    """Processor time in ms to read the figures of so many days and registers, the best of five."""
    step, times = {Period.INTERVAL: 900_000, Period.HOUR: 3_600_000}[period], []
    grid = START + 10 * DAY_MS + np.arange(days * DAY_MS // step) * step
    for _ in range(5):
        begun = time.process_time()
        assert store.columns(store.channels()[:channels], period, grid).present.all()
        times.append(time.process_time() - begun)
    return min(times) * 1000


def test_bytes_of_a_figure(report: list[Line], tmp_path: Path) -> None:
    """At most 30 bytes for all periods together; a day and a month are read as quickly as from rows."""
    days, points = 60, 100
    store = written(tmp_path / "s.sqlite", days, points)
    questions = [(period, span, count) for count in (1, points) for span in (1, 30) for period in PERIODS]
    count, rows = store.figures.count(), used(store, "figure")
    before = [asked(store, *question) for question in questions]
    begun = time.process_time()
    while store.pack_step(START + (days - 2) * DAY_MS, 4_000):
        pass
    packed_s = time.process_time() - begun
    assert store.figures.count() == count
    blocks = used(store, "figure", "figure_block")
    ask = "SELECT SUM(length(energies) + length(rest)) * 1.0 / SUM(count) FROM figure_block WHERE period = 'interval'"
    (each,) = store.connection.execute(ask).fetchone()
    name = f"{days} days of {points} points, quarter hours"
    numbers = f"{blocks / count:.1f}", f"{rows / count:.1f}", blocks / rows, "<= 30"
    report.append(Line("blocks", f"{name}: bytes of a figure of any period in blocks, as a row", *numbers))
    report.append(Line("blocks", "the same: bytes of a packed interval", f"{each:.1f}"))
    report.append(Line("blocks", "the same: us to pack a figure", f"{packed_s / count * 1e6:.1f}"))
    for (period, span, channels), row_ms in zip(questions, before, strict=True):
        block_ms = asked(store, period, span, channels)
        text = f"the same: ms to read {period}s of {span} days of {channels} points from blocks, from rows"
        report.append(Line("blocks", text, f"{block_ms:.2f}", f"{row_ms:.2f}", block_ms / row_ms, "<= 1"))
    assert blocks / count <= 30
    store.close()
