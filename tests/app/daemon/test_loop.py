"""The loop of one plan, run to its end: what sources bring while they stop is stored, and nothing is left behind."""

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.sources import Delivery
from meterd.app.daemon import loop as loop_module
from meterd.core.model.forecast import Course, Quantity, SiteForecast
from meterd.core.model.reading import IMPORT, POWER, Reading
from meterd.core.model.snapshot import Snapshot
from tests.app.daemon.loops_by_hand import ByHand, Hand, by_hand, refusing
from tests.brokers import free_port
from tests.faults.mill import MAY, as_readings, minutes, reading_count, site

SENT = as_readings(minutes(30, step=5))
LIMIT_S = 60.0


class Scenario:
    """Steps of a test, one with each snapshot of the loop, on its thread. After the last one, or a failure, it is to stop."""

    def __init__(self, steps: Callable[[], Iterator[object]]) -> None:
        self.stop = threading.Event()
        self._steps, self._until_s = steps(), time.monotonic() + LIMIT_S
        self._failure: BaseException | None = None

    def show(self, _shot: Snapshot) -> None:
        """What the loop calls."""
        if self.stop.is_set():
            return
        try:
            assert time.monotonic() < self._until_s, "the loop did not get there"
            next(self._steps)
        except StopIteration:
            self.stop.set()
        except BaseException as exc:
            self._failure = exc
            self.stop.set()

    def run(self, here: ByHand) -> None:
        """Until the end; fails if a step did."""
        here.loop.run(self.stop)
        if self._failure is not None:
            raise self._failure


def test_what_sources_bring_while_they_stop_is_stored_and_confirmed(tmp_path: Path) -> None:
    """Sources end newest first; the readings on their way are in the store before the loop is over."""
    path, heard = tmp_path / "s.sqlite", []
    first, second = (Hand(name, stored=lambda: reading_count(path), heard=heard) for name in ("first", "second"))
    second.last = [Delivery(tuple(SENT[12:18]), "on its way")]

    def steps() -> Iterator[object]:
        assert first.give is not None
        first.give(Delivery(tuple(SENT[:12]), "usual"))
        while not first.confirmed:
            yield

    scenario = Scenario(steps)
    with by_hand(site(free_port()), path, TrialClock(MAY), sources=(first, second), show=scenario.show) as here:
        scenario.run(here)
        assert here.runtime.inbox.deliveries == 0
        assert here.runtime.inbox.held == []
    assert heard == [("start", "first"), ("start", "second"), ("stop", "second"), ("stop", "first")]
    assert first.confirmed == [("usual", 12)]
    assert second.confirmed == [("on its way", 18)]


def test_a_step_that_fails_stops_no_other_and_the_loop_winds_up(tmp_path: Path) -> None:
    """A snapshot that nobody can show, once and again: readings are stored and confirmed all the same."""
    path, hand, stop, shown = tmp_path / "s.sqlite", Hand(), threading.Event(), []

    def show(_shot: Snapshot) -> None:
        shown.append(len(hand.confirmed))
        if len(shown) == 1:
            assert hand.give is not None
            hand.give(Delivery(tuple(SENT[:6]), 1))
        if hand.confirmed or len(shown) > 1_000:
            stop.set()
        raise ZeroDivisionError("nobody is there to look")

    with by_hand(site(free_port()), path, TrialClock(MAY), sources=(hand,), show=show) as here:
        here.loop.run(stop)
        assert here.runtime.counters.failures == len(shown)
    assert [token for token, _ in hand.confirmed] == [1]
    assert reading_count(path) == 6


