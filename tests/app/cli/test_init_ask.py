"""`meterd init` by questions, on a terminal: whatever is answered, the plan that is written passes the check."""

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.init_ask import asked_points
from meterd.core.errors import ConfigError
from meterd.core.model.plan import PointState, Role


class Person:
    """Answers in their order, then ends the input; `heard` is what was said to it."""

    def __init__(self, *answers: str) -> None:
        self._answers, self.heard = list(answers), list[str]()

    def ask(self, question: str) -> str:
        """The next answer."""
        self.heard.append(question)
        if not self._answers:
            raise EOFError
        return self._answers.pop(0)

    def say(self, text: str) -> None:
        """Listens."""
        self.heard.append(text)


def test_from_an_empty_folder_to_a_plan_on_a_real_terminal(tmp_path: Path) -> None:
    """A zone that does not exist and a role that does not exist are asked for again."""
    ours, theirs = pty.openpty()
    answers = [
        "Mars/Base", "Europe/Vienna", "Grid meter", "", "", "mill/t1/kwh", "PV roof", "", "", "", "Bakery ovens",
        "fed", "", "", "", "Oven 1", "sub", "bakery-ovens", "", "mill/oven-1/kwh", "",
    ]  # fmt: skip
    os.write(ours, ("\n".join(answers) + "\n").encode())
    command = [str(Path(sys.executable).with_name("meterd")), "init", str(tmp_path / "mill")]
    try:
        done = subprocess.run(command, stdin=theirs, capture_output=True, text=True, timeout=120)
    finally:
        os.close(ours)
        os.close(theirs)
    assert done.returncode == 0, done.stderr
    assert "'Mars/Base' is not in the IANA list of time zones" in done.stdout
    assert "'fed' is none of them" in done.stdout
    assert "points: 4, boards: 1; the plan has no fault" in done.stdout
    site = load_plan(tmp_path / "mill").site
    assert [(p.name, p.title, p.role, p.state) for p in site.points] == [
        ("grid-meter", "Grid meter", Role.FEED, PointState.LIVE),
        ("pv-roof", "PV roof", Role.PV, PointState.PLANNED),
        ("bakery-ovens", "Bakery ovens", Role.FEEDER, PointState.PLANNED),
        ("oven-1", "Oven 1", Role.SUB, PointState.LIVE),
    ]
    assert site.point("oven-1").below == "bakery-ovens"
    assert [(row.point, row.address) for row in site.inputs] == [
        ("grid-meter", "mill/t1/kwh"), ("oven-1", "mill/oven-1/kwh"),
    ]  # fmt: skip


def test_the_end_of_the_input_ends_the_list_without_the_point_that_is_not_answered() -> None:
    """And the board that was named last is the likely one; equal names get numbers."""
    person = Person("Oven", "", "west", "", "oven", "", "", "", "Fan", "")
    listed = asked_points(person.ask, person.say)
    assert [(p.name, p.values["board"]) for p in listed.points] == [("oven", "west"), ("oven-2", "west")]
    assert not any(point.guesses for point in listed.points)


@pytest.mark.parametrize("answers", [(), ("",), ("???", "")])
def test_no_point_is_no_plan(answers: tuple[str, ...]) -> None:
    """What is no name is asked for again."""
    person = Person(*answers)
    with pytest.raises(ConfigError, match="no point is named, and nothing is written"):
        asked_points(person.ask, person.say)
    assert any("'???' has no letter" in text for text in person.heard) == ("???" in answers)
