"""How the parts of a daemon are: before it runs, while it works, and asked by another thread at any moment."""

import os
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from meterd import __version__
from meterd.adapters.mqtt.link_state import LinkCounters, LinkState
from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.sources import Delivery
from meterd.adapters.store.reading_connection import SCHEMA_VERSION
from meterd.app.daemon.health_probe import RunFacts, gather
from meterd.core.model.finding import Finding, FindingState, Life
from meterd.core.model.health import Health, SourceState, alive, ready
from meterd.core.model.snapshot import Snapshot
from meterd.core.topics.senml import EARLIEST_MS
from tests.app.daemon.loops_by_hand import ByHand, Hand, by_hand, refusing
from tests.brokers import free_port
from tests.faults.mill import MAY, as_readings, minutes, site
from tests.snapshots import snapshot

SENT = as_readings(minutes(30, step=5))
BEGUN = RunFacts("ab" * 32).started("after a kill", MAY - 1_000)
STATE = LinkState(True, True, True, 0, (), "", None, LinkCounters())
SOURCES = {  # what a source says of its connection -> what is said of the source
    "connected": STATE,
    "subscribing": replace(STATE, subscribed=False),
    "away": replace(STATE, connected=False, last_error="Connection refused"),
    "asking": None,
}


def health_of(here: ByHand, shot: Snapshot | None = None, facts: RunFacts = BEGUN) -> Health:
    return gather(here.plan_runtime.site, facts, here.runtime, plan_runtime=here.plan_runtime, snapshot=shot)


def tick(here: ByHand, *deliveries: Delivery) -> None:
    here.runtime.inbox.held.extend((Hand(), delivery) for delivery in deliveries)
    here.loop.ingest.tick()


def test_before_a_daemon_runs_only_the_plan_is_known() -> None:
    """It is alive, since a long journal takes its time, and not ready."""
    health = gather(site(), RunFacts("ab" * 32), None, plan_runtime=None, snapshot=None)
    assert (health.versions.plan, health.versions.meterd, health.versions.schema) == (
        "ab" * 32, __version__, SCHEMA_VERSION,
    )  # fmt: skip
    assert (health.started_ms, health.sources, health.storage.journal_bytes) == (None, (), None)
    assert alive(health).ok
    assert not ready(health).ok


def test_facts_of_a_run_follow_its_plans() -> None:
    """The start stays; the plan and its moment are those of the newest."""
    later = BEGUN.reloaded("the plan changed", "cd" * 32, MAY)
    assert (later.started_ms, later.plan_since_ms, later.plan, later.reason) == (
        MAY - 1_000, MAY, "cd" * 32, "the plan changed",
    )  # fmt: skip
    assert BEGUN.plan_since_ms == MAY - 1_000


def test_work_and_storage_are_those_of_the_parts(tmp_path: Path) -> None:
    """Readings, deliveries and figures as counted; the journal with its log, and the room on its disk, in bytes."""
    path = tmp_path / "s.sqlite"
    with by_hand(site(free_port()), path, TrialClock(MAY)) as here:
        tick(here, Delivery(tuple(SENT[:12])), Delivery(tuple(SENT[12:])))
        here.runtime.inbox.of("meters", Hand(), 100)(Delivery(tuple(SENT[:7])))
        health = health_of(here)
        assert (health.work.readings, health.work.deliveries, health.work.ticks) == (len(SENT), 2, 1)
        assert health.work.figures == here.runtime.counters.figures > 0
        assert (health.loop.queued_deliveries, health.loop.queued_readings) == (1, 7)
        sizes = path.stat().st_size, path.with_name("s.sqlite-wal").stat().st_size
        assert health.storage.journal_bytes == sum(sizes)
        assert min(sizes) > 0
        disk = os.statvfs(tmp_path)
        assert 0 < (health.storage.free_bytes or 0) <= disk.f_blocks * disk.f_frsize
        assert (health.started_ms, health.restart_reason) == (MAY - 1_000, "after a kill")
        assert health.clock.is_set
        assert not health.link.connected
        assert not health.loop.running, "nothing has been shown yet"
        here.loop.show(MAY)
        assert health_of(here).loop.running


