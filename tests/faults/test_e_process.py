"""Faults of the process (E1 to E9): killed, late, slow, dead threads, steps that raise, libraries with other habits."""

import ctypes
import gc
import os
import random
import re
import signal
import socket
import sqlite3
import sys
import threading
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.sources import Delivery
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import alarm_job as alarms
from meterd.app.daemon import step_runner as steps
from meterd.app.daemon.plan_reload import read_plan
from meterd.app.daemon.selftest import CHECKS, self_test
from meterd.app.operations import drift_job as drift_watch
from meterd.core import engine, live
from meterd.core.checks.register_vs_power import Agreement
from meterd.core.errors import MeterdError, StoreError, described
from meterd.core.model.finding import Finding
from meterd.core.model.periods import Period
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.snapshot import Snapshot
from tests.app.daemon.loops_by_hand import Silent, by_hand
from tests.brokers import Mosquitto, free_port, until
from tests.faults.mill import (
    DAY,
    MAY,
    QUARTER,
    StoreInFolder,
    as_readings,
    interval_energies,
    message,
    minutes,
    now_ms,
    publish,
    reading_count,
    running,
    sending,
    site,
    stored_figures,
    write_plan,
)

BROKER = "max_queued_messages 0\nmax_inflight_messages 0\n"


def end_thread(thread: threading.Thread) -> None:
    """Raise SystemExit inside a thread: it ends as it would by an exception that nothing catches."""
    assert thread.ident is not None
    assert ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread.ident), ctypes.py_object(SystemExit)) == 1
    assert until(lambda: not thread.is_alive())


def test_e1_ends_without_a_word_between_any_two_ticks_change_nothing(tmp_path: Path) -> None:
    """The process itself is killed in tests/acceptance/test_kill.py; here 30 starts fall between batches of one journal."""
    sent = as_readings(minutes(4 * 60))
    chance = random.Random(3)
    for name, restarts in (("whole", 0), ("often", 30)):
        folder_store = StoreInFolder(tmp_path, name=name)
        cuts = sorted(chance.sample(range(1, len(sent)), restarts))
        for low, high in zip([0, *cuts], [*cuts, len(sent)], strict=True):
            folder_store.feed(sent[low:high])
            if high in cuts:
                folder_store.store.close()
                folder_store.open()
        folder_store.feed([], MAY + DAY)
        folder_store.close()
    assert stored_figures(tmp_path / "whole") == stored_figures(tmp_path / "often")


@pytest.mark.parametrize("late_ms", [24 * 60_000, 3 * 3_600_000, 3 * DAY])
def test_e2_closing_late_gives_the_figures_of_closing_in_time(late_ms: int, tmp_path: Path) -> None:
    sent = as_readings(minutes(3 * 60))
    end = MAY + 4 * 3_600_000 + late_ms
    punctual, late = StoreInFolder(tmp_path, name="a"), StoreInFolder(tmp_path, name="b")
    punctual.feed(sent[:6], MAY)
    late.feed(sent[:6], MAY)
    for i in range(6, len(sent), 60):
        punctual.feed(sent[i : i + 60])
    punctual.feed([], end)
    late.feed(sent[6:], MAY)
    late.feed([], end)
    for folder_store in (punctual, late):
        folder_store.close()
    assert stored_figures(tmp_path / "a", until_ms=MAY + DAY) == stored_figures(tmp_path / "b", until_ms=MAY + DAY)


