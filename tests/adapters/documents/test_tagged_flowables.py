"""Spaces behind the lines of a text, so that a screen reader does not join its words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.documents.fonts import PLAIN, letters
from meterd.adapters.documents.labels import wrapped
from meterd.adapters.documents.tagged_flowables import Spaces

TABLE = [
    ("one line", ["one line"], [""]),
    ("two words", ["two", "words"], [" ", ""]),
    ("a longword", ["a", "long", "word"], [" ", "", ""]),
    ("a  b   c", ["a b", "c"], [" ", ""]),
]


@pytest.mark.parametrize(("text", "lines", "wanted"), TABLE, ids=[row[0] for row in TABLE])
def test_space_stands_behind_a_line_that_ends_between_words(text: str, lines: list[str], wanted: list[str]) -> None:
    """Not behind the last line, nor inside a word that had to be cut."""
    spaces = Spaces(text)
    assert [spaces.after(line) for line in lines] == wanted


@given(st.text("abc äÖ-1", min_size=1, max_size=80), st.floats(20, 200))
def test_lines_with_their_spaces_are_the_text(text: str, width: float) -> None:
    """For any text and width, as the labels break it."""
    letters()
    spaces = Spaces(text)
    lines = wrapped(text, PLAIN, 7.5, width=width)
    assert "".join(line + spaces.after(line) for line in lines) == " ".join(text.split())
