"""The drift watch over a real store: quiet history, a planted fault in it, and a rehearsal on it."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from meterd.adapters.simulator.faults import fault
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.drift_job import DAYS_AT_ONCE, DriftJob, examine, finding_of, keep_days, run_drill
from meterd.core.errors import ConfigError
from meterd.core.model.drift_look import DriftLook
from meterd.core.model.periods import DAY_MS, Period
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import FigureRow
from tests.app.drift_histories import BEGIN, DAYS, history_of, mill


@pytest.fixture(scope="module")
def drifted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with the meter of the bakery ovens 4 % low from the 66th day on."""
    planted = fault("drift", "bakery-ovens", -0.04, 66 * 86_400)
    return history_of(tmp_path_factory.mktemp("drifted") / "s.sqlite", mill(), planted)


def opened(path: Path) -> SqliteStore:
    """For reading, as the watch does."""
    return SqliteStore.reader(path)


def test_quiet_history_raises_no_suspicion(quiet: Path) -> None:
    """Eleven weeks without a fault: a baseline, and nobody is suspect."""
    store = opened(quiet)
    (watched,) = examine(store, mill())
    store.close()
    assert watched.state.learner is not None
    assert watched.suspicions == ()
    assert watched.days in (DAYS - 1, DAYS)


def test_a_drifting_meter_is_named_with_step_and_date(drifted: Path) -> None:
    """The finding stands at the meter, says by how much and since when, and keeps what else would explain it."""
    store = opened(drifted)
    (watched,) = examine(store, mill())
    store.close()
    (suspicion,) = watched.suspicions
    assert suspicion.named == "ratio bakery-ovens"
    best = suspicion.candidates[0]
    assert best.step == pytest.approx(-0.04, abs=4 * best.step_error)
    assert abs(suspicion.change_ms - (BEGIN + 66 * DAY_MS)) <= 2 * DAY_MS
    finding = finding_of(suspicion, mill())
    assert (finding.cause, finding.subject) == ("drift", "bakery-ovens")
    assert finding.evidence


def test_recalculated_it_says_the_same(drifted: Path) -> None:
    """A restart changes nothing: the watch is a function of the figures."""
    store = opened(drifted)
    first, second = examine(store, mill()), examine(store, mill())
    store.close()
    assert [s.as_dict() for w in first for s in w.suspicions] == [s.as_dict() for w in second for s in w.suspicions]


def test_kept_days_give_the_same_and_a_changed_figure_makes_its_day_anew(tmp_path: Path, drifted: Path) -> None:
    """Statistics are stored; a late reading or correction is noticed by the digests of its day."""
    path = tmp_path / "s.sqlite"
    path.write_bytes(drifted.read_bytes())
    store = SqliteStore.writer(path)
    (first,) = examine(store, mill())
    assert len(first.fresh) == first.days
    with store.transaction():
        store.drift_days.keep(first.fresh)
    (again,) = examine(store, mill())
    assert again.fresh == ()
    assert [s.as_dict() for s in again.suspicions] == [s.as_dict() for s in first.suspicions]
    changed = FigureRow(("bakery-ovens", IMPORT), Period.INTERVAL, BEGIN + 40 * DAY_MS, 1_234_000, 0)
    with store.transaction():
        store.write_figures([changed], now_ms=BEGIN + 200 * DAY_MS, reason="late readings")
    (third,) = examine(store, mill())
    day = BEGIN + 40 * DAY_MS - 3_600_000  # in summer; the day before ends within the same day of the digests
    assert [made.start_ms for made in third.fresh] == [day - DAY_MS, day]
    store.close()


def test_days_that_were_kept_ahead_are_read_and_say_the_same(tmp_path: Path, drifted: Path) -> None:
    """As a replay keeps them: nothing is left to be made, and the suspicion is the same to the last digit."""
    path = tmp_path / "s.sqlite"
    path.write_bytes(drifted.read_bytes())
    store = SqliteStore.writer(path)
    store.connection.execute("DELETE FROM drift_day")  # the history may have some
    (first,) = examine(store, mill())
    keep_days(store, mill())
    (second,) = examine(store, mill())
    store.close()
    assert (len(first.fresh), second.fresh) == (first.days, ())
    assert [s.as_dict() for s in second.suspicions] == [s.as_dict() for s in first.suspicions]


def test_days_are_handed_over_for_storing_in_pieces(quiet: Path) -> None:
    """Two years of days at once would hold up the loop that stores them."""
    job = DriftJob(quiet, mill())
    store = opened(quiet)
    job.examine(store)
    store.close()
    pieces = []
    while piece := job.new_days():
        pieces.append(piece)
    assert max(len(piece) for piece in pieces) == DAYS_AT_ONCE
    starts = [day.start_ms for piece in pieces for day in piece]
    assert starts == sorted(set(starts)), "each day once, in order"
    assert len(starts) in (DAYS - 1, DAYS)


def test_drill_on_own_history_finds_and_names_the_planted_fault(quiet: Path) -> None:
    """A rehearsal says after how many days a fault would have been found, and whether rightly named."""
    store = opened(quiet)
    result = run_drill(store, mill(), "cold-store", 0.95, BEGIN + 66 * DAY_MS)
    assert result.right
    assert result.named_days is not None
    assert result.named_days <= 10
    with pytest.raises(ConfigError, match="no balance contains nowhere"):
        run_drill(store, mill(), "nowhere", 0.95, BEGIN)
    with pytest.raises(ConfigError, match="history ends before"):
        run_drill(store, mill(), "cold-store", 0.95, BEGIN + 400 * DAY_MS)
    store.close()


def until_found(drift_job: DriftJob, look: Callable[[], object]) -> object:
    """Wait for the thread of the watch."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if (result := look()) is not None:
            return result
        drift_job.join(1.0)
    raise AssertionError("the watch did not finish")


def test_night_watch_reports_once_a_day_and_never_before_its_pause(drifted: Path) -> None:
    """It begins after a pause, hands its findings over once, and waits for the next day."""
    now = [0.0]
    drift_job = DriftJob(drifted, mill(), clock=lambda: now[0])
    closed_to = BEGIN + (DAYS - 1) * DAY_MS + 7_200_000
    assert drift_job.tick(closed_to) is None
    drift_job.join(1.0)
    assert drift_job.tick(closed_to) is None, "it waits before the first examination"
    assert drift_job.look is DriftLook.TO_COME
    now[0] = 61
    result = until_found(drift_job, lambda: drift_job.tick(closed_to))
    assert [f.id for f in result] == ["drift-bakery-ovens"]  # type: ignore[attr-defined]
    assert drift_job.look is DriftLook.DONE
    now[0] += 61
    assert drift_job.tick(closed_to + 3_600_000) is None, "the same day is not examined again"


def test_a_site_without_a_whole_day_has_not_been_looked_at(tmp_path: Path) -> None:
    """Nothing stored yet: an examination of no day is none, and one that fails is none either."""
    path, now = tmp_path / "s.sqlite", [61.0]
    SqliteStore.writer(path).close()
    drift_job = DriftJob(path, mill(), clock=lambda: now[0])
    now[0] = 200.0
    assert until_found(drift_job, lambda: drift_job.tick(BEGIN)) == ()
    assert drift_job.look is DriftLook.NO_DAY
    path.write_bytes(b"no store")
    now[0] = 400.0
    drift_job.tick(BEGIN + DAY_MS)
    drift_job.join(30.0)
    assert drift_job.look is DriftLook.FAILED
