"""Stations are asked on a monotonic grid; who does not answer waits alone, longer and longer, and never for ever."""

import itertools
import queue
import threading
import time
from collections.abc import Callable

import pytest

from meterd.adapters.sources import Delivery, wall_ms
from meterd.adapters.sources.polling import Garbage, Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.serial_port import LineOptions
from meterd.adapters.sources.tcp import LineLost, NoAnswer
from meterd.adapters.sources.values import AnswerValues
from meterd.core.errors import ConfigError
from meterd.core.model.reading import Reading
from tests.brokers import until


class Script:
    """A line whose stations do as told: each call of `acts[station]` gives the answer or raises."""

    def __init__(self, **acts: Callable[[], AnswerValues]) -> None:
        self.acts = acts
        self.asked: list[tuple[str, float]] = []
        self.opened = 0
        self.refusing = False
        self._open = False
        self.waiting = threading.Event()
        self.aborted = threading.Event()

    def stations(self) -> tuple[str, ...]:
        return tuple(self.acts)

    def open(self) -> None:
        if self.refusing:
            raise OSError("nobody there")
        self.opened += 1
        self._open = True

    def is_open(self) -> bool:
        return self._open

    def close(self) -> None:
        self._open = False

    def abort(self) -> None:
        self.aborted.set()

    def read(self, station: str) -> AnswerValues:
        self.asked.append((station, time.monotonic()))
        return self.acts[station]()

    def times(self, station: str) -> list[float]:
        return [at for name, at in self.asked if name == station]


def good() -> AnswerValues:
    return AnswerValues((Reading("q01", "16.7.0", 5, 1.0, 5, False),))


def slow(seconds: float) -> Callable[[], AnswerValues]:
    def act() -> AnswerValues:
        time.sleep(seconds)
        return good()

    return act


def failing(exc: Exception) -> Callable[[], AnswerValues]:
    def act() -> AnswerValues:
        raise exc

    return act


def polled(
    line: Script, *, period_s: float = 0.05, retry_max_s: float = 0.2, clock: Callable[[], int] = wall_ms
) -> PolledSource:
    return PolledSource("line", line, Pace(period_s, retry_max_s), clock)


def run(source: PolledSource, seconds: float, deliver: Callable[[Delivery], None] = lambda _: None) -> None:
    source.start(deliver)
    time.sleep(seconds)
    source.stop(5)
    assert not source.alive()


@pytest.mark.slow
def test_polls_keep_to_the_grid_whatever_an_answer_takes() -> None:
    line = Script(a=slow(0.02))
    source = polled(line, period_s=0.1)
    run(source, 0.95)
    times = line.times("a")
    assert 9 <= len(times) <= 10
    offsets = [(at - times[0]) % 0.1 for at in times]
    assert all(min(offset, 0.1 - offset) < 0.045 for offset in offsets), "the answer's own time must not add up"


@pytest.mark.slow
def test_slow_station_leaves_polls_out_and_makes_up_for_none() -> None:
    line = Script(a=slow(0.12))
    source = polled(line, period_s=0.05)
    run(source, 0.8)
    assert len(line.times("a")) <= 6
    assert source.counters()["skipped"] >= 5


@pytest.mark.slow
@pytest.mark.parametrize(
    "exc", [NoAnswer("silent"), Garbage("noise"), LineLost("gone"), OSError("reset"), KeyError("bug")]
)
def test_station_that_fails_waits_alone_and_longer_each_time(exc: Exception) -> None:
    line = Script(a=failing(exc), b=good)
    source = polled(line, period_s=0.02, retry_max_s=0.4)
    taken: list[Delivery] = []
    run(source, 0.7, taken.append)
    gaps = [later - earlier for earlier, later in itertools.pairwise(line.times("a"))]
    assert all(0.19 < gap < 0.6 for gap in gaps)
    assert len(line.times("b")) > 3 * len(line.times("a"))
    kinds = {NoAnswer: "timeouts", Garbage: "garbage", LineLost: "lost", OSError: "lost", KeyError: "failures"}
    assert source.counters()[kinds[type(exc)]] == len(line.times("a"))
    assert taken


@pytest.mark.slow
def test_line_that_cannot_be_opened_is_tried_again_with_random_delays() -> None:
    line = Script(a=good)
    line.refusing = True
    source = polled(line, retry_max_s=0.1)
    source.start(lambda _: None)
    assert until(lambda: source.counters()["unreachable"] > 4)
    assert source.error == "nobody there"
    assert line.asked == []
    line.refusing = False
    assert until(lambda: source.counters()["readings"] > 2)
    assert (source.error, line.opened) == ("", 1)
    source.stop(5)