@contextmanager
def mute_server() -> Iterator[int]:
    """A port that takes connections and never answers."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


@pytest.mark.slow
def test_e3_slow_examinations_messages_and_databases_do_not_delay_the_surplus(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An examination that takes 30 s, a webhook and a database that never answer: each power is published in time."""
    begun = threading.Event()

    def slow(*_: object) -> tuple[()]:
        begun.set()
        time.sleep(30)
        return ()

    monkeypatch.setattr(drift_watch, "examine", slow)
    late: list[float] = []
    with Mosquitto(BROKER) as broker, sending(broker.port) as out, mute_server() as hook, mute_server() as base:
        path = write_plan(tmp_path, broker.port, limits="dead_band_w = 1, stop_limit_s = 4, drift_pause_s = 0")
        more = f'[notify]\nwait_s = 0\ntimeout_s = 1\nwebhook_url = "http://127.0.0.1:{hook}/"\n'
        more += f'[line_store]\nurl = "http://127.0.0.1:{base}"\norg = "mill"\nbucket = "mill"\ntimeout_s = 1\n'
        path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
        inbox = MessageQueue()
        listener = LinkSettings("display", host="127.0.0.1", port=broker.port, session_expiry_s=0)
        with (
            Link(listener, topics=("energy/mill/pv/surplus/plain",), inbox=inbox),
            running(load_plan(path).site, tmp_path / "s.sqlite") as here,
        ):
            assert until(lambda: here.daemon.published() > 20 and out.connected())
            publish(out, [("m/q03", b"nonsense")])
            assert until(lambda: begun.is_set() and _notifies())
            for i in range(30):
                watts = 1000 + 10 * i
                sent = [("m/roof", message(now_ms(), power=5000)), ("m/t1", message(now_ms(), power=-watts))]
                publish(out, sent)
                sent_s = time.monotonic()
                while inbox.get(timeout=10).payload != str(watts).encode():
                    pass
                late.append(time.monotonic() - sent_s)
            assert here.findings().keys().isdisjoint({"loop-late-mill"})
    assert max(late) < 2, late


def _notifies() -> bool:
    return any(thread.name.startswith("notify ") for thread in threading.enumerate())


@pytest.mark.slow
def test_e3_a_step_that_takes_too_long_is_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow snapshot: the finding names the step and its time; the readings are stored all the same."""
    sound = live.snapshot

    def slow(*given: Any, **named: Any) -> Snapshot:
        time.sleep(0.5)
        return sound(*given, **named)

    monkeypatch.setattr(steps, "LATE_S", 0.4)
    monkeypatch.setattr(live, "snapshot", slow)
    with Mosquitto(BROKER) as broker, running(site(broker.port), tmp_path / "s.sqlite") as here:
        assert here.has("loop-late-mill")
        finding = here.findings()["loop-late-mill"]
        assert re.search(r"the step snapshot of the loop took 0\.[5-9] s, 0\.4 s are allowed", finding.text)
        assert here.daemon.health().work.late > 0


@pytest.mark.slow
def test_e4_a_step_that_raises_every_time_is_reported_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise KeyError("injected")

    monkeypatch.setattr(live, "snapshot", broken)
    store = tmp_path / "s.sqlite"
    with (
        Mosquitto(BROKER) as broker,
        running(site(broker.port), store) as here,
        sending(broker.port) as out,
    ):
        assert until(lambda: here.daemon.counters.failures > 0 and out.connected())
        assert until(lambda: _taken(out, store))
        assert until(lambda: "fault-snapshot" in _findings(store))
    findings = _findings(store)
    assert "KeyError: 'injected'" in findings["fault-snapshot"].text
    assert "meterd.app.daemon.loop" in findings["fault-snapshot"].text
    assert "nothing that was read is lost" in findings["fault-snapshot"].remedy


def _findings(store: Path) -> dict[str, Finding]:
    stored = SqliteStore.reader(store)
    findings = {row.finding.id: row.finding for row in stored.finding_tables.all()}
    stored.close()
    return findings


def _taken(out: object, store: Path) -> bool:
    publish(out, [("m/q01", message(now_ms(), **{"import": 1}))])  # type: ignore[arg-type]
    return reading_count(store) > 0


def test_e4_a_register_that_raises_is_left_out_and_the_others_have_their_figures(tmp_path: Path) -> None:
    """A value of the journal that is no number any more (a damaged page): q01 is set aside, q02 goes on."""
    folder_store = StoreInFolder(tmp_path)
    sent = as_readings(minutes(60))
    folder_store.feed(sent)
    folder_store.close()
    raw = sqlite3.connect(folder_store.path)
    raw.execute("UPDATE reading SET value = 'rust' WHERE seq = (SELECT max(seq) FROM reading WHERE channel ="
                " (SELECT id FROM channel WHERE point = 'q01'))")  # fmt: skip
    raw.commit()
    raw.close()
    folder_store.open()
    later = [r for r in as_readings(minutes(120)) if r not in sent]
    folder_store.feed(later, MAY + 2 * 3_600_000 + 70_000)
    assert list(folder_store.ledger.state.failed) == [("q01", IMPORT)]
    assert "ValueError" in folder_store.ledger.state.failed["q01", IMPORT]
    assert interval_energies(folder_store.store, ("q02", IMPORT), MAY, 7) == [3_000_000] * 7
    assert folder_store.store.balances("main", Period.INTERVAL, MAY + 5 * QUARTER, MAY + 6 * QUARTER)[0].missing == (
        "q01",
    )
    folder_store.close()


@pytest.mark.slow
def test_e4_figures_that_raise_cost_no_reading_and_are_made_up_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While something unforeseen breaks every tick the journal still takes all; figures follow when it is over."""
    sound = engine.close

    def broken(*_: object) -> None:
        raise RuntimeError("injected")

    monkeypatch.setattr("meterd.app.daemon.ingest.CALM_S", 0.3)
    store = tmp_path / "s.sqlite"
    with (
        Mosquitto(BROKER) as broker,
        running(site(broker.port), store) as here,
        sending(broker.port) as out,
    ):
        assert until(lambda: here.daemon.published() > 20 and out.connected())
        monkeypatch.setattr(engine, "close", broken)
        base = now_ms() - 3_600_000
        sent = [("m/q01", message(base + i * 60_000, **{"import": 100 * i})) for i in range(59)]
        for item in sent:
            publish(out, [item])
        assert until(lambda: reading_count(store) == 59)
        assert here.has("fault-figures")
        monkeypatch.setattr(engine, "close", sound)
        first = base - base % QUARTER + QUARTER
        assert until(lambda: _energies(store, first) == [1_500_000] * 2), _energies(store, first)


