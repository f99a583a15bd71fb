"""Charts on paper: names of any length find room, gaps are marked, every form is drawn."""

import io
from zoneinfo import ZoneInfo

import pypdf
import pytest
from reportlab.pdfbase.pdfmetrics import stringWidth

from meterd.adapters.documents.fonts import PLAIN, letters
from meterd.adapters.documents.model import Course, Document, Heading, Series
from meterd.adapters.documents.pdf import pdf
from meterd.adapters.documents.time_chart import SIZE, TimeChart

DAY = 86_400_000
BEGIN = 1_772_319_600_000
VIENNA = ZoneInfo("Europe/Vienna")


def course(form: str, days: int = 31, names: int = 9, length: int = 8) -> Course:
    """Series of days, a gap in the third."""
    edges = tuple(BEGIN + i * DAY for i in range(days + 1))
    series = tuple(
        Series(f"{chr(97 + i)}" * length, tuple(None if day == 2 else 10.0 + i - day % 3 for day in range(days)))
        for i in range(names)
    )
    return Course("C", "kWh", form, edges, series, "missing", "From")  # type: ignore[arg-type]


@pytest.mark.parametrize("form", ["lines", "stacked"])
@pytest.mark.parametrize("days", [1, 31, 365])
def test_every_form_and_length_is_drawn_with_its_legend(form: str, days: int) -> None:
    """All names and the unit stand on the page."""
    document = Document("T", "S", "en", "Europe/Vienna", "f", "{page}/{pages}", (Heading("H", 2), course(form, days)))
    data = pdf(document)
    output = pypdf.PdfReader(io.BytesIO(data)).pages[0].extract_text()
    for i in range(9):
        assert chr(97 + i) * 8 in output
    assert "kWh" in output
    assert pdf(document) == data


def test_long_names_take_more_lines_of_the_legend() -> None:
    """And the chart is higher by them; nothing runs over the margin."""
    letters()
    short, long = (TimeChart(course("lines", length=n), "de", VIENNA, 500.0) for n in (4, 40))
    assert long.height > short.height
    assert all(x + 12 + stringWidth(text, PLAIN, SIZE) <= 500 for row in long._rows for x, _, text in row)


def test_values_below_zero_and_nothing_at_all_are_drawn() -> None:
    """A feeder that gave more than it took; a course without a figure."""
    edges = (BEGIN, BEGIN + DAY, BEGIN + 2 * DAY)
    for values in ((-5.0, 3.0), (None, None)):
        for form in ("lines", "stacked"):
            block = Course("C", "kWh", form, edges, (Series("a", values), Series("b", (1.0, 1.0))), "-", "From")  # type: ignore[arg-type]
            assert pdf(Document("T", "S", "de", "Europe/Vienna", "f", "{page}/{pages}", (block,)))[:5] == b"%PDF-"
