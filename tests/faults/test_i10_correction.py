"""A correction of many months is worked out in pieces beside the live work (I10): no topic waits for it."""

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import Period, floor
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import CORRECTING
from tests.app.operations.test_late_readings import BROKER, GAP_S, asked, meters
from tests.brokers import Mosquitto, until
from tests.faults.mill import CHANNELS, DAY, QUARTER, ZONE, Child, now_ms, sending, site, write_plan

DAYS = 64  # a whole month lies in it on any day: 31 days and 33 more
Q02 = ("q02", IMPORT)


def filled(store: Path, port: int, end: int) -> None:
    """Quarter hours of all meters up to a moment, with their figures: 1 kWh each of the three feeders."""
    ours, times = SqliteStore.writer(store), np.arange(end - DAYS * DAY, end + 1, QUARTER, dtype=np.int64)
    ledger = Ledger(ours, site(port), ZONE)
    for channel in CHANNELS:
        step = {"t1": 3_000_000, "roof": 0}.get(channel[0], 1_000_000) if channel[1] == IMPORT else 0
        ledger.import_history(channel, times, np.arange(len(times), dtype=np.int64) * step, end)
    ledger.recompute_all(end, end)
    ours.close()


def waiting(store: Path) -> list[object]:
    """What is still to be made again."""
    rows = asked(store, f"SELECT value FROM fact WHERE name = '{CORRECTING}'")
    return list(json.loads(str(rows[0][0]))) if rows else []


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_i10_a_correction_of_months_stops_no_topic_and_a_kill_in_its_middle_loses_nothing(tmp_path: Path) -> None:
    """Entered by command while meters send; kill -9 after some pieces; in the end every figure and sum follows it."""
    end = floor(now_ms(), QUARTER) - QUARTER
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), tmp_path / "s.sqlite"
        filled(store, broker.port, end)
        since = np.datetime_as_string(np.datetime64(end - DAYS * DAY, "ms"), unit="s") + "Z"
        words = ["--point", "q02", "--from", since, "--factor", "1.25", "--reason", "ratio plate", "--person", "Ada"]
        command = [sys.executable, "-m", "meterd.app.cli.main", "correct", str(plan), "--store", str(store), *words]
        with Child(plan, store) as child:
            assert until(out.connected)
            with meters(broker, out) as live:
                assert until(lambda: live.count > 5, 200), child.said()
                begun = time.monotonic()
                with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as asking:
                    assert until(lambda: waiting(store) or asking.poll() is not None, 120), child.said()
                    assert asking.poll() is None, asking.communicate()
                    assert until(lambda: corrected(store) > 300, 120), child.said()
                    assert live.longest_gap(begun) < GAP_S
                    child.kill()
                    assert corrected(store) < DAYS * 96
                    child.start()
                    begun = time.monotonic()
                    assert until(lambda: not waiting(store), 300), child.said()
                    assert asking.wait(120) == 0, asking.communicate()
                assert until(lambda: live.count > 5, 200), child.said()
            assert child.stop() == 0
        there = SqliteStore.reader(store)
        grid = np.arange(end - DAYS * DAY, end, QUARTER, dtype=np.int64)
        assert set(there.columns([Q02], Period.INTERVAL, grid).energy[:, 0].tolist()) == {1_250_000}
        (month,) = there.balances("main", Period.MONTH, *months_of(end))[-1:]
        parts = there.balances("main", Period.INTERVAL, month.start_ms, month.end_ms)
        assert month.outgoing == sum(part.outgoing or 0 for part in parts)
        there.close()


def corrected(store: Path) -> int:
    """How many intervals follow the correction."""
    words = "SELECT COUNT(*) FROM figure WHERE period = 'interval' AND reason = 'correction 1'"
    return int(str(asked(store, words)[0][0]))


def months_of(end: int) -> tuple[int, int]:
    """A span in which a whole month begins."""
    return end - DAYS * DAY, end - 31 * DAY