def _energies(store: Path, first: int) -> list[int | None]:
    stored = SqliteStore.reader(store)
    try:
        return interval_energies(stored, ("q01", IMPORT), first, 2)
    finally:
        stored.close()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["source-meters", "mqtt-meterd"])
def test_e5_a_dead_thread_is_noticed_and_started_again(kind: str, tmp_path: Path) -> None:
    store = tmp_path / "s.sqlite"
    with (
        Mosquitto(BROKER) as broker,
        running(site(broker.port), store) as here,
        sending(broker.port) as out,
    ):
        assert until(lambda: here.daemon.published() > 20 and out.connected())
        doomed = [thread for thread in threading.enumerate() if thread.name.startswith(kind)]
        assert doomed
        begun = time.monotonic()
        for thread in doomed:
            end_thread(thread)
        if kind == "source-meters":
            assert here.has("revived-meters")
        sent = [("m/q01", message(now_ms() - 1000 + i, **{"import": i})) for i in range(50)]
        publish(out, sent)
        assert until(lambda: reading_count(store) == 50)
        assert time.monotonic() - begun < 60
        assert [thread for thread in threading.enumerate() if thread.name.startswith(kind) and thread not in doomed]


KINDS = ("plan-watch", "supervisor", "notify webhook", "line-store", "drift", "broker-watch")


@pytest.mark.slow
def test_e5_every_other_thread_is_looked_after_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> None:
    """Each is killed, noticed within seconds, reported, and started again with its work."""
    seen = threading.Event()
    request.addfinalizer(seen.set)
    monkeypatch.setattr(drift_watch, "examine", lambda *_: [time.sleep(0.05) for _ in iter(seen.is_set, True)] and ())
    monkeypatch.setattr(alarms, "RETRY_S", 0.5)
    with mute_server() as hook, mute_server() as base:
        path = write_plan(tmp_path, free_port(), limits="stop_limit_s = 4, drift_pause_s = 0")
        text = path.read_text(encoding="utf-8").replace('host = "127.0.0.1", ', "embedded = true, ")
        text += f'[notify]\nwait_s = 0\ntimeout_s = 1\nwebhook_url = "http://127.0.0.1:{hook}/"\n'
        text += f'[line_store]\nurl = "http://127.0.0.1:{base}"\norg = "mill"\nbucket = "mill"\ntimeout_s = 1\n'
        path.write_text(text, encoding="utf-8")
        plan, file = read_plan(path)
        with running(plan.site, tmp_path / "s.sqlite", file=file) as here, sending(plan.site.broker.port) as out:
            assert until(lambda: here.daemon.published() > 20 and out.connected())
            publish(out, [("m/q03", b"nonsense")])  # something to be reported
            assert until(lambda: all(map(_threads, KINDS)))
            begun, doomed = time.monotonic(), {kind: _threads(kind)[0] for kind in KINDS}
            for thread in doomed.values():
                assert thread.ident is not None
                ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread.ident), ctypes.py_object(SystemExit))
            os.kill(_broker_child(), signal.SIGKILL)  # its watcher waits for the end of the child and for nothing else
            for kind, thread in doomed.items():
                assert here.has(f"revived-thread-{kind}", 30), kind
                assert until(lambda k=kind, t=thread: set(_threads(k)) - {t}, 30), kind  # type: ignore[misc]
            assert time.monotonic() - begun < 60
            assert here.daemon.health().loop.revived == len(KINDS)
            seen.set()
            assert until(out.connected)  # the broker is back


