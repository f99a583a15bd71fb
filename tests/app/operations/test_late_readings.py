"""Readings of times long past that come in live (I10): the present goes on, a stop ends in time, a kill loses nothing."""

import itertools
import sqlite3
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import paho.mqtt.client as paho
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from meterd.adapters.mqtt.client import Link
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.late_readings import LATE_WORK
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import Period, floor, starts
from meterd.core.model.reading import IMPORT, Reading
from tests.app.operations.test_ledger import BEGIN, SITE, everything
from tests.brokers import Mosquitto, crowd, until
from tests.faults.mill import CHANNELS, DAY, QUARTER, ZONE, Child, message, now_ms, publish, sending, site, write_plan
from tests.faults.test_b_broker import ROOT

BROKER = "max_queued_messages 0\nmax_inflight_messages 20\n"
OLD = 1_519_900_000_000  # 2018-03-01
FEEDERS = ("q01", "q02", "q03")
LIVE = ("t1", "roof", *FEEDERS)
ECHO = "trial/echo"
GAP_S = 2.0  # no live topic stands still longer; before the cure it was above 100 s


class Live:
    """Meters that send every quarter of a second, and how long the published power of any of them stood still.

    Tests share their machine: what a plain echo through the same broker stands still, every topic does.
    """

    def __init__(self, broker: Mosquitto, out: Link) -> None:
        self._out, self._stop = out, threading.Event()
        self._seen: dict[str, list[float]] = {}
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_connect = lambda c, *_: c.subscribe([(f"{ROOT}/point/+/power", 1), (ECHO, 1)])  # type: ignore[arg-type]
        self._client.on_message = lambda _c, _u, item: self._seen.setdefault(item.topic, []).append(time.monotonic())
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._send, name="meters")
        self._thread.start()

    def _send(self) -> None:
        count = 0
        while not self._stop.wait(0.25):
            count += 1
            at, values = now_ms(), {"import": 90_000 + count, "power": 1000.0 + 200 * (count % 7)}
            for point in LIVE:
                self._out.publish(f"m/{point}", message(at, **values))
            self._out.publish(ECHO, b"1")

    def assert_no_gap(self, since_s: float) -> None:
        """No topic stood still since a moment, but for what the machine itself did and what others took of it."""
        gaps = {topic: self._gap(topic, since_s) for topic in (ECHO, *(f"{ROOT}/point/{p}/power" for p in LIVE))}
        machine = gaps.pop(ECHO)
        print(f"longest gap {max(gaps.values()):.2f} s, of an echo {machine:.2f} s")
        assert max(gaps.values()) < GAP_S * crowd() + 2 * machine, gaps

    def _gap(self, topic: str, since_s: float) -> float:
        moments = [since_s, *(item for item in list(self._seen.get(topic, ())) if item > since_s), time.monotonic()]
        return max(b - a for a, b in itertools.pairwise(moments))

    @property
    def count(self) -> int:
        """Values heard of one meter."""
        return len(self._seen.get(f"{ROOT}/point/q02/power", ()))

    def end(self) -> None:
        """No more."""
        self._stop.set()
        self._thread.join(10)
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def meters(broker: Mosquitto, out: Link) -> Iterator[Live]:
    """Live meters while the `with` block lasts."""
    live = Live(broker, out)
    try:
        yield live
    finally:
        live.end()


def asked(store: Path, text: str) -> list[tuple[object, ...]]:
    """Rows of a store that somebody else writes."""
    with sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=30) as db:
        results: list[tuple[object, ...]] = db.execute(text).fetchall()
    db.close()
    return results


def waiting(store: Path) -> str:
    """What the store says of work on times long past."""
    rows = asked(store, f"SELECT value FROM fact WHERE name = '{LATE_WORK}'")
    return str(rows[0][0]) if rows else ""


def old_intervals(store: Path) -> int:
    """How many intervals of 2018 have a figure."""
    with closing(SqliteStore.reader(store)) as reader:
        return sum(len(reader.interval_starts(channel, 0, OLD + 300 * DAY)) for channel in reader.channels())


def old_readings(store: Path) -> int:
    """How many readings of 2018 are stored."""
    with closing(SqliteStore.reader(store)) as reader:
        return sum(len(reader.samples(channel, 0, OLD + 300 * DAY)[0]) for channel in reader.channels())


