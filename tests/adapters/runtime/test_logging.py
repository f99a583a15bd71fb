"""The log for people and for programs: one line per change of state."""

import ast
import json
import logging
import sys
from pathlib import Path

import pytest

from meterd.adapters.runtime.logging import JsonLines, about

LEVELS = {"debug", "info", "warning", "error", "exception", "critical", "log"}


def record(text: str, *args: object, **more: str) -> logging.LogRecord:
    made = logging.LogRecord("meterd", logging.WARNING, __file__, 1, text, args, None)
    for name, value in more.items():
        setattr(made, name, value)
    return made


def test_a_line_is_one_object_with_time_level_event_subject_and_text() -> None:
    """Line breaks and quotes in a text do not break the line."""
    line = JsonLines().format(record('link "%s" is\nback', "out", **about("broker-back", "mill")))
    assert "\n" not in line
    result = json.loads(line)
    assert result.pop("time").endswith("Z")
    assert result == {"level": "warning", "event": "broker-back", "subject": "mill", "text": 'link "out" is\nback'}


def test_a_line_of_a_library_has_its_name_as_event_and_its_traceback_in_the_text() -> None:
    """What others log is not lost."""
    made = record("odd")
    try:
        raise ValueError("bent")
    except ValueError:
        made.exc_info = sys.exc_info()
    result = json.loads(JsonLines().format(made))
    assert result["event"] == "meterd"
    assert "ValueError: bent" in result["text"]


@pytest.mark.parametrize("name", ["message", "asctime", "name"])
def test_what_a_line_is_about_hides_no_field_of_the_log(name: str) -> None:
    """The logging package refuses extra fields with names of its own."""
    assert name not in about("event", "subject")


def test_every_line_of_ours_says_what_it_is_about() -> None:
    """A program that reads the log goes by `event`; without it the line would only carry the name of the logger."""
    bare = []
    for path in sorted((Path(__file__).parents[3] / "meterd").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            of, name = node.func.value, node.func.attr
            if (
                isinstance(of, ast.Name)
                and of.id == "log"
                and name in LEVELS
                and "extra" not in {k.arg for k in node.keywords}
            ):
                bare.append(f"{path.name}:{node.lineno}")
    assert bare == []
