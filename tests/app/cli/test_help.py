"""`meterd help`: every topic is there, and the list names each."""

import pytest

from meterd.app.cli.help import TOPICS, document
from meterd.app.cli.main import main


@pytest.mark.parametrize("topic", sorted(TOPICS))
def test_every_topic_prints_its_reference(topic: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What is printed is the whole document."""
    assert main(["help", topic]) == 0
    text = capsys.readouterr().out
    assert text == document(topic)
    assert text.startswith("# ")


def test_without_a_topic_all_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """A line each, with the command that prints it."""
    assert main(["help"]) == 0
    texts = capsys.readouterr().out.splitlines()
    assert [line.split()[2] for line in texts] == list(TOPICS)


def test_an_unknown_topic_is_refused_with_the_known_ones(capsys: pytest.CaptureFixture[str]) -> None:
    """As every other wrong word of the command line."""
    with pytest.raises(SystemExit) as ended:
        main(["help", "weather"])
    assert ended.value.code == 2
    assert "sources" in capsys.readouterr().err
