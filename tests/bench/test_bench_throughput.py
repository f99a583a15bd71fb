"""Through a real broker into journal, registers, balance and topics, against a bare client that only counts."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.results import BalanceRow
from tests.bench.rig import BROKER, child, daemon, module, wait_rows, wait_subscribed
from tests.bench.site import START_MS, Wide
from tests.bench.table import Line
from tests.brokers import Mosquitto

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
WIDE = Wide(100, step_ms=30_000)
LIMIT_S = 240.0


@dataclass(frozen=True, slots=True)
class Load:
    """How many rounds of readings, how often measured."""

    rounds: int
    repeats: int

    @property
    def messages(self) -> int:
        """Messages after the first reading of the last point, which asks whether somebody listens."""
        return self.rounds * WIDE.points


def blast(port: int, load: Load) -> list[str]:
    """The publisher's command."""
    registers = ",".join(WIDE.registers)
    return module("tests.bench.blast", port, WIDE.points, registers, 1, load.rounds + 1, WIDE.step_ms, 0, 0)


def first_reading() -> tuple[str, bytes]:
    """Topic and payload of the last point's reading of round 0."""
    return f"meters/{WIDE.names[-1]}", WIDE.payload(WIDE.points - 1, 0, START_MS)


def bare_rate(load: Load) -> float:
    """Messages per second of the client that only counts."""
    with Mosquitto(BROKER) as broker, child(module("tests.bench.bare", "count", broker.port, load.messages)) as counter:
        wait_subscribed(broker.port, *first_reading())
        with child(blast(broker.port, load)) as sender:
            assert counter.stdout is not None
            first, last = (float(word) for word in counter.stdout.readline().split())
            sender.wait(LIMIT_S)
    return (load.messages - 1) / (last - first)


def meterd_rate(load: Load, folder: Path) -> float:
    """The same for the daemon: from the first committed reading to the last."""
    folder.mkdir()
    store = folder / "wide.sqlite"
    with Mosquitto(BROKER) as broker:
        plan = WIDE.plan(folder, broker.port, future_s=10**8)
        with daemon(plan, store, trial=True):
            wait_subscribed(broker.port, *first_reading())
            before = wait_rows(store, 3, LIMIT_S)
            with child(blast(broker.port, load)) as sender:
                begun = wait_rows(store, 4, LIMIT_S)
                ended = wait_rows(store, 3 + 3 * load.messages, LIMIT_S)
                sender.wait(LIMIT_S)
        assert before < begun
        check(plan, store, load)
    return load.messages / (ended - begun)


def check(plan: Path, path: Path, load: Load) -> None:
    """Nothing is lost, every closed quarter hour is exact, every balance closes."""
    site = load_plan(plan).site
    store = SqliteStore.reader(path)
    try:
        assert store.reading_count() == 3 + 3 * load.messages
        per_interval = 900_000 // WIDE.step_ms
        last = START_MS + load.rounds * WIDE.step_ms
        until = (last - site.limits.close_after_s * 1000) // 900_000 * 900_000
        rows = [row for row in store.balances("main", Period.INTERVAL, START_MS, until) if row.start_ms > START_MS]
        assert len(rows) == (until - START_MS) // 900_000 - 1
        feeders = sum(WIDE.wh_per_step(i) for i in range(2, WIDE.points)) * per_interval * 1000
        assert [as_sums(row) for row in rows] == [(feeders, feeders, 0, "inside")] * len(rows)
    finally:
        store.close()


def as_sums(row: BalanceRow) -> tuple[int | None, int | None, int | None, str]:
    """What a balance says of the two sides."""
    return row.feed, row.outgoing, row.residual, row.verdict


def test_live_readings_per_second(full: bool, report: list[Line], tmp_path: Path) -> None:
    """100 points of 3 registers lose nothing and sum exactly, however fast they come."""
    load = Load(300, 2) if full else Load(70, 1)
    pairs = [(bare_rate(load), meterd_rate(load, tmp_path / str(i))) for i in range(load.repeats)]
    bare, ours = (max(pair[k] for pair in pairs) for k in (0, 1))
    report.append(
        Line(
            "live throughput",
            "100 points x 3 registers, messages/s (readings/s)",
            f"{ours:.0f} ({3 * ours:.0f})",
            f"{bare:.0f}",
            ours / bare,
            note="bare: paho, QoS 1, counts only",
        )
    )
