"""What stays together on a page. Found by looking at each page of the documents of sixty days of Harrow Mill."""

import io

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.documents.model import (
    Bars,
    Block,
    Column,
    Document,
    Facts,
    Heading,
    Number,
    Series,
    Sign,
    Table,
    Text,
)
from meterd.adapters.documents.pdf import pdf

FIGURES = (Column("Row", 40), Column("Figure", 40, "right"))
CAUTIONS = (Heading("Cautions"), Text("a caution of some length " * 16, "caution"))


def pages(*blocks: Block) -> list[str]:
    """The text of each page."""
    document = Document("Title", "s", "en", "UTC", "foot", "{page} of {pages}", blocks)
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf(document))).pages]


def rows(count: int, name: str = "row") -> tuple[tuple[str, Number], ...]:
    """Rows of a table."""
    return tuple((f"{name}-{i:03d}", Number(float(i))) for i in range(count))


def filling(lines: int) -> Facts:
    """Something that fills a page more or less."""
    return Facts("f", tuple((f"word {i}", "value") for i in range(lines)))


@settings(max_examples=12, deadline=None)
@given(lines=st.integers(min_value=30, max_value=54), count=st.integers(min_value=1, max_value=60))
def test_cautions_never_stand_alone_on_a_page(lines: int, count: int) -> None:
    """They keep the chapter before them, or the last row of its table."""
    made = pages(
        filling(lines), Heading("Last chapter"), Table("t", FIGURES, rows(count)), Text("a note", "note"), *CAUTIONS
    )
    last = made[-1]
    assert "Cautions" in last
    assert "a note" in last
    assert f"row-{count - 1:03d}" in last


@settings(max_examples=12, deadline=None)
@given(lines=st.integers(min_value=30, max_value=54), count=st.integers(min_value=1, max_value=40))
def test_sum_never_stands_on_another_page_than_the_row_above(lines: int, count: int) -> None:
    """A short table is on one page as a whole; a long one gives its last row to the page of its sum."""
    table = Table("t", FIGURES, (*rows(count), ("Total", Number(1.0))), sums=1)
    made = pages(filling(lines), Heading("Chapter"), Text("a note", "note"), table, Heading("After"), filling(3))
    where = [i for i, page in enumerate(made) for word in ("Total", f"row-{count - 1:03d}") if word in page]
    assert len(set(where)) == 1
    if count < 12:
        assert len({i for i, page in enumerate(made) if "row-" in page or "Chapter" in page}) == 1


@pytest.mark.parametrize("lines", range(36, 54, 3))
def test_heading_stands_above_what_it_heads(lines: int) -> None:
    """A heading with a note behind it goes to the next page with its table."""
    made = pages(filling(lines), Heading("Chapter"), Text("a note", "note"), Table("t", FIGURES, rows(40)))
    page = next(page for page in made if "Chapter" in page)
    assert "a note" in page
    assert "row-001" in page


@pytest.mark.parametrize("lines", range(24, 45, 3))
def test_chart_stands_below_the_facts_that_it_shows(lines: int) -> None:
    """Found with two measures that save: the chart of the first one began a page, without a word what it was."""
    chart = Bars("b", "kWh", ("monday",), (Series("saved", (3.0,)),), "missing", "Day")
    made = pages(filling(lines), Heading("Saving"), Text("so much"), Facts("f", (("expected", "1 kWh"),)), chart)
    page = next(page for page in made if "Saving" in page)
    assert all(word in page for word in ("so much", "expected", "monday"))


@pytest.mark.parametrize("lines", range(36, 54, 3))
def test_signatures_stand_below_the_result_that_is_signed(lines: int) -> None:
    """Nobody signs an empty page."""
    result = Table("t", (Column("Result", 60), Column("Tick", 20)), (("accepted", ""), ("refused", "")), tall=True)
    last = pages(filling(lines), Heading("Result of it"), result, Sign(("Tested",), ("name", "date", "signature")))[-1]
    assert all(word in last for word in ("Result of it", "refused", "signature"))


def test_row_longer_than_a_page_is_divided() -> None:
    """A finding of any length becomes a document, and no word of it is lost."""
    message = " ".join(f"word{i}" for i in range(3000))
    made = pages(Heading("H"), Table("t", FIGURES, (("a", message), ("b", "end"))), Text("a note", "note"), *CAUTIONS)
    text = " ".join(made).replace("\n", " ")
    assert all(f"word{i}" in text for i in range(3000))
    assert "Cautions" in made[-1]