def days_of_old(days: int) -> list[tuple[str, bytes]]:
    """Readings of 2018, every six hours, the newest day first: no order is promised."""
    sent = []
    for k in reversed(range(days * 4)):
        at = OLD + k * 6 * 3_600_000 + 7_000
        sent += [(f"m/{p}", message(at, **{"import": 1_000 + k * 60 * (i + 1)})) for i, p in enumerate(FEEDERS)]
    return sent


def made_at_once(store: Path, to: Path, port: int, span: tuple[int, int]) -> SqliteStore:
    """A store with the same readings of a span, whose figures were made in one go, as an import does."""
    theirs, ours = SqliteStore.reader(store), SqliteStore.writer(to)
    plan = site(port)
    ledger = Ledger(ours, plan, ZoneInfo(plan.zone))
    for channel in CHANNELS:
        ledger.import_history(channel, *theirs.history(channel, *span), 0)
    ledger.recompute_all(min(floor(span[1], QUARTER), int(theirs.fact("closed_to_ms") or 0)), now_ms())
    theirs.close()
    return ours


def assert_same(store: Path, folder: Path, port: int) -> None:
    """Figures, balances and PV figures of the old time and of the present are what their readings give at once.

    Between them lies a gap that is longer than any that is estimated, so neither depends on the other.
    """
    there = SqliteStore.reader(store)
    closed = int(there.fact("closed_to_ms") or 0)
    for name, low, high in (("old", OLD - 10 * DAY, OLD + 25 * DAY), ("new", closed - DAY, closed)):
        once = made_at_once(store, folder / f"{name}.sqlite", port, (low, high))
        for period in Period:
            grid = np.array(starts(period, low, high, ZONE, QUARTER), dtype=np.int64)
            ours, theirs = once.columns(CHANNELS, period, grid), there.columns(CHANNELS, period, grid)
            for what in ("energy", "present", "flags"):
                assert (getattr(ours, what) == getattr(theirs, what)).all(), (name, period, what)
            known = {row.start_ms: row for row in once.balances("main", period, low, high)}
            rows = [row for row in there.balances("main", period, low, high) if row.start_ms in known]
            assert [known[row.start_ms] for row in rows] == rows, (name, period)
            assert name == "new" or rows or period in (Period.MONTH, Period.YEAR), period
        once.close()
    day = OLD + 8 * DAY - (OLD + 3_600_000) % DAY  # a local day of March 2018
    assert there.columns([("q01", IMPORT)], Period.DAY, np.array([day])).energy[0, 0] > 0
    there.close()


# -- one register, many readings of long ago ---------------------------------------------------------------------------

F1 = ("f1", IMPORT)
FAR_RISES = st.sampled_from([0, 0, 0, 1000, 2_500, 600_000_000, -30_000])  # 600 kWh: more than a quarter hour can hold
FAR_SERIES = st.lists(st.tuples(st.integers(300, 1500), FAR_RISES), min_size=5, max_size=25)
FAR = BEGIN + 6 * DAY  # by then all of them are behind the horizon


