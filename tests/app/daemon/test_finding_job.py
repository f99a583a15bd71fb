"""Once a second in the loop: what holds becomes a finding, what is over closes, and nothing is lost while it cannot be stored."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.sources import Delivery
from meterd.app.daemon import finding_job as module
from meterd.core.model.reading import IMPORT, POWER, Reading
from meterd.core.topics.senml import EARLIEST_MS
from tests.app.daemon.loops_by_hand import ByHand, Hand, by_hand, refusing
from tests.brokers import free_port
from tests.faults.mill import MAY, POINTS, open_findings, site

STALE_S = 900


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "s.sqlite"


@pytest.fixture
def here(path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[ByHand]:
    """A loop of the mill whose next look is always due."""
    monkeypatch.setattr(module, "IDLE_S", 0.0)
    with by_hand(
        site(free_port(), limits=f"stale_after_s = {STALE_S}"), path, TrialClock(MAY), sources=(Hand(),)
    ) as made:
        yield made


def hear(here: ByHand, at_ms: int, *points: str) -> None:
    """Each of these points shows its counter and a power of that moment."""
    minute = (at_ms - MAY) / 60_000
    readings = [Reading(point, IMPORT, at_ms, 1_000_000 + round(minute * 1_000), at_ms) for point in points]
    readings += [Reading(point, POWER, at_ms, 60.0, at_ms) for point in points]
    here.runtime.inbox.held.append((Hand(), Delivery(tuple(readings))))
    here.loop.ingest.tick()


def named(here: ByHand, cause: str) -> set[str]:
    """Subjects of the open findings of a cause, as they are shown."""
    return {finding.subject for finding in here.plan_runtime.alarm_job.keeper.open if finding.cause == cause}


def test_a_silent_point_is_a_finding_until_it_is_heard_again(here: ByHand, path: Path) -> None:
    """It begins when the plan's time has passed, stands in the store, and is closed there with the first reading."""
    hear(here, MAY, *POINTS)
    here.loop.finding_job.tick(MAY)
    assert named(here, "stale") == set()
    later = MAY + (STALE_S + 1) * 1000
    hear(here, later, *(point for point in POINTS if point != "q02"))
    here.loop.finding_job.tick(later)
    assert named(here, "stale") == {"q02"}
    assert "stale-q02" in open_findings(path)
    hear(here, later + 1_000, "q02")
    here.loop.finding_job.tick(later + 1_000)
    assert named(here, "stale") == set()
    assert "stale-q02" not in open_findings(path)
    (row,) = [row for row in here.store.finding_tables.all() if row.finding.id == "stale-q02"]
    assert (row.state, row.closed_ms) == ("closed", later + 1_000)


def test_what_goes_wrong_in_a_step_is_a_finding_of_the_next_look(here: ByHand, path: Path) -> None:
    """Once, with the words of the fault; the look itself goes on."""

    def fails() -> None:
        raise KeyError("injected")

    hear(here, MAY, *POINTS)
    here.runtime.step_runner.attempt("snapshot", fails)
    here.loop.finding_job.tick(MAY)
    assert "KeyError" in open_findings(path)["fault-snapshot"].text
    assert here.runtime.step_runner.events == [], "it is reported, and not again with every look"


def test_without_a_clock_nothing_is_written_and_nothing_is_lost(here: ByHand, path: Path) -> None:
    """A computer that has not been told the time: the fault waits for the first look at a time that can be."""
    here.runtime.step_runner.went_wrong("snapshot", "before the time was known")
    here.loop.finding_job.tick(EARLIEST_MS - 1)
    assert here.store.finding_tables.all() == []
    here.loop.finding_job.tick(MAY)
    assert open_findings(path)["fault-snapshot"].text.endswith("before the time was known")


def test_findings_of_a_store_that_refuses_are_shown_and_stored_later(
    here: ByHand, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Who keeps readings says once that the store refuses; where only findings are refused, the log says it."""
    hear(here, MAY, *POINTS)
    with refusing(here.store):
        here.runtime.step_runner.went_wrong("snapshot", "while the store refuses")
        here.loop.finding_job.tick(MAY)
        assert named(here, "fault") == {"snapshot"}
        assert "fault-snapshot" not in open_findings(path)
        assert "findings not stored" in caplog.text
        caplog.clear()
        here.runtime.inbox.held.append((Hand(), Delivery((Reading("q01", IMPORT, MAY + 1, 2_000_000, MAY + 1),))))
        here.loop.ingest.tick()
        here.loop.finding_job.tick(MAY + 1_000)
        assert named(here, "store") == {"mill"}
        assert "findings not stored" not in caplog.text
    here.loop.ingest.tick()
    here.loop.finding_job.tick(MAY + 2_000)
    assert named(here, "store") == set()
    assert "fault-snapshot" in open_findings(path)


def test_a_look_that_is_not_due_waits_for_an_event(here: ByHand, monkeypatch: pytest.MonkeyPatch) -> None:
    """Once a second is often enough for what holds; what happened goes out at once."""
    hear(here, MAY, *POINTS)
    monkeypatch.setattr(module, "IDLE_S", 3_600.0)
    here.loop.finding_job.tick(MAY)
    later = MAY + (STALE_S + 1) * 1000
    here.loop.finding_job.tick(later)
    assert named(here, "stale") == set(), "an hour has not passed"
    here.runtime.step_runner.went_wrong("snapshot", "now")
    here.loop.finding_job.tick(later)
    assert named(here, "fault") == {"snapshot"}


def test_a_source_that_was_started_again_is_a_finding_with_its_name(here: ByHand) -> None:
    """A thread that died is started by the look that finds it dead."""
    monitor = here.plan_runtime.monitors[0]
    hear(here, MAY, *POINTS)
    here.loop.finding_job.tick(MAY)
    assert named(here, "revived") == set()
    dead = [True]
    monitor.source.revive = lambda: bool(dead and dead.pop())  # type: ignore[method-assign]
    here.loop.finding_job.tick(MAY + 1_000)
    assert named(here, "revived") == {monitor.name}
    assert monitor.revivals == 1
