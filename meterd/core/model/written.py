"""Dates and numbers as people write them in German: day first, decimal comma. Pure.

What is written as this program writes it stays as it is; what fits two readings is refused with both.
"""

import re

_DATE = re.compile(
    r"^\s*([0-9]{1,2})\.([0-9]{1,2})\.([0-9]{4})(?:[ T,]+([0-9]{1,2}):([0-9]{2}(?::[0-9]{2})?))?\s*(?:Uhr)?\s*$"
)
_ISO = re.compile(r"^([0-9]{4})-([0-9]{2})-([0-9]{2})(?:[T ]([0-9]{2}:[0-9]{2}))?$")
_COMMA = re.compile(r"^[+-]?[0-9]+,[0-9]+$")
_GROUPED = re.compile(r"^[+-]?[0-9]{1,3}(?:[.'\u2019 \u00a0\u202f][0-9]{3})+,[0-9]+$")
_BOTH = re.compile(r"^[+-]?[1-9][0-9]{0,2},[0-9]{3}$")
_BOTH_IN_GERMAN = re.compile(r"^[+-]?[1-9][0-9]{0,2}\.[0-9]{3}$")


class AmbiguousNumberError(ValueError):
    """A number whose comma or point may be a decimal sign or a thousands separator, with both readings."""

    def __init__(self, text: str) -> None:
        self.whole, self.part = text.replace(",", "").replace(".", ""), text.replace(",", ".")
        super().__init__(f"{text} is {self.whole} or {self.part}: write one of these")


def iso_date(text: str) -> str:
    """A date that is written day first, and its time if there is one, as ISO 8601; anything else as it is.

    >>> iso_date("4.5.2026 9:30"), iso_date("04.05.2026"), iso_date("2026-05-04")
    ('2026-05-04T09:30', '2026-05-04', '2026-05-04')
    """
    match = _DATE.match(text)
    if match is None:
        return text
    day, month, year, hour, rest = match.groups()
    date = f"{year}-{int(month):02}-{int(day):02}"
    return date if hour is None else f"{date}T{int(hour):02}:{rest}"


def day_first(text: str) -> str:
    """A date of ISO 8601, and its time if there is one, written day first; anything else as it is.

    >>> day_first("2026-05-04T09:30"), day_first("2026-05-04"), day_first("2026-05")
    ('04.05.2026 09:30', '04.05.2026', '2026-05')
    """
    match = _ISO.match(text)
    if match is None:
        return text
    year, month, day, clock = match.groups()
    return f"{day}.{month}.{year}" + (f" {clock}" if clock else "")


def german_number(text: str) -> str:
    """The same for what was written into a German form, where a point may separate thousands as well.

    >>> german_number("12,5"), german_number("0.081")
    ('12.5', '0.081')
    """
    if _BOTH_IN_GERMAN.match(text):
        raise AmbiguousNumberError(text)
    return plain_number(text)


def plain_number(text: str) -> str:
    """A number with a decimal comma as one with a point; anything else as it is.

    AmbiguousNumberError with both readings for what may be a thousands separator.

    >>> plain_number("123456,7"), plain_number("123.456,7"), plain_number("123456.7")
    ('123456.7', '123456.7', '123456.7')
    """
    if _BOTH.match(text):
        raise AmbiguousNumberError(text)
    if _COMMA.match(text) or _GROUPED.match(text):
        return re.sub(r"[.'\u2019 \u00a0\u202f]", "", text).replace(",", ".")
    return text
