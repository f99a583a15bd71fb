"""Faults of the process (E1 to E9): killed, late, slow, dead threads, steps that raise, libraries with other habits."""

import ctypes
import random
import re
import sqlite3
import threading
import time
from pathlib import Path

import pytest

from meterd import pipeline
from meterd.agreement import Agreement
from meterd.app.selftest import CHECKS, self_test
from meterd.errors import MeterdError, StoreError, described
from meterd.interval import Period
from meterd.reading import IMPORT, Reading
from meterd.store.sqlite import SqliteStore
from tests.brokers import Mosquitto, until
from tests.faults.mill import (
    DAY,
    MAY,
    QUARTER,
    Ledger,
    as_readings,
    books_of,
    interval_energies,
    message,
    minutes,
    now_ms,
    publish,
    reading_count,
    running,
    sending,
    site,
)

BROKER = "max_queued_messages 0\nmax_inflight_messages 0\n"


def end_thread(thread: threading.Thread) -> None:
    """Raise SystemExit inside a thread: it ends as it would by an exception that nothing catches."""
    assert thread.ident is not None
    assert ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread.ident), ctypes.py_object(SystemExit)) == 1
    assert until(lambda: not thread.is_alive(), 5)


def test_e1_ends_without_a_word_between_any_two_ticks_change_nothing(tmp_path: Path) -> None:
    """The process itself is killed in tests/acceptance/test_kill.py; here 30 starts fall between batches of one journal."""
    sent = as_readings(minutes(4 * 60))
    chance = random.Random(3)
    for name, restarts in (("whole", 0), ("often", 30)):
        ledger = Ledger(tmp_path, name=name)
        cuts = sorted(chance.sample(range(1, len(sent)), restarts))
        for low, high in zip([0, *cuts], [*cuts, len(sent)], strict=True):
            ledger.feed(sent[low:high])
            if high in cuts:
                ledger.store.close()
                ledger.open()
        ledger.feed([], MAY + DAY)
        ledger.close()
    assert books_of(tmp_path / "whole") == books_of(tmp_path / "often")


@pytest.mark.parametrize("late_ms", [24 * 60_000, 3 * 3_600_000, 3 * DAY])
def test_e2_closing_late_gives_the_figures_of_closing_in_time(late_ms: int, tmp_path: Path) -> None:
    sent = as_readings(minutes(3 * 60))
    end = MAY + 4 * 3_600_000 + late_ms
    punctual, late = Ledger(tmp_path, name="a"), Ledger(tmp_path, name="b")
    punctual.feed(sent[:6], MAY)
    late.feed(sent[:6], MAY)
    for i in range(6, len(sent), 60):
        punctual.feed(sent[i : i + 60])
    punctual.feed([], end)
    late.feed(sent[6:], MAY)
    late.feed([], end)
    for ledger in (punctual, late):
        ledger.close()
    assert books_of(tmp_path / "a", until_ms=MAY + DAY) == books_of(tmp_path / "b", until_ms=MAY + DAY)


@pytest.mark.slow
def test_e4_a_step_that_raises_every_time_is_told_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise KeyError("injected")

    monkeypatch.setattr(pipeline, "snapshot", broken)
    store = tmp_path / "s.sqlite"
    with (
        Mosquitto(BROKER) as broker,
        running(site(broker.port), store) as here,
        sending(broker.port) as out,
    ):
        assert until(lambda: here.daemon.counters.failures > 0 and out.connected())
        assert until(lambda: _taken(out, store))
    kept = SqliteStore.reader(store)
    found = {row.finding.id: row.finding for row in kept.findings()}
    kept.close()
    assert "KeyError: 'injected'" in found["fault-snapshot"].text
    assert "meterd.app.daemon" in found["fault-snapshot"].text
    assert "nothing that was read is lost" in found["fault-snapshot"].remedy


def _taken(out: object, store: Path) -> bool:
    publish(out, [("m/q01", message(now_ms(), **{"import": 1}))])  # type: ignore[arg-type]
    return reading_count(store) > 0


