"""Hours by days on paper: a rectangle for each hour that was there, the same bytes for the same values."""

import io
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pypdf
import pytest

from meterd.adapters.documents.model import Document, Heading, HoursMap
from meterd.adapters.documents.pdf import pdf
from meterd.core.energy.load_profile import HoursByDays, hours_by_days

VIENNA = ZoneInfo("Europe/Vienna")
HOUR = 3_600_000
BEGIN = 1_772_319_600_000  # 1 March 2026, midnight in Vienna


def hours(days: int, known: bool = True) -> HoursByDays:
    """So many days from the first of March on; the fifth hour is missing."""
    end = datetime(2026, 3, 1, tzinfo=VIENNA) + timedelta(days=days)
    begins = list(range(BEGIN, int(end.timestamp()) * 1000, HOUR))
    energy = np.arange(len(begins), dtype=np.int64) % 24 * 1_000_000
    present = np.full(len(begins), known)
    present[5] = False
    return hours_by_days(begins, energy, present, VIENNA)


def page(days: int, known: bool = True) -> tuple[bytes, str, bytes]:
    """The file, its words, and what is drawn on its first page."""
    block = HoursMap("H", hours(days, known), "missing", "Day")
    data = pdf(Document("T", "S", "en", "Europe/Vienna", "f", "{page}/{pages}", (Heading("H", 2), block)))
    first = pypdf.PdfReader(io.BytesIO(data)).pages[0]
    content = first.get_contents()
    return data, first.extract_text(), b"" if content is None else content.get_data()


@pytest.mark.parametrize("days", [1, 31, 365])
def test_every_hour_is_a_cell(days: int) -> None:
    """And the clock's lost hour is none."""
    data, text, drawn = page(days)
    block = hours(days)
    cells = int((block.present | block.missing).sum())
    assert cells == days * 24 - (1 if days > 28 else 0)
    assert drawn.count(b" re") >= cells
    for output in ("kW", "00:00", "21:00", "missing", "0.0 – 2.9", "20.1 – 23.0"):
        assert output in text
    assert page(days)[0] == data


def test_nothing_known_is_no_map() -> None:
    """And no fault."""
    assert page(2, known=False)[0][:5] == b"%PDF-"
