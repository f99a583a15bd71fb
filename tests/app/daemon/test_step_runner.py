"""Steps that fail or take too long are reported once and do not stop the others; the queue takes only what may wait."""

import re
import time

import pytest

from meterd.adapters.runtime.clock import TrialClock
from meterd.app.daemon import step_runner as module
from meterd.app.daemon.sharing_job import SharingJob
from meterd.app.daemon.step_runner import Counters, StepRunner
from tests.app.daemon.test_sharing_job import run
from tests.share_snapshots import mill

NOW = 1_777_852_800_000


def made() -> StepRunner:
    return StepRunner(TrialClock(NOW), Counters())


def broken() -> None:
    """A step."""
    raise KeyError("injected")


def test_a_step_that_fails_is_counted_each_time_and_reported_once_an_hour() -> None:
    """The same words twice are one finding, other words another."""
    step_runner = made()
    step_runner.attempt("snapshot", broken)
    step_runner.attempt("snapshot", broken)
    assert step_runner.counters.failures == 2
    assert [finding.id for finding in step_runner.events] == ["fault-snapshot"]
    step_runner.went_wrong("snapshot", "another fault")
    assert len(step_runner.events) == 2


def test_a_late_step_is_a_finding_for_some_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest in words, the others beside it; then it is over."""
    monkeypatch.setattr(module, "LATE_S", 0.01)
    step_runner = made()
    assert step_runner.findings("mill") == []
    step_runner.attempt("readings", time.sleep, 0.02)
    step_runner.attempt("snapshot", time.sleep, 0.02)
    (finding,) = step_runner.findings("mill")
    assert finding.id == "loop-late-mill"
    assert re.search(r"the step snapshot of the loop took \d+\.\d s, 0.01 s are allowed", finding.text)
    (other,) = finding.evidence
    assert re.fullmatch(r"readings: \d+\.\d s", other)
    monkeypatch.setattr(module, "LATE_FOR_S", 0.0)
    assert step_runner.findings("mill") == []


def test_what_the_loop_does_now_can_be_read_from_outside() -> None:
    """Name and beginning of the step at hand, and that it waits between steps."""
    step_runner = made()
    seen: list[str] = []
    step_runner.attempt("findings", lambda: seen.append(step_runner.name))
    assert seen == ["findings"]
    assert step_runner.name == "wait"
    assert time.monotonic() - step_runner.beat_s < 1


def test_shares_go_on_with_a_plan_of_the_same_consumers_and_begin_anew_with_others() -> None:
    """A change of the plan lets no load fall off, unless it changes who shares or how."""
    site = mill(2, ramp_w_per_s=10_000)
    before = SharingJob(site)
    shown = run(before, site, 10, 20_000)
    same = SharingJob(site)
    same.follow_on(before)
    assert same.shares == shown.shares
    assert {share.power_w for share in run(same, site, 1, 20_000, first=10).shares.values()} == {1500}
    other = SharingJob(mill(3, ramp_w_per_s=10_000))
    other.follow_on(before)
    assert other.shares == {}
