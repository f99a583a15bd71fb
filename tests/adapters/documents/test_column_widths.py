"""Widths of columns: the sum stays, and no word is broken where there is room."""

import io

import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.documents.column_widths import fitted, longest_word, whole_width
from meterd.adapters.documents.fonts import PLAIN, letters
from meterd.adapters.documents.model import Column, Document, Moment, Table
from meterd.adapters.documents.pdf import pdf

SIZES = st.floats(min_value=1, max_value=200)


@given(st.lists(st.tuples(SIZES, SIZES, SIZES), min_size=1, max_size=12))
def test_sum_stays_and_every_column_has_its_least_width_where_all_have(
    columns: list[tuple[float, float, float]],
) -> None:
    """Whatever is wanted."""
    wanted, least, more = ([own[i] for own in columns] for i in range(3))
    whole = [low + extra for low, extra in zip(least, more, strict=True)]
    widths = fitted(wanted, least, whole)
    assert sum(widths) == pytest.approx(sum(wanted))
    if sum(least) <= sum(wanted):
        assert all(width >= low - 0.01 for width, low in zip(widths, least, strict=True))
    else:
        assert widths == wanted


def test_widths_that_are_enough_stay() -> None:
    """The columns of tables below each other stay in line."""
    assert fitted([30.0, 20.0], [30.0, 5.0], [50.0, 5.0]) == [30.0, 20.0]


def test_longest_word_and_whole_text() -> None:
    """In points of the font."""
    letters()
    assert 0 == longest_word("", PLAIN, 7) < longest_word("a bb", PLAIN, 7) == whole_width("bb", PLAIN, 7)


def test_words_and_times_of_narrow_columns_are_not_broken() -> None:
    """Found in the German list of meters: `Verteilun-g`, `Ersatzversorg-ung`, and times on two lines in an English report."""
    columns = (Column("Verteilung", 5), Column("Rolle", 12), Column("Ab", 14), Column("Bemerkung", 60))
    table = Table("t", columns, (("north", "Ersatzversorgung", Moment(0), "eine kurze Bemerkung"),))
    document = Document("T", "s", "de", "UTC", "foot", "{page}", (table,))
    text = pypdf.PdfReader(io.BytesIO(pdf(document))).pages[0].extract_text()
    for wanted in ("Verteilung", "Ersatzversorgung", "01.01.1970 00:00"):
        assert wanted in text