def test_e4_a_register_that_raises_is_left_out_and_the_others_have_their_figures(tmp_path: Path) -> None:
    """A value of the journal that is no number any more (a damaged page): q01 is set aside, q02 goes on."""
    ledger = Ledger(tmp_path)
    sent = as_readings(minutes(60))
    ledger.feed(sent)
    ledger.close()
    raw = sqlite3.connect(ledger.path)
    raw.execute("UPDATE reading SET value = 'rust' WHERE seq = (SELECT max(seq) FROM reading WHERE channel ="
                " (SELECT id FROM channel WHERE point = 'q01'))")  # fmt: skip
    raw.commit()
    raw.close()
    ledger.open()
    later = [r for r in as_readings(minutes(120)) if r not in sent]
    ledger.feed(later, MAY + 2 * 3_600_000 + 70_000)
    assert list(ledger.books.state.failed) == [("q01", IMPORT)]
    assert "ValueError" in ledger.books.state.failed["q01", IMPORT]
    assert interval_energies(ledger.store, ("q02", IMPORT), MAY, 7) == [3_000_000] * 7
    assert ledger.store.balances("main", Period.INTERVAL, MAY + 5 * QUARTER, MAY + 6 * QUARTER)[0].missing == ("q01",)
    ledger.close()


@pytest.mark.slow
def test_e4_figures_that_raise_cost_no_reading_and_are_made_up_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While something unforeseen breaks every tick the journal still takes all; figures follow when it is over."""
    sound = pipeline.close

    def broken(*_: object) -> None:
        raise RuntimeError("injected")

    monkeypatch.setattr("meterd.app.daemon.CALM_S", 0.3)
    store = tmp_path / "s.sqlite"
    with (
        Mosquitto(BROKER) as broker,
        running(site(broker.port), store) as here,
        sending(broker.port) as out,
    ):
        assert until(lambda: here.daemon.published() > 20 and out.connected())
        monkeypatch.setattr(pipeline, "close", broken)
        base = now_ms() - 3_600_000
        sent = [("m/q01", message(base + i * 60_000, **{"import": 100 * i})) for i in range(59)]
        for one in sent:
            publish(out, [one])
        assert until(lambda: reading_count(store) == 59, 10)
        assert here.has("fault-figures", 5)
        monkeypatch.setattr(pipeline, "close", sound)
        first = base - base % QUARTER + QUARTER
        assert until(lambda: _energies(store, first) == [1_500_000] * 2, 10), _energies(store, first)


def _energies(store: Path, first: int) -> list[int | None]:
    kept = SqliteStore.reader(store)
    try:
        return interval_energies(kept, ("q01", IMPORT), first, 2)
    finally:
        kept.close()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["source-meters", "paho-mqtt-client-meterd"])
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
            assert here.has("revived-meters", 10)
        sent = [("m/q01", message(now_ms() - 1000 + i, **{"import": i})) for i in range(50)]
        publish(out, sent)
        assert until(lambda: reading_count(store) == 50, 20)
        assert time.monotonic() - begun < 60
        assert [thread for thread in threading.enumerate() if thread.name.startswith(kind) and thread not in doomed]


def test_e7_a_store_of_a_newer_version_is_refused_in_words(tmp_path: Path) -> None:
    Ledger(tmp_path).close()
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
    assert re.search(r"^AttributeError: .* at meterd\.agreement:\d+$", described(caught.value))


def test_readings_that_no_journal_can_hold_do_not_stop_the_others(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path)
    sound = [Reading("q01", IMPORT, MAY + i, 1000 + i, MAY) for i in range(5)]
    poison = Reading("q01", IMPORT, 2**70, 1, MAY)
    with pytest.raises(OverflowError):
        ledger.feed([sound[0], poison, *sound[1:]], MAY)
    done, unfit = ledger.books.keep([sound[0], poison, *sound[1:]])
    assert done.readings == 5
    assert [reading for reading, _ in unfit] == [poison]
    assert ledger.store.reading_count() == 5
    ledger.close()
