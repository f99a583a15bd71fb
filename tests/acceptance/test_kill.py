"""A daemon that is killed at 50 random moments while readings flow comes to the same figures as one that never was."""

import random
import signal
import threading
import time
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from tests.brokers import Mosquitto, crowd, until
from tests.faults.mill import (
    FAR,
    MAY,
    as_readings,
    minutes,
    publish,
    reading_count,
    sending,
    stored_figures,
    write_plan,
)
from tests.programs import Program

KILLS = 50
SECONDS = 22.0  # in which the day of the trial is published
BROKER = "max_queued_messages 0\nmax_inflight_messages 200\n"  # an absent daemon costs no message
ARGUMENTS = ("--trial-from", "2026-05-04T00:00:00Z")


def daemon(plan: Path, store: Path) -> Program:
    """A new daemon on what the last one left."""
    return Program(["run", str(plan), "--store", str(store), *ARGUMENTS], Path(f"{store}.log"))


def end(child: Program, number: int) -> None:
    """Send a signal and wait until the process is gone."""
    child.send_signal(number)
    child.wait(20)


def slowly(port: int, sent: list[tuple[str, bytes]], seconds: float, hurry: threading.Event) -> threading.Thread:
    """Publish all, spread over a time; the rest at once where there is a hurry."""

    def work() -> None:
        with sending(port) as out:
            assert until(out.connected)
            size = 60
            for i in range(0, len(sent), size):
                publish(out, sent[i : i + size])
                hurry.wait(seconds * size / len(sent))

    thread = threading.Thread(target=work, name="meters")
    thread.start()
    return thread


def wait_for_all(store: Path, count: int) -> None:
    """Until the journal holds everything that was published."""
    assert until(lambda: reading_count(store) >= count, 30), (
        f"{reading_count(store)} of {count} readings in the journal"
    )
    time.sleep(0.3)


def run_once(folder: Path, sent: list[tuple[str, bytes]], count: int) -> Path:
    """The day without kills."""
    store = folder / "whole.sqlite"
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan = write_plan(folder / "whole", broker.port, limits=FAR)
        child = daemon(plan, store)
        assert until(out.connected)
        assert until(store.exists)
        assert until(lambda: bool(subscribed(out, store)), 20)
        publish(out, sent)
        wait_for_all(store, count)
        end(child, signal.SIGTERM)
    return store


def subscribed(out: object, store: Path) -> int:
    """Whether the daemon listens: its session must exist before the meters speak."""
    publish(out, minutes(1))  # type: ignore[arg-type]
    return reading_count(store)


@pytest.mark.slow
def test_fifty_kills_lose_nothing_double_nothing_and_change_no_figure(tmp_path: Path) -> None:
    """E1: SIGKILL at random moments, QoS 1 and a persistent session: journal, totals and balances are those of a quiet run."""
    sent = minutes(24 * 60)
    count = len(as_readings(sent))
    chance = random.Random(50)
    killed = tmp_path / "killed.sqlite"
    whole = run_once(tmp_path, sent, count)
    with Mosquitto(BROKER) as broker, sending(broker.port, name="first") as out:
        plan = write_plan(tmp_path / "killed", broker.port, limits=FAR)
        child = daemon(plan, killed)
        assert until(out.connected)
        assert until(killed.exists)
        assert until(lambda: bool(subscribed(out, killed)), 20)
        over = threading.Event()
        meters = slowly(broker.port, sent, SECONDS * crowd(), over)
        moments = [reading_count(killed)]
        for i in range(KILLS):
            if i % 4 == 3:  # one that is slow to start would else be killed before it reads anything, each time
                until(lambda: reading_count(killed) > moments[-1] or not meters.is_alive(), 20)
            time.sleep(chance.uniform(0.05, 0.8))
            end(child, signal.SIGKILL)
            moments.append(reading_count(killed))
            child = daemon(plan, killed)
        over.set()
        meters.join()
        wait_for_all(killed, count)
        end(child, signal.SIGTERM)
    assert len(set(moments)) > KILLS // 5, f"the kills must fall between readings, they fell at {moments}"
    assert stored_figures(killed) == stored_figures(whole)
    assert stored_figures(whole)["readings"] == count
    text = Path(f"{killed}.log").read_text()
    assert "Traceback" not in text
    assert "ERROR" not in text
    assert latest(killed) == latest(whole) == {"q03": 10_000_000 + 300_000 * (24 * 60 - 1)}


def latest(path: Path) -> dict[str, float]:
    """The newest register of one feeder."""
    store = SqliteStore.reader(path)
    results = store.latest(("q03", "1.8.0"))
    store.close()
    assert results is not None
    assert results[0] == MAY + (24 * 60 - 1) * 60_000
    return {"q03": results[1]}
