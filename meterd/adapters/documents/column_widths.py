"""Widths of the columns of a table: those that were wanted, and wider where a word, a number or a time would be broken."""

from collections.abc import Sequence

from reportlab.pdfbase.pdfmetrics import stringWidth

CLOSE = 0.001  # points


def fitted(wanted: Sequence[float], least: Sequence[float], whole: Sequence[float]) -> list[float]:
    """The wanted widths; a column below its least width takes what it lacks from the others, in proportion.

    First they give what they have beyond the whole text of their cells, then what they have beyond their own least width.
    The sum stays. Where all columns together have too little, the wanted widths stay.

    >>> fitted([10.0, 40.0, 30.0], [15.0, 20.0, 25.0], [20.0, 40.0, 40.0])
    [15.0, 36.0, 29.0]
    >>> fitted([10.0, 40.0, 30.0], [15.0, 20.0, 25.0], [20.0, 25.0, 40.0])
    [15.0, 35.0, 30.0]
    >>> fitted([10.0, 10.0], [15.0, 10.0], [15.0, 10.0])
    [10.0, 10.0]
    """
    widths = [max(width, low) for width, low in zip(wanted, least, strict=True)]
    lacking = sum(widths) - sum(wanted)
    for floor in ([max(pair) for pair in zip(least, whole, strict=True)], least):
        spare = [width - max(low, min(width, f)) for width, low, f in zip(widths, least, floor, strict=True)]
        part = min(1.0, lacking / sum(spare)) if sum(spare) else 0.0
        widths = [width - part * more for width, more in zip(widths, spare, strict=True)]
        lacking -= part * sum(spare)
    return widths if lacking < CLOSE else list(wanted)


def longest_word(text: str, font: str, size: float) -> float:
    """The width of the longest word of a text in points."""
    return max((float(stringWidth(word, font, size)) for word in text.split()), default=0.0)


def whole_width(text: str, font: str, size: float) -> float:
    """The width of a text on one line in points."""
    return float(stringWidth(text, font, size))