def _broker_child() -> int:
    """The process of the embedded broker."""
    for task in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            parent = task.joinpath("stat").read_text().rpartition(")")[2].split()[1]
            if int(parent) == os.getpid() and b"broker_child" in task.joinpath("cmdline").read_bytes():
                return int(task.name)
    raise AssertionError("there is no embedded broker")


def _threads(kind: str) -> list[threading.Thread]:
    """Threads of that name that have come to their work: one that is being started cannot be ended from outside."""
    return [thread for thread in threading.enumerate() if thread.name == kind and _works(thread)]


def _works(thread: threading.Thread) -> bool:
    frame = sys._current_frames().get(thread.ident or 0)
    while frame is not None and frame.f_code.co_name != "run":
        frame = frame.f_back
    return frame is not None


def test_e7_a_store_of_a_newer_version_is_refused_in_words(tmp_path: Path) -> None:
    StoreInFolder(tmp_path).close()
    raw = sqlite3.connect(tmp_path / "s.sqlite")
    raw.execute("PRAGMA user_version = 99")
    raw.close()
    with pytest.raises(StoreError, match=r"has schema 99, this version knows .*; run the newer version"):
        SqliteStore.writer(tmp_path / "s.sqlite")


def test_e9_the_self_test_at_start_names_the_habit_and_the_library() -> None:
    self_test()
    broken = {**CHECKS, "the sky is up": ("skylib 9", lambda: False)}
    with pytest.raises(MeterdError, match="skylib 9: the sky is up; install the pinned versions"):
        self_test(broken)


def test_an_exception_is_described_with_its_place_in_this_program() -> None:
    with pytest.raises(AttributeError) as caught:
        Agreement(()).take([1])  # type: ignore[list-item]
    assert re.search(r"^AttributeError: .* at meterd\.core\.checks\.register_vs_power:\d+$", described(caught.value))


def test_readings_that_no_journal_can_hold_do_not_stop_the_others(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    sound = [Reading("q01", IMPORT, MAY + i, 1000 + i, MAY) for i in range(5)]
    poison = Reading("q01", IMPORT, 2**70, 1, MAY)
    with pytest.raises(OverflowError):
        folder_store.feed([sound[0], poison, *sound[1:]], MAY)
    done, unfit = folder_store.ledger.keep([sound[0], poison, *sound[1:]])
    assert done.readings == 5
    assert [reading for reading, _ in unfit] == [poison]
    assert folder_store.store.reading_count() == 5
    folder_store.close()


@pytest.mark.slow
def test_e6_memory_is_flat_over_many_ticks(tmp_path: Path) -> None:
    """Three hours of a mill in 400 ticks with snapshots and findings; the soak of tests/bench runs longer."""
    clock = TrialClock(MAY)
    with ExitStack() as stack:
        tracemalloc.start()  # before the daemon: what is made now and replaced later would look like growth
        stack.callback(tracemalloc.stop)
        here = stack.enter_context(by_hand(site(free_port()), tmp_path / "s.sqlite", clock))
        loop, runtime = here.loop, here.runtime
        first = 0
        for i in range(400):
            at_ms = MAY + i * 30_000
            wh = {"q01": 100, "q02": 200, "q03": 300, "roof": 500, "t1": 120}
            readings = [Reading(p, IMPORT, at_ms, w * i * 500, at_ms, True) for p, w in wh.items()]
            readings += [Reading(p, POWER, at_ms, float(w), at_ms, True) for p, w in wh.items()]
            readings.append(Reading("t1", EXPORT, at_ms, 20 * i * 500, at_ms, True))
            runtime.inbox.held.append((Silent(), Delivery(tuple(readings))))
            loop.ingest.tick()
            loop.finding_job.tick(at_ms)
            loop.show(at_ms)
            if i == 200:  # what is made once is there by now
                gc.collect()
                first = tracemalloc.get_traced_memory()[0]
        gc.collect()
        grown = tracemalloc.get_traced_memory()[0] - first
    assert runtime.counters.readings == 400 * 11
    assert grown < 30_000, f"{grown} bytes in 200 ticks"
