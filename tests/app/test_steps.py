"""Steps that fail or take too long are told once and do not stop the others; the queue takes only what may wait."""

import queue
import re
import time

import pytest

from meterd.app import steps as module
from meterd.app.clock import TrialClock
from meterd.app.intake import Intake
from meterd.app.sharer import Sharer
from meterd.app.steps import Counters, Steps
from meterd.reading import IMPORT, Reading
from meterd.sources import Delivery
from tests.app.test_sharer import run
from tests.faults.test_e_process import Silent
from tests.share_pictures import mill

NOW = 1_777_852_800_000


def made() -> Steps:
    return Steps(TrialClock(NOW), Counters())


def broken() -> None:
    """A step."""
    raise KeyError("injected")


def test_a_step_that_fails_is_counted_each_time_and_told_once_an_hour() -> None:
    """The same words twice are one finding, other words another."""
    steps = made()
    steps.attempt("snapshot", broken)
    steps.attempt("snapshot", broken)
    assert steps.counters.failures == 2
    assert [finding.id for finding in steps.events] == ["fault-snapshot"]
    steps.went_wrong("snapshot", "another fault")
    assert len(steps.events) == 2


def test_a_late_step_is_a_finding_for_some_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest in words, the others beside it; then it is over."""
    monkeypatch.setattr(module, "LATE_S", 0.01)
    steps = made()
    assert steps.findings("mill") == []
    steps.attempt("readings", time.sleep, 0.02)
    steps.attempt("snapshot", time.sleep, 0.02)
    (finding,) = steps.findings("mill")
    assert finding.id == "loop-late-mill"
    assert re.search(r"the step snapshot of the loop took \d+\.\d s, 0.01 s are allowed", finding.text)
    (other,) = finding.evidence
    assert re.fullmatch(r"readings: \d+\.\d s", other)
    monkeypatch.setattr(module, "LATE_FOR_S", 0.0)
    assert steps.findings("mill") == []


def test_what_the_loop_does_now_can_be_read_from_outside() -> None:
    """Name and beginning of the step at hand, and that it waits between steps."""
    steps = made()
    seen: list[str] = []
    steps.attempt("findings", lambda: seen.append(steps.name))
    assert seen == ["findings"]
    assert steps.name == "wait"
    assert time.monotonic() - steps.beat_s < 1


def test_a_full_queue_sends_deliveries_back_and_counts_them() -> None:
    """The source holds it and slows its broker down; what was taken is in the hands of the loop in its order."""
    intake, source = Intake(Counters()), Silent()
    deliver = intake.of("meters", source, 3)
    readings = [Reading("q01", IMPORT, NOW + i, i, NOW) for i in range(4)]
    deliver(Delivery(tuple(readings[:2])))
    deliver(Delivery(tuple(readings[2:])))
    with pytest.raises(queue.Full):
        deliver(Delivery(tuple(readings)))
    assert (intake.readings, intake.deliveries, intake.counters.turned_away) == (4, 2, 1)
    assert intake.heard_s.keys() == {"meters"}
    intake.collect(0.0)
    assert [r for _, one in intake.held for r in one.readings] == readings
    assert intake.readings == 0


def test_ticks_become_as_large_as_the_machine_can_take_in_a_second() -> None:
    """A slow machine with a long queue publishes between small ticks, and takes more again when it is quick."""
    intake, source = Intake(Counters()), Silent()
    deliver = intake.of("meters", source, 100_000)
    for i in range(40):
        deliver(Delivery(tuple(Reading("q01", IMPORT, NOW + i * 1000 + k, k, NOW) for k in range(1000))))

    def size() -> int:
        intake.held.clear()
        intake.collect(0.0)
        return sum(len(one.readings) for _, one in intake.held)

    assert size() == 20_000
    intake.took(20_000, 10.0)
    assert size() == 2_000
    intake.took(300, 0.01)  # says nothing about full ones
    assert size() == 2_000
    intake.took(2_000, 0.4)
    assert size() == 4_000
    intake.took(40, 60.0)
    assert size() == 1_000  # whole deliveries, 500 readings at least
    for _ in range(10):
        intake.took(20_000, 0.1)
    assert intake.at_once == 20_000


def test_shares_go_on_with_a_plan_of_the_same_consumers_and_begin_anew_with_others() -> None:
    """A change of the plan lets no load fall off, unless it changes who shares or how."""
    site = mill(2, ramp_w_per_s=10_000)
    before = Sharer(site)
    shown = run(before, site, 10, 20_000)
    same = Sharer(site)
    same.follow_on(before)
    assert same.shares == shown.shares
    assert {share.power_w for share in run(same, site, 1, 20_000, first=10).shares.values()} == {1500}
    other = Sharer(mill(3, ramp_w_per_s=10_000))
    other.follow_on(before)
    assert other.shares == {}
