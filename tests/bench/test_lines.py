"""Catching up with a database after an outage, against the bare client writing the same lines, ready made."""

import time
from pathlib import Path

import pytest
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS

from meterd.adapters.store.change_feed import OutboxReader, Position
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.reading import IMPORT, POWER, Reading
from tests.adapters.store.feeding import feeding, settings, wait
from tests.adapters.store.journal import BEGIN
from tests.bench.table import Line
from tests.databases import BUCKET, TOKEN, Influx

pytestmark = [pytest.mark.bench, pytest.mark.slow]
BATCH = 5000
POINTS = 100


def journal(path: Path, rows: int) -> SqliteStore:
    """A journal of registers and powers of a hundred points, one reading each a second."""
    store = SqliteStore.writer(path)
    for low in range(0, rows, 20_000):
        with store.transaction():
            store.add_readings(
                [
                    Reading(f"q{n % POINTS:02d}", IMPORT, BEGIN + n // POINTS * 1000, 37 * n, BEGIN)
                    if n // POINTS % 2
                    else Reading(f"q{n % POINTS:02d}", POWER, BEGIN + n // POINTS * 1000, 1.25 * n, BEGIN)
                    for n in range(low, min(rows, low + 20_000))
                ]
            )
    return store


def bare(url: str, lines: list[str]) -> float:
    """Seconds the client takes for the same lines."""
    with InfluxDBClient(url=url, token=TOKEN, org="mill") as client:
        api = client.write_api(write_options=SYNCHRONOUS)
        begun = time.monotonic()
        for low in range(0, len(lines), BATCH):
            api.write(bucket=BUCKET, record="\n".join(lines[low : low + BATCH]), write_precision="ms")
        return time.monotonic() - begun


def all_lines(path: Path) -> list[str]:
    """Every line of a journal."""
    reader, position, results = OutboxReader(path, "mill"), Position(), []
    while (batch := reader.next(position, BATCH)).lines:
        results += batch.lines
        position = batch.position
    reader.close()
    return results


def test_catching_up_after_an_outage(full: bool, report: list[Line], tmp_path: Path) -> None:
    """Every line is there afterwards; the rate is that of the client."""
    rows = 1_000_000 if full else 20_000
    path = tmp_path / "s.sqlite"
    store = journal(path, rows)
    lines = all_lines(path)
    assert len(lines) == rows
    ours, theirs = [], []
    for _ in range(3 if full else 1):
        with Influx() as database:
            theirs.append(bare(database.url, lines))
            assert database.count("reading", "value") == rows
        with Influx() as database:
            database.kill()
            wanted = settings(database.url, batch=BATCH, rate=10**9, check_s=300, timeout_s=10)
            with feeding(store, path, wanted) as feed:
                wait(feed, store, lambda f=feed: f.counters.failures > 0)  # type: ignore[misc]
                database.start()
                begun = time.monotonic()
                wait(feed, store, lambda f=feed: f.position.reading == rows, 300.0)  # type: ignore[misc]
                ours.append(time.monotonic() - begun)
            assert database.count("reading", "value") == rows
        with store.transaction():
            store.outbox.serve("")
    store.close()
    mine, other = rows / min(ours), rows / min(theirs)
    report.append(
        Line(
            "line store", f"catch-up, {rows} lines", f"{mine:,.0f}/s", f"{other:,.0f}/s", mine / other, ">= 0.5",
            "bare: synchronous client, lines ready made",
        )
    )  # fmt: skip