@contextmanager
def small_pieces() -> Iterator[None]:
    """Pieces of two to four intervals, so that a few hours of readings take many of them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("meterd.app.operations.late_readings.LEAST_ROWS", 2)
        patch.setattr("meterd.app.operations.late_readings.MOST_ROWS", 4)
        patch.setattr("meterd.app.operations.ledger.FIRST_ROWS", 2)
        yield


def one_register(steps: list[tuple[int, int]]) -> list[Reading]:
    """Readings of a register that counts, stands, falls and jumps."""
    at, value, readings = BEGIN, 5_000_000, []
    for seconds, rise in steps:
        at, value = at + seconds * 1000, value + rise
        readings.append(Reading("f1", IMPORT, at, value, at))
    return readings


def ahead(store: SqliteStore, now: int) -> Ledger:
    """A ledger that has closed all up to a moment."""
    ledger = Ledger(store, SITE, ZONE)
    while ledger.state.closed_to is None or ledger.state.closed_to < now - QUARTER:
        ledger.tick([], now)
    return ledger


def known(store: SqliteStore) -> dict[str, object]:
    """Everything that is known; rows that say that nothing is known may be there or not."""
    results = everything(store)
    for name, rows in results.items():
        if name.startswith("balance"):
            results[name] = [row for row in rows if row.verdict != "not computable"]  # type: ignore[attr-defined]
        elif name.startswith("pv"):
            results[name] = [row for row in rows if row.production is not None]  # type: ignore[attr-defined]
    return results


def all_at_once(folder: Path, readings: list[Reading]) -> dict[str, object]:
    """What is known when all readings come in their order."""
    store = SqliteStore.writer(folder / "once.sqlite")
    Ledger(store, SITE, ZONE).tick(readings, BEGIN)
    ahead(store, FAR)
    results = known(store)
    store.close()
    return results


def test_i10_a_late_jump_that_ends_a_stand_still_is_spread_over_it(tmp_path: Path) -> None:
    """The line is redrawn from where the register stood still, ten days later as at once; 900 kWh were lost there."""
    flat = [(60, 1_000), *[(900, 0)] * 9]
    jump = [(900, 900_000_000), (900, 100_000_000), (900, 100_000_000)]
    readings = one_register([*flat, *jump])
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    Ledger(store, SITE, ZONE).tick(readings[:10], BEGIN)
    ledger = ahead(store, FAR)
    ledger.tick(readings[10:], FAR)
    while ledger.late_step(FAR, 0):
        pass
    there = known(store)
    grid = np.arange(BEGIN, BEGIN + 10 * QUARTER, QUARTER, dtype=np.int64)
    assert store.columns([F1], Period.INTERVAL, grid).energy[1:, 0].tolist() == [90_000_000] * 9
    store.close()
    assert there == all_at_once(tmp_path, readings)


@given(FAR_SERIES, st.randoms(use_true_random=False), st.data())
@settings(max_examples=12, deadline=None)
def test_i10_old_readings_in_any_order_and_pieces_give_the_figures_of_all_at_once(
    steps: list[tuple[int, int]], random: object, data: st.DataObject
) -> None:
    """Some come in time, the others days later, in any order, with pieces of work and restarts between them."""
    readings = one_register(steps)
    marks = [data.draw(st.booleans()) for _ in readings]
    late = [r for r, in_time in zip(readings, marks, strict=True) if not in_time]
    random.shuffle(late)  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as folder, small_pieces():
        path = Path(folder) / "s.sqlite"
        store = SqliteStore.writer(path)
        Ledger(store, SITE, ZONE).tick([r for r, in_time in zip(readings, marks, strict=True) if in_time], BEGIN)
        ledger = ahead(store, FAR)
        while late:
            count = data.draw(st.integers(1, len(late)))
            ledger.tick(late[:count], FAR)
            late = late[count:]
            for _ in range(data.draw(st.integers(0, 4))):
                ledger.late_step(FAR, data.draw(st.sampled_from([0, 10])))
            if data.draw(st.booleans()):
                store.close()
                store = SqliteStore.writer(path)
                ledger = Ledger(store, SITE, ZONE)
                ledger.tick([], FAR)
        while ledger.late_step(FAR, 0):
            pass
        there = known(store)
        store.close()
        assert there == all_at_once(Path(folder), readings)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_i10_readings_of_years_back_stop_neither_topics_nor_the_end_and_a_kill_loses_nothing(tmp_path: Path) -> None:
    """One reading of 2018, then twenty days of 2018 backwards; kill -9 in the middle of two pieces, then SIGTERM."""
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), tmp_path / "s.sqlite"
        with Child(plan, store) as child:
            assert until(out.connected)
            with meters(broker, out) as live:
                assert until(lambda: live.count > 5, 200), child.said()
                begun = time.monotonic()
                publish(out, [("m/q01", message(OLD - 5 * DAY, **{"import": 500}))])
                assert until(lambda: old_readings(store) == 1 and not waiting(store), 200), child.said()
                publish(out, days_of_old(20))
                assert until(lambda: old_readings(store) == 241, 400), child.said()
                assert until(lambda: old_intervals(store) > 500, 400), child.said()
                live.assert_no_gap(begun)
            for more in (300, 800):
                if waiting(store):
                    child.kill()
                    before = old_intervals(store)
                    child.start()
                    assert until(lambda: old_intervals(store) > before + more or not waiting(store), 400)  # noqa: B023
            stopped = time.monotonic()
            assert child.stop() == 0, child.said()
            assert time.monotonic() - stopped < site().limits.stop_limit_s + 3
            child.start()
            assert until(lambda: not waiting(store) and old_intervals(store) > 5_500, 600), waiting(store)
            assert child.stop() == 0
            assert "Traceback" not in child.said()
    assert old_readings(store) == 241
    assert_same(store, tmp_path, broker.port)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_i10_months_of_old_readings_stop_neither_topics_nor_the_end(tmp_path: Path) -> None:
    """15,360 readings of one meter come live: SIGTERM while half of them are worked off, then the rest."""
    count = 160 * 96
    with Mosquitto(BROKER) as broker, sending(broker.port) as out, sending(broker.port, name="old") as old:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), tmp_path / "s.sqlite"
        with Child(plan, store) as child:
            assert until(lambda: out.connected() and old.connected())
            with meters(broker, out) as live:
                assert until(lambda: live.count > 5, 200), child.said()
                begun, first = time.monotonic(), floor(now_ms(), QUARTER) - 3 * DAY - count * QUARTER
                wh = [message(first + k * QUARTER, **{"import": 1_000 + 100 * k}) for k in range(count)]
                publish(old, [("m/q01", payload) for payload in wh])
                stored = f"SELECT COUNT(*) FROM reading WHERE at_ms < {first + count * QUARTER}"
                assert until(lambda: asked(store, stored) == [(count,)], 400), child.said()
                live.assert_no_gap(begun)
                assert waiting(store)
                stopped = time.monotonic()
                assert child.stop() == 0, child.said()
                assert time.monotonic() - stopped < site().limits.stop_limit_s
                heard = live.count
                child.start()
                assert until(lambda: live.count > heard + 5, 200), child.said()
                begun = time.monotonic()
                assert until(lambda: not waiting(store), 600), waiting(store)
                live.assert_no_gap(begun)
            assert child.stop() == 0
            assert "Traceback" not in child.said()
    there = SqliteStore.reader(store)
    grid = np.arange(first, first + (count - 1) * QUARTER, QUARTER, dtype=np.int64)
    assert set(there.columns([("q01", IMPORT)], Period.INTERVAL, grid).energy[:, 0].tolist()) == {100_000}
    there.close()


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_i10_after_weeks_of_absence_what_was_missed_is_closed_in_pieces(tmp_path: Path) -> None:
    """A store whose last figure is 30 days old: the present is published while 2,800 intervals of each meter are closed."""
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan, store = write_plan(tmp_path / "plan", broker.port, limits="publish_every_s = 4"), tmp_path / "s.sqlite"
        begin = floor(now_ms(), QUARTER) - 30 * DAY
        made = SqliteStore.writer(store)
        ledger = Ledger(made, site(broker.port), ZONE)
        for channel in CHANNELS:
            times = begin + 60_000 * np.arange(600, dtype=np.int64)
            ledger.import_history(channel, times, 5_000_000 + 1_000 * np.arange(600, dtype=np.int64), begin)
        ledger.recompute_all(begin + 9 * 3_600_000, begin)
        made.close()
        with Child(plan, store) as child:
            assert until(out.connected)
            with meters(broker, out) as live:
                assert until(lambda: live.count > 5, 200), child.said()
                begun = time.monotonic()
                closed = "SELECT CAST(value AS INTEGER) FROM fact WHERE name = 'closed_to_ms'"
                assert until(lambda: now_ms() - int(str(asked(store, closed)[0][0])) < 2 * QUARTER, 600), child.said()
                assert until(lambda: not waiting(store), 600), waiting(store)
                live.assert_no_gap(begun)
            assert child.stop() == 0
            assert "Traceback" not in child.said()
    assert_balance_of_gap(store, tmp_path, broker.port, begin)


def assert_balance_of_gap(store: Path, folder: Path, port: int, begin: int) -> None:
    """The energy of the time without readings is known: the sum of its days is what the registers rose."""
    once = made_at_once(store, folder / "once.sqlite", port, (begin, now_ms()))
    there = SqliteStore.reader(store)
    grid = np.array(starts(Period.DAY, begin, now_ms() - DAY, ZONE, QUARTER), dtype=np.int64)
    ours, theirs = once.columns(CHANNELS, Period.DAY, grid), there.columns(CHANNELS, Period.DAY, grid)
    assert (ours.energy == theirs.energy).all()
    assert (ours.present == theirs.present).all()
    assert theirs.present[10:, 2].all()
    once.close()
    there.close()
