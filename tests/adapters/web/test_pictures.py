"""Charts with words: units that fit, dates as a reader writes them, both sizes of the same picture."""

from zoneinfo import ZoneInfo

import pytest
from reportlab.pdfbase.pdfmetrics import stringWidth

from meterd.adapters.documents.fonts import PLAIN, letters
from meterd.adapters.web.pictures import BROAD, NARROW, Reader, both, tick_words, unit_of
from meterd.core.reports.axis import Grain, TimeTick
from meterd.core.reports.chart import Form, Track

VIENNA = ZoneInfo("Europe/Vienna")
NOON_MS = 1_777_888_800_000  # 4 May 2026, 12:00 in Vienna


@pytest.mark.parametrize(
    ("largest", "power", "unit"),
    [(900, True, "W"), (9_000, True, "kW"), (9_000_000, True, "kW"), (10_000_000, True, "MW"), (2e10, False, "GWh")],
)
def test_a_unit_fits_the_largest_value(largest: float, power: bool, unit: str) -> None:
    """Up to four digits before the point."""
    assert unit_of(largest, power=power)[1] == unit


@pytest.mark.parametrize(
    ("grain", "english", "german"),
    [
        (Grain.CLOCK, "12:00", "12:00"),
        (Grain.DAY, "4 May", "4. Mai"),
        (Grain.MONTH, "May 2026", "Mai 2026"),
        (Grain.YEAR, "2026", "2026"),
    ],
)
def test_moments_are_written_as_readers_write_them(grain: Grain, english: str, german: str) -> None:
    """In local time."""
    tick = TimeTick(NOON_MS, grain)
    assert [tick_words(tick, Reader(language, VIENNA)) for language in ("en", "de")] == [english, german]


def test_both_sizes_show_the_same() -> None:
    """As many strokes, fewer words at the axis of a phone; nothing known is no picture."""
    edges = [NOON_MS + i * 3_600_000 for i in range(25)]
    reader = Reader("de", VIENNA)
    pictures = both(Form.LINES, [Track([float(i % 3) for i in range(24)])], edges, unit="kW", reader=reader)
    assert pictures is not None
    assert (pictures.broad.size, pictures.narrow.size) == (BROAD, NARROW)
    assert len(pictures.broad.strokes) == len(pictures.narrow.strokes) == 1
    assert 1 < len(pictures.narrow.x_words) < len(pictures.broad.x_words)
    assert both(Form.LINES, [Track([None] * 24)], edges, unit="kW", reader=reader) is None


@pytest.mark.parametrize(("least", "longest"), [(-10_000.0, "−10.000"), (-10_000_000.0, "−10.000.000"), (0.0, "60")])
def test_there_is_room_for_the_longest_value_of_an_axis(least: float, longest: str) -> None:
    """Found by looking: on a phone −10,000 had lost its minus, and a loss read as a gain."""
    edges = [NOON_MS + i * 3_600_000 for i in range(3)]
    drawn = both(Form.LINES, [Track([least, 60.0])], edges, unit="kWh", reader=Reader("de", VIENNA))
    assert drawn is not None
    letters()
    for shown, usual, height in ((drawn.broad, BROAD, 14), (drawn.narrow, NARROW, 12)):
        text = max((text for _, text in shown.y_words), key=len)
        assert len(text) == len(longest)
        needed = stringWidth(text, PLAIN, height)
        assert shown.size.left >= needed + 6, "the words end 6 before the plane"
        assert (shown.size == usual) == (len(longest) < 4)
        assert shown.size.left < needed + 14 or shown.size == usual
        assert min(x for x, _ in shown.x_words) >= shown.size.left, "the plane begins there"
