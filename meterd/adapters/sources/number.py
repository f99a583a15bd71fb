"""Strict numbers: what a payload or a cell must look like to be believed. Pure."""

import math
import re

# Optional sign, ASCII digits with at most one point, optional exponent. No separators, no hexadecimal, no words.
PLAIN = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_PLAIN_TEXT = re.compile(PLAIN)
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
LONGEST = 64  # characters: a double has 17 digits, a generous meter 20


class NotANumber(ValueError):
    """The reason, in words for the finding."""


def from_text(text: str) -> float:
    """The number a text shows; surrounding blanks are allowed. NotANumber with the reason otherwise.

    >>> from_text(" 12.50 ")
    12.5
    """
    cell = text.strip(" \t\r\n")
    if len(cell) > LONGEST:
        raise NotANumber(f"a number has at most {LONGEST} characters, got {len(cell)}")
    if not _PLAIN_TEXT.fullmatch(cell):
        raise NotANumber(_why_not(cell))
    return finite(float(cell))


def from_json(value: object) -> float:
    """The number of a decoded JSON value. Text, true, false, null, lists and objects are none.

    >>> from_json(7)
    7.0
    """
    if isinstance(value, bool):
        raise NotANumber(f"{'true' if value else 'false'} is no number")
    if isinstance(value, int | float):
        try:
            return finite(float(value))
        except OverflowError as exc:
            raise NotANumber("number beyond the range of a double") from exc
    if value is None:
        raise NotANumber("null is no number; leave the member out when there is no value")
    if isinstance(value, str):
        raise NotANumber("a number in quotes is text; send it without quotes")
    raise NotANumber(f"{'an array' if isinstance(value, list) else 'an object'} is no number")


def finite(value: float) -> float:
    """The value itself, minus zero as zero; NotANumber for NaN and infinities."""
    if not math.isfinite(value):
        raise NotANumber("NaN, infinite, or beyond the range of a double")
    return value + 0.0  # -0.0 + 0.0 is 0.0


def _why_not(cell: str) -> str:
    if not cell:
        return "empty"
    if _COMMA.fullmatch(cell):
        return "decimal comma; the decimal sign must be a point"
    if "_" in cell:
        return "underscore in a number"
    if cell.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return "NaN or infinite is no number"
    if not cell.isascii():
        return "characters outside ASCII in a number"
    return "no plain decimal number such as 1234.5"
