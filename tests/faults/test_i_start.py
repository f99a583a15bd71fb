"""The first start of a site and one that was interrupted: nothing is said that is not so (I9)."""

import logging
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from tests.brokers import Mosquitto, until
from tests.faults.mill import MAY, POINTS, QUARTER, Here, message, publish, running, sending, site

pytestmark = pytest.mark.slow
MINUTE = 60_000


class Hurried(WallClock):
    """The computer's clock of a day in May, which goes so many times as fast. Whoever sets it changes `off_ms`."""

    def __init__(self, start_ms: int, speed: float = 1.0) -> None:
        begun_s = time.monotonic()
        self.off_ms = 0

        def steady_s() -> float:
            return (time.monotonic() - begun_s) * speed

        super().__init__(lambda: start_ms + self.off_ms + round(steady_s() * 1000), steady_s)


@contextmanager
def meters(port: int, clock: Hurried, silent: set[str]) -> Iterator[Link]:
    """All meters but the silent ones send four times a second of this machine; "export" is a register of all of them."""
    stop = threading.Event()

    def work() -> None:
        while not stop.wait(0.25):
            at = clock.now_ms()
            wh = (at - MAY) / MINUTE * 100
            for point in set(POINTS) - silent:
                values = {"import": 10_000 + wh} | ({} if "export" in silent else {"export": 100.0})
                out.publish(f"m/{point}", message(at, **values))

    with sending(port) as out:
        assert until(out.connected)
        thread = threading.Thread(target=work)
        thread.start()
        try:
            yield out
        finally:
            stop.set()
            thread.join()


def closed(path: Path, plan: Site, start_ms: int) -> bool:
    """Whether an interval has its balance."""
    store = SqliteStore.reader(path)
    try:
        return bool(store.balances(plan.boards[0].name, Period.INTERVAL, start_ms, start_ms + QUARTER))
    finally:
        store.close()


def is_told(here: Here) -> bool:
    """Whether a balance is said not to be computable, in a finding of its own or as evidence of a silent meter."""
    return any("is not computable" in sentence for f in here.findings().values() for sentence in (f.text, *f.evidence))


def test_i9_the_interval_of_the_first_start_is_no_finding_and_a_later_one_is(tmp_path: Path) -> None:
    """Found on a sound site: one `not-computable` for each board after the first start."""
    store, silent = tmp_path / "s.sqlite", set[str]()
    with Mosquitto() as broker:
        plan, clock = site(broker.port, limits="publish_every_s = 4"), Hurried(MAY + 7 * MINUTE, 60)
        with running(plan, store, clock) as here, meters(broker.port, clock, silent):
            seen: set[str] = set()

            def past(start_ms: int) -> bool:
                if is_told(here):
                    seen.add("not computable")
                return closed(store, plan, start_ms)

            assert until(lambda: here.daemon.published() > 20, 60)
            assert until(lambda: past(MAY), 60)
            shown = here.daemon.counters.snapshots
            assert until(lambda: past(MAY) and here.daemon.counters.snapshots > shown + 2, 60)
            assert not seen
            silent.add("q02")
            assert until(lambda: past(MAY + QUARTER) and is_told(here), 90), here.findings()


def test_a_balance_that_lacks_one_of_two_registers_names_it(tmp_path: Path) -> None:
    """Found with a feed whose 2.8.0 nobody delivered: the finding named the feed, whose figures all looked good."""
    store = tmp_path / "s.sqlite"
    with Mosquitto() as broker:
        plan, clock = site(broker.port, limits="publish_every_s = 4"), Hurried(MAY + 7 * MINUTE, 60)
        with running(plan, store, clock) as here, meters(broker.port, clock, {"export"}):
            assert until(lambda: is_told(here), 90), here.findings()
            texts = [w for f in here.findings().values() for w in (f.text, *f.evidence) if "is not computable" in w]
            assert all(sentence.endswith("is not computable, missing t1 2.8.0") for sentence in texts), texts
            assert all("t1 2.8.0" not in f.points for f in here.findings().values())


def test_i9_a_first_run_that_was_interrupted_closed_nothing_ahead_of_the_clock(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Found with a first start within a minute after a quarter hour, ended and begun again."""
    store = tmp_path / "s.sqlite"
    with Mosquitto() as broker, caplog.at_level(logging.WARNING, "meterd"):
        plan = site(broker.port)
        for second in (20, 35):
            clock = Hurried(MAY + second * 1000)
            with running(plan, store, clock) as here, sending(broker.port) as out:
                assert until(lambda here=here: here.daemon.published() > 20, 60)  # type: ignore[misc]
                publish(out, [("m/q01", message(clock.now_ms(), **{"import": 5_000.0}))])
                assert until(lambda here=here: here.daemon.counters.readings >= 1, 60)  # type: ignore[misc]
        assert "ahead of the clock" not in caplog.text
        # and a clock that really was ahead is seen
        ahead = Hurried(MAY - 40 * MINUTE)
        with running(plan, store, ahead) as here:
            assert until(lambda: here.daemon.published() > 20, 60)
        assert "intervals ahead of the clock were closed" in caplog.text
