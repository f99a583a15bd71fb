"""The letters of a PDF: Vera, which reportlab carries and every document embeds. It has the letters of Western Europe."""

import unicodedata
from functools import cache
from pathlib import Path

import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PLAIN, BOLD, ITALIC = "Vera", "VeraBd", "VeraIt"
_FOLDER = Path(reportlab.__file__).parent / "fonts"


@cache
def letters() -> frozenset[int]:
    """Register the fonts; returns the letters that all of them have."""
    results: list[set[int]] = []
    for name in (PLAIN, BOLD, ITALIC):
        font = TTFont(name, str(_FOLDER / f"{name}.ttf"))
        pdfmetrics.registerFont(font)
        results.append(set(font.face.charToGlyph))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=ITALIC, boldItalic=BOLD)
    return frozenset(set.intersection(*results))


def printable(text: str) -> str:
    """The text in letters that the font has: others lose their accent, and what has none becomes a question mark.

    >>> printable("Jiří, Größe 5 µΩ"), printable("α")
    ('Jirí, Größe 5 µΩ', '?')
    """
    known = letters()
    return "".join(letter if ord(letter) in known else _nearest(letter, known) for letter in text)


def _nearest(letter: str, known: frozenset[int]) -> str:
    plain = "".join(part for part in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(part))
    return plain if plain and all(ord(part) in known for part in plain) else "?"
