"""A wrong command line is named in words, with the nearest known word and without words of the language below."""

import pytest

from meterd.app.cli.main import main
from meterd.app.cli.parser import nearest


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["balanc", "x"], "meterd: there is no command balanc; did you mean balance?"),
        (["xyz"], "meterd: there is no command xyz; known: init, check, run, replay"),
        (["balance", "x", "--perod", "day"], "there is no option --perod; did you mean --period?"),
        (["balance", "x", "--period", "dya"], "meterd balance: there is no --period dya; did you mean day?"),
        (["balance", "a plan", "folder"], "'folder' is one word too many; put words that belong together in quotes"),
        (["balance"], "meterd balance: PLAN is missing"),
        (["balance", "x", "--period"], "--period needs a value behind it"),
        (["demo", "--days", "many"], "--days needs "),
        ([], "meterd: COMMAND is missing"),
    ],
)
def test_a_wrong_command_line_is_named(arguments: list[str], expected: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2, one line that names it, one that says where help is."""
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    err = capsys.readouterr().err
    assert ended.value.code == 2
    assert expected in err
    assert "--help explains every option" in err
    for word in ("invalid", "argument", "unrecognized", "usage", "Python", "'int'"):
        assert word not in err.replace("--help explains every option", "")


def test_without_a_near_word_all_are_named() -> None:
    assert nearest("q", ["day", "month"]) == "known: day, month"