def test_a_store_that_refuses_and_one_that_is_gone_are_known(tmp_path: Path) -> None:
    """The first by its finding; of the second no size is known, and nothing is raised."""
    path = tmp_path / "s.sqlite"
    with by_hand(site(free_port()), path, TrialClock(MAY)) as here:
        tick(here, Delivery(tuple(SENT[:6])))
        with refusing(here.store):
            tick(here, Delivery(tuple(SENT[6:12])))
            here.loop.finding_job.tick(MAY)
            here.loop.show(MAY)
            health = health_of(here, here.loop.finding_job.snapshot)
            assert health.storage.refuses
            assert health.work.store_failures == 1
        here.loop.ingest.tick()
        for side in ("", "-wal"):
            path.with_name(f"s.sqlite{side}").rename(tmp_path / f"away{side}")
        assert health_of(here).storage.journal_bytes is None
        for side in ("", "-wal"):
            (tmp_path / f"away{side}").rename(path.with_name(f"s.sqlite{side}"))


@pytest.mark.parametrize("word", SOURCES)
def test_a_source_is_named_with_its_connection_and_its_silence(tmp_path: Path, word: str) -> None:
    """One that stands back for another daemon rests, whatever its connection was."""
    hand = Hand("meters")
    hand.link = SOURCES[word]
    with by_hand(site(free_port()), tmp_path / "s.sqlite", TrialClock(MAY), sources=(hand,)) as here:
        error = "" if SOURCES[word] is None else SOURCES[word].last_error
        assert health_of(here).sources == (SourceState("meters", "mqtt", word, None, error),)
        here.runtime.inbox.of("meters", hand, 100)(Delivery(tuple(SENT[:1])))
        (source,) = health_of(here).sources
        assert source.age_s is not None
        assert source.age_s >= 0
        here.plan_runtime.monitors[0].rest(1.0)
        (source,) = health_of(here).sources
        assert (source.state, source.detail) == ("resting", "")


def test_open_findings_are_counted_by_their_state(tmp_path: Path) -> None:
    """One without a life is new."""
    findings = (
        Finding("stale", "q01", MAY, "x"),
        Finding("stale", "q02", MAY, "x", life=Life(FindingState.SEEN, MAY, MAY)),
        Finding("stale", "q03", MAY, "x", life=Life(FindingState.SEEN, MAY, MAY)),
    )
    with by_hand(site(free_port()), tmp_path / "s.sqlite", TrialClock(MAY)) as here:
        shot = snapshot(findings=findings)
        assert health_of(here, shot).findings == (("new", 1), ("seen", 2), ("explained", 0))


def test_a_clock_that_was_never_set_is_known(tmp_path: Path) -> None:
    with by_hand(site(free_port()), tmp_path / "s.sqlite", TrialClock(EARLIEST_MS - 1)) as here:
        assert not health_of(here).clock.is_set


def test_another_thread_may_ask_at_any_moment(tmp_path: Path) -> None:
    """Asked without pause while readings are stored: every answer is one that can be, and none is an exception."""
    seen: list[int] = []
    failures: list[BaseException] = []
    over = threading.Event()

    def ask(here: ByHand) -> None:
        try:
            while not over.is_set():
                seen.append(health_of(here).work.readings)
        except BaseException as exc:
            failures.append(exc)

    with by_hand(site(free_port()), tmp_path / "s.sqlite", TrialClock(MAY)) as here:
        thread = threading.Thread(target=ask, args=(here,))
        thread.start()
        try:
            for reading in SENT[:20]:
                tick(here, Delivery((reading,)))
        finally:
            over.set()
            thread.join()
    assert failures == []
    assert seen == sorted(seen)
    assert set(seen) <= set(range(21))
