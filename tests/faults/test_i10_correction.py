"""A correction of many months is worked out in pieces beside the live work (I10): no topic waits for it."""

import json
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import Period, floor
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import CORRECTING
from tests.app.operations.test_late_readings import BROKER, asked, meters
from tests.app.operations.test_late_readings import waiting as late_work
from tests.brokers import Mosquitto, until
from tests.faults.mill import CHANNELS, DAY, QUARTER, ZONE, Child, now_ms, sending, site, write_plan
from tests.programs import Program

DAYS = 64  # a whole month lies in it on any day: 31 days and 33 more
Q02, Q03 = ("q02", IMPORT), ("q03", IMPORT)


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
        texts = ["--point", "q02", "--from", since, "--factor", "1.25", "--reason", "ratio plate", "--person", "Ada"]
        command = ["correct", str(plan), "--store", str(store), *texts]
        with Child(plan, store) as child:
            assert until(out.connected)
            with meters(broker, out) as live:
                assert until(lambda: live.count > 5, 200), child.said()
                begun = time.monotonic()
                asking = Program(command, output := tmp_path / "asking.log")
                assert until(lambda: waiting(store) or asking.poll() is not None, 120), child.said()
                assert asking.poll() is None, output.read_text("utf-8")
                assert until(lambda: corrected(store) > 300, 120), child.said()
                live.assert_no_gap(begun)
                child.kill()
                assert corrected(store) < DAYS * 96
                child.start()
                begun = time.monotonic()
                assert until(lambda: not waiting(store), 300), child.said()
                assert asking.wait(120) == 0, output.read_text("utf-8")
                assert until(lambda: live.count > 5, 200), child.said()
            assert child.stop() == 0
        there = SqliteStore.reader(store)
        grid = np.arange(end - DAYS * DAY, end, QUARTER, dtype=np.int64)
        assert set(there.columns([Q02], Period.INTERVAL, grid).energy[:, 0].tolist()) == {1_250_000}
        (month,) = there.balances("main", Period.MONTH, *months_of(end))[-1:]
        parts = there.balances("main", Period.INTERVAL, month.start_ms, month.end_ms)
        assert month.outgoing == sum(part.outgoing or 0 for part in parts)
        there.close()


STOOD = 200 * DAY  # since when the register of q03 stands still


def standing(store: Path, port: int, end: int) -> int:
    """A spare feeder whose register has stood still for 200 days; returns when its second reading was."""
    ours, times = SqliteStore.writer(store), np.arange(end - STOOD, end + 1, QUARTER, dtype=np.int64)
    values = np.full(len(times), 7_000_000, dtype=np.int64)
    values[0] = 6_000_000
    ledger = Ledger(ours, site(port), ZONE)
    ledger.import_history(Q03, times, values, end)
    ledger.recompute_all(end, end)
    ours.close()
    return int(times[1])


def moved(store: Path) -> int:
    """How many intervals rest on a stand-still that begins with the third reading."""
    with closing(SqliteStore.reader(store)) as reader:
        second = reader.readings_between(Q03, 0, 2**62, most=2)[1].at_ms
        anchors = (reader.anchors(channel, 0, 2**62) for channel in reader.channels())
        return sum(anchor.plateau_ms == second + QUARTER for some in anchors for anchor in some.values())


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_i10_a_reading_of_long_ago_is_corrected_beside_the_present(tmp_path: Path) -> None:
    """All that follows rests on it: pieces, kill -9 between two of them, SIGTERM between others, each after a start again."""
    end = floor(now_ms(), QUARTER) - QUARTER
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), tmp_path / "s.sqlite"
        at = np.datetime_as_string(np.datetime64(standing(store, broker.port, end), "ms"), unit="s") + "Z"
        texts = ["--point", "q03", "--at", at, "--reads", "6900", "--reason", "typed", "--person", "Ada"]
        command, output = ["correct", str(plan), "--store", str(store)], tmp_path / "asking.log"
        with Child(plan, store) as child:
            assert until(out.connected)
            with meters(broker, out) as live:
                assert until(lambda: live.count > 5, 200), child.said()
                asking = Program([*command, *texts], output)
                assert until(lambda: late_work(store) or asking.poll() is not None, 120), child.said()
                child.kill()
                left = late_work(store)
                assert '"registers":[["q03"' in left, left
                assert moved(store) < STOOD // QUARTER - 100
                child.start()
                assert until(lambda: late_work(store) != left, 120), child.said()
                stopped = time.monotonic()
                assert child.stop() == 0, child.said()
                assert time.monotonic() - stopped < site().limits.stop_limit_s
                child.start()
                assert until(lambda: not waiting(store), 300), child.said()
                assert asking.wait(120) == 0, output.read_text("utf-8")
                assert moved(store) > STOOD // QUARTER - 100
                assert first_energies(store) == [900_000, 100_000, 0]
                heard = live.count
                assert until(lambda: live.count > heard + 5, 200), child.said()
                begun = time.monotonic()
                back = [*command, "--withdraw", "1", "--reason", "was right", "--person", "Ada"]
                assert Program(back, output).wait(300) == 0, output.read_text("utf-8")
                live.assert_no_gap(begun)
                assert moved(store) == 0
                assert first_energies(store) == [1_000_000, 0, 0]
            assert child.stop() == 0
            assert "Traceback" not in child.said()


def first_energies(store: Path) -> list[object]:
    """The first three interval energies of q03."""
    with closing(SqliteStore.reader(store)) as reader:
        starts = reader.interval_starts(Q03, 0, 2**62)[:3]
        return [reader.versions(Q03, Period.INTERVAL, start)[-1].energy for start in starts]


def corrected(store: Path) -> int:
    """How many intervals follow the correction."""
    with closing(SqliteStore.reader(store)) as reader:
        numbers = [reader.channel_number(channel) for channel in reader.channels()]
        rows = (row for number in numbers for row in reader.figures.rows(number, Period.INTERVAL, 0, 2**62))
        return sum(row[-1] == "correction 1" for row in rows)


def months_of(end: int) -> tuple[int, int]:
    """A span in which a whole month begins."""
    return end - DAYS * DAY, end - 31 * DAY