def test_a_plan_that_waits_does_not_end_a_loop_whose_store_refuses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The readings in its hands are of the old plan and not stored yet; once they are, the loop ends by itself."""
    monkeypatch.setattr(loop_module, "RETRY_S", 0.01)
    path, hand, waits, tried = tmp_path / "s.sqlite", Hand(), threading.Event(), []

    def steps() -> Iterator[object]:
        assert hand.give is not None
        with refusing(here.store):
            hand.give(Delivery(tuple(SENT[:6]), 1))
            while here.loop.ingest.trouble is None:
                yield
            waits.set()
            for _ in range(3):
                tried.append(here.runtime.counters.store_failures)
                yield
            assert hand.confirmed == []
        while True:
            yield

    scenario = Scenario(steps)
    with by_hand(
        site(free_port()), path, TrialClock(MAY), sources=(hand,), show=scenario.show, ending=waits.is_set
    ) as here:
        scenario.run(here)
        assert not scenario.stop.is_set(), "it ended for the plan that waits"
    assert tried == sorted(set(tried)), "it was tried again and again"
    assert [token for token, _ in hand.confirmed] == [1]
    assert reading_count(path) == 6


def test_the_loop_of_the_next_start_shows_what_the_last_one_stored(tmp_path: Path) -> None:
    """The present powers come from the journal, before any reading."""
    path, hand = tmp_path / "s.sqlite", Hand()
    power = Reading("q01", POWER, MAY + 60_000, 4_200.0, MAY + 60_000)
    seen: list[float | None] = []

    def first() -> Iterator[object]:
        assert hand.give is not None
        hand.give(Delivery((power, Reading("q01", IMPORT, MAY + 60_000, 5, MAY + 60_000)), 1))
        while not hand.confirmed:
            yield

    def look() -> Iterator[object]:
        point = here.plan_runtime.ledger.state.instant.get(("q01", POWER))
        seen.append(None if point is None else point.value)
        yield

    for steps in (first, look):
        scenario = Scenario(steps)
        with by_hand(site(free_port()), path, TrialClock(MAY + 60_000), sources=(hand,), show=scenario.show) as here:
            scenario.run(here)
    assert seen == [4_200.0]


def test_the_band_of_the_running_interval_grows_where_the_draw_jumps(tmp_path: Path) -> None:
    """A draw that is another each few minutes, a forecast that is sure of itself: after a day its band is wider, not before.

    A new start knows it.
    """
    shown: list[Snapshot] = []
    draw = np.random.default_rng(6).uniform(5_000, 45_000, 133 * 5)
    energy = (1_000_000 + np.cumsum(np.round(draw * 180 / 3.6))).astype(int).tolist()

    def live(here: ByHand, quarters: range) -> None:
        for part in range(quarters.start * 5, quarters.stop * 5):
            start = MAY + part // 5 * 900_000
            course = Course((24_000,) * 192, (25_000,) * 192, (26_000,) * 192)
            here.plan_runtime.forecast_job.newest = SiteForecast(start, 900_000, False, 60, ((Quantity.LOAD, course),))
            at_ms, watt = start + (part % 5 + 1) * 180_000 - 1000, float(draw[part])
            readings = [Reading("t1", IMPORT, at_ms, energy[part], at_ms), Reading("t1", POWER, at_ms, watt, at_ms)]
            readings.append(Reading("roof", POWER, at_ms, 0.0, at_ms))
            here.plan_runtime.ledger.tick(readings, at_ms)
            here.loop.show(at_ms)

    for quarters in (range(130), range(130, 133)):  # the first loop is not told to end
        with by_hand(site(free_port()), tmp_path / "s.sqlite", TrialClock(MAY), show=shown.append) as here:
            live(here, quarters)
    outlooks = [shot.demand_outlook for shot in shown[5:]]  # of the first interval not all is known
    widths = [0.0 if item is None or not item.forecast else item.high_w - item.middle_w for item in outlooks]
    assert len([width for width in widths[: 129 * 5] if width]) == 129 * 5
    assert widths[90 * 5 : 91 * 5] == pytest.approx(widths[:5])
    assert widths[128 * 5] > 1.5 * widths[0]
    assert widths[-10:] == pytest.approx(widths[128 * 5 : 129 * 5] * 2, rel=0.02)
