"""An examination runs once a day in its thread; one that fails says why and takes nothing with it."""

from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.daily_examination import DailyExamination
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS
from meterd.core.model.plan import Site

FOUND = Finding("unusual-use", "oven", 1, "oven took more")
CLOSED = 100 * DAY_MS + 1
SITE = Site("mill", "UTC")


class Rehearsal(DailyExamination):
    """An examination of its own: says one thing, or fails as it is told."""

    def __init__(self, path: Path, fails: list[Exception]) -> None:
        self.now, self.fails = 0.0, fails
        self.killed = False
        super().__init__("rehearsal", "rehearsal", "rehearsal-failed", path, SITE, clock=lambda: self.now)

    def examine(self, store: SqliteStore) -> tuple[tuple[Finding, ...], str]:
        """Fails as long as there is a reason."""
        assert store.reading_count() == 0
        if self.killed:
            raise SystemExit  # as a thread that is ended from outside
        if self.fails:
            raise self.fails.pop(0)
        return (FOUND,), "one day examined"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    SqliteStore.writer(tmp_path / "s.sqlite").close()
    return tmp_path / "s.sqlite"


def through(examination: Rehearsal, closed_to: int | None) -> tuple[Finding, ...] | None:
    """Two looks, with the end of the thread between them and a pause before."""
    examination.now += 61
    assert examination.tick(closed_to) is None
    examination.join(30)
    return examination.tick(closed_to)


def test_each_day_is_examined_once_and_again_on_request(path: Path) -> None:
    """Findings are handed over once; nothing is examined before a day is closed."""
    examination = Rehearsal(path, [])
    assert through(examination, None) is None
    assert through(examination, CLOSED) == (FOUND,)
    assert examination.outcome is not None
    assert (examination.outcome.done, examination.outcome.words) == (True, "one day examined")
    assert through(examination, CLOSED) is None, "the same day"
    examination.request_examination()
    assert examination.outcome is None
    assert through(examination, CLOSED) == (FOUND,)
    assert through(examination, CLOSED + DAY_MS) == (FOUND,)


@pytest.mark.parametrize(
    ("fails", "text"),
    [(StoreError("the disk is gone"), "the disk is gone"), (ZeroDivisionError("oven"), "oven")],
    ids=["ours", "any"],
)
def test_a_failed_examination_says_why_and_the_next_day_is_examined(path: Path, fails: Exception, text: str) -> None:
    examination = Rehearsal(path, [fails])
    assert through(examination, CLOSED) is None
    assert examination.outcome is not None
    assert not examination.outcome.done
    assert text in examination.outcome.words
    assert not examination.revive(), "the thread ended by itself"
    assert through(examination, CLOSED + DAY_MS) == (FOUND,)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")  # ended from outside
def test_a_thread_that_died_is_revived_even_where_an_examination_is_asked_for(path: Path) -> None:
    """Else the next look began another one, and the death was never reported."""
    examination = Rehearsal(path, [])
    examination.killed = True
    assert through(examination, CLOSED) is None
    examination.killed = False
    examination.request_examination()
    assert through(examination, CLOSED) is None
    assert examination.revive()
    assert not examination.revive()
    assert through(examination, CLOSED) == (FOUND,)
