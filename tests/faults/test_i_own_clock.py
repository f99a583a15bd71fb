"""Our own clock is off while the meters agree: one finding about this machine, and all readings are stored (I14)."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.brokers import Mosquitto, until
from tests.faults.mill import MAY, POINTS, Here, message, reading_count, running, sending, site
from tests.faults.test_i_start import Hurried

pytestmark = pytest.mark.slow
HOUR = 3_600_000
QUICK = "publish_every_s = 4"


@contextmanager
def meters(port: int, clock: Hurried, off: dict[str, int]) -> Iterator[None]:
    """All meters send twice a second, by the clock, but for those that are off by so many milliseconds."""
    stop = threading.Event()

    def work() -> None:
        count = 0
        while not stop.wait(0.5):
            count += 1
            for point in POINTS:
                at = clock.now_ms() + off.get(point, 0)
                out.publish(f"m/{point}", message(at, **{"import": 10_000 + count, "export": 100.0, "power": 700.0}))

    with sending(port) as out:
        assert until(out.connected)
        thread = threading.Thread(target=work)
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()


def causes(here: Here) -> set[str]:
    """Causes of the open findings."""
    return {finding.cause for finding in here.findings().values()}


def assert_it_ends_once_set(here: Here, ours: Hurried, by_ms: int) -> None:
    """Found open more than two minutes later: the jump was doubted for five, although the meters confirm it."""
    ours.off_ms = by_ms
    assert until(lambda: "own-clock" not in causes(here), 60)
    assert abs(ours.set_by_ms() - by_ms) < 60_000
    shown = here.daemon.counters.snapshots
    assert until(lambda: here.daemon.counters.snapshots > shown + 2, 60)
    assert not causes(here) & {"own-clock", "clock-jumped", "silent", "stale"}


def test_i14_two_hours_behind_is_one_finding_and_every_reading_is_kept(tmp_path: Path) -> None:
    """Found with our clock 2 h behind: 40 findings said "set the device's clock", and every reading was refused."""
    store = tmp_path / "s.sqlite"
    with Mosquitto() as broker:
        true, ours = Hurried(MAY + 2 * HOUR), Hurried(MAY)
        # one meter is right by our wrong clock: it stays a meter whose clock is off
        with (
            running(site(broker.port, limits=QUICK), store, ours) as here,
            meters(broker.port, true, {"q03": -2 * HOUR}),
        ):
            assert here.has("own-clock-mill", 90)
            finding = here.findings()["own-clock-mill"]
            assert "4 of 5 meters" in finding.text
            assert "s behind that of" in finding.text
            assert "set the clock of this machine" in finding.remedy
            assert until(lambda: reading_count(store) > 40, 60)
            shown = here.daemon.counters.snapshots
            assert until(lambda: here.daemon.counters.snapshots > shown + 2, 60)
            assert not [cause for cause in causes(here) if cause.startswith(("refused", "meter-clock"))]
            shot = here.daemon.snapshot
            assert shot is not None
            newest = shot.instant["q01", "16.7.0"].at_ms
            assert abs(newest - true.now_ms()) < 60_000, "kept at the time of the meter"
            assert_it_ends_once_set(here, ours, 2 * HOUR)


def test_i14_two_hours_ahead_is_one_finding_once_it_is_measured(tmp_path: Path) -> None:
    """A delay could be anything: it is measured over two stretches of `stale_after_s` before anybody is blamed."""
    with Mosquitto() as broker:
        true, ours = Hurried(MAY, 30), Hurried(MAY + 2 * HOUR, 30)
        limits = f"{QUICK}, stale_after_s = 120"
        with (
            running(site(broker.port, limits=limits), tmp_path / "s.sqlite", ours) as here,
            meters(broker.port, true, {}),
        ):
            assert here.has("own-clock-mill", 120)
            every = "s ahead of that of 5 of 5 meters"  # one of them may be measured a moment later
            assert until(lambda: every in here.findings()["own-clock-mill"].text, 60)
            assert "meter-clock" not in causes(here)
            assert_it_ends_once_set(here, ours, -2 * HOUR)


def test_i14_one_meter_ahead_of_all_others_is_refused_as_before(tmp_path: Path) -> None:
    store = tmp_path / "s.sqlite"
    with Mosquitto() as broker:
        clock = Hurried(MAY)
        with (
            running(site(broker.port, limits=QUICK), store, clock) as here,
            meters(broker.port, clock, {"q03": 2 * HOUR}),
        ):
            assert until(lambda: refused(here), 120), here.findings()
            assert "set the device's clock" in refused(here)
            assert "own-clock" not in causes(here)


def refused(here: Here) -> str:
    """What is said of refused values of q03."""
    return " ".join(f.text for f in here.findings().values() if f.cause.startswith("refused") and f.subject == "q03")