def test_delays_grow_to_their_limit_and_differ() -> None:
    source = polled(Script(), retry_max_s=30.0)
    for failures, longest in ((1, 1.0), (2, 2.0), (4, 8.0), (6, 30.0), (500, 30.0)):
        delays = {source._delay(failures) for _ in range(50)}
        assert all(longest / 2 <= delay <= longest for delay in delays)
        assert len(delays) > 40


@pytest.mark.slow
def test_full_loop_is_waited_for_and_what_lay_in_the_line_meanwhile_is_dropped() -> None:
    line = Script(a=good)
    source = polled(line)
    offers = itertools.count()

    def deliver(_delivery: Delivery) -> None:
        if next(offers) < 3:
            raise queue.Full

    source.start(deliver)
    assert until(lambda: line.opened == 2)
    assert source.counters()["held"] == 3
    source.stop(5)


@pytest.mark.slow
def test_unset_clock_gives_no_readings() -> None:
    source = polled(Script(a=good), clock=lambda: 1_000)
    taken: list[Delivery] = []
    run(source, 0.3, taken.append)
    assert taken == []
    assert source.counters()["clock_unset"] > 2


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_dead_worker_is_started_again() -> None:
    source = polled(Script(a=good))
    offers = itertools.count()

    def deliver(_delivery: Delivery) -> None:
        if next(offers) == 0:
            raise RuntimeError("the loop is broken")

    source.start(deliver)
    assert until(lambda: not source.alive())
    assert source.revive()
    assert not source.revive()
    assert until(lambda: source.counters()["readings"] > 1)
    source.stop(5)
    assert not source.revive()


@pytest.mark.slow
def test_nothing_is_delivered_once_the_end_was_asked_for() -> None:
    """An answer that comes while stopping is dropped."""
    line = Script()

    def answer_late() -> AnswerValues:
        line.waiting.set()
        line.aborted.wait(5)
        return good()

    line.acts["a"] = answer_late
    source = polled(line)
    taken: list[Delivery] = []
    source.start(taken.append)
    assert line.waiting.wait(5)
    source.stop(5)
    assert (taken, source.alive()) == ([], False)


@pytest.mark.slow
def test_source_without_inputs_ends_by_itself() -> None:
    source = polled(Script())
    source.start(lambda _: None)
    assert until(lambda: not source.alive())
    source.stop(1)


def test_all_faults_of_common_options_at_once() -> None:
    with pytest.raises(ConfigError) as caught:
        refuse("line", common_faults(LineOptions("", 70_000, period_s=0.0, timeout_s=60.0, retry_max_s=0.0)))
    for word in ("host", "port", "period_s", "timeout_s", "retry_max_s"):
        assert f"option {word}" in str(caught.value)


@pytest.mark.slow
def test_stations_asked_one_after_the_other_are_handed_over_together() -> None:
    line = Script(**{f"s{n}": good for n in range(20)})
    source = polled(line, period_s=0.2)
    taken: list[Delivery] = []
    run(source, 0.9, taken.append)
    readings = sum(len(delivery.readings) for delivery in taken)
    assert readings == source.counters()["readings"] >= 80
    assert len(taken) < readings / 4, "the loop is not woken for each of them"


@pytest.mark.slow
@pytest.mark.parametrize("period_s", [0.1, 0.0], ids=["asked", "sends on its own"])
def test_no_reading_waits_for_a_station_that_lets_us_wait(period_s: float) -> None:
    turns = itertools.count()

    def silent() -> AnswerValues:
        time.sleep(0.3)
        raise NoAnswer("silent")

    def now_and_then() -> AnswerValues:
        if not period_s and next(turns) % 2:
            time.sleep(0.3)
            raise NoAnswer("silent")
        read.append(time.monotonic())
        return good()

    read: list[float] = []
    handed: list[float] = []
    line = Script(a=now_and_then, b=silent) if period_s else Script(a=now_and_then)
    source = polled(line, period_s=period_s, retry_max_s=0.05)
    run(source, 1.5, lambda _: handed.append(time.monotonic()))
    late = [after - before for before, after in zip(read, handed, strict=False)]
    assert len(late) >= 3
    # only the first time is it not known yet that b is silent
    assert max(late[1:]) < 0.2
