"""The log of people: lines that stay, in a file of its owner, bounded where somebody guesses."""

import stat
from pathlib import Path

import pytest

from meterd.adapters.runtime.people_log import FAILED, FAILED_AN_HOUR, HOUR_MS, Act, PeopleLog, acts_of, people_log_path

AT = 1_777_888_800_000


def test_lines_of_two_writers_are_read_as_they_were_written(tmp_path: Path) -> None:
    """Texts are cut where they are too long; a line that a power cut ended early is passed over."""
    path = people_log_path(tmp_path / "mill.sqlite")
    assert acts_of(path) == []
    first, second = Act(AT, "login", "Zoë", "role look", "::1"), Act(AT + 1, "logout", "Zoë")
    PeopleLog(path).add(first)
    PeopleLog(path).add(second)
    with path.open("a") as file:
        file.write('{"at_ms": 7, "ki\n[1]\n')
    PeopleLog(path).add(Act(AT + 2, "login", "x" * 1000))
    assert acts_of(path) == [first, second, Act(AT + 2, "login", "x" * 300)]
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert path.name == "mill.sqlite.people"


def test_failed_logins_beyond_a_number_in_an_hour_are_counted(tmp_path: Path) -> None:
    """Other lines are written all the same; the count stands at the end of the hour."""
    log, path = PeopleLog(tmp_path / "p"), tmp_path / "p"
    for number in range(FAILED_AN_HOUR + 40):
        log.add(Act(AT + number, FAILED, "", "unknown name"))
    log.add(Act(AT + 1000, "login", "Anna"))
    assert len(acts_of(path)) == FAILED_AN_HOUR + 1
    log.add(Act(AT + HOUR_MS, "logout", "Anna"))
    assert [act.what or act.kind for act in acts_of(path)[-2:]] == [
        "40 more failed logins in the hour before",
        "logout",
    ]
    log.add(Act(AT + 2 * HOUR_MS, "login", "Anna"))
    assert len(acts_of(path)) == FAILED_AN_HOUR + 4, "the count is written once"


def test_a_file_that_cannot_be_written_keeps_nobody_out(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    PeopleLog(tmp_path / "gone" / "p").add(Act(AT, "login", "Anna"))
    assert "cannot write login of Anna into" in caplog.text
