"""Numbers and times as people of a language write them."""

from zoneinfo import ZoneInfo

from meterd.adapters.documents.model import Cell, Moment, Number
from meterd.core.model.periods import from_ms

MINUS = "\N{MINUS SIGN}"  # as wide as a plus, and never a hyphen
_MARKS = {"en": (",", "."), "de": (".", ",")}  # thousands, decimals


def number(value: float, decimals: int, lang: str) -> str:
    """A number with thousands apart.

    >>> number(1234567.891, 1, "en"), number(1234567.891, 1, "de"), number(-0.04, 1, "en")
    ('1,234,567.9', '1.234.567,9', '0.0')
    >>> number(-1.5, 1, "de") == MINUS + "1,5"
    True
    """
    thousands, point = _MARKS[lang]
    plain = f"{value:,.{decimals}f}"
    if not plain.strip("-0.,"):
        plain = plain.lstrip("-")  # what rounds to nothing has no sign
    return plain.translate(str.maketrans(",.-", thousands + point + MINUS))


def moment(at: Moment, lang: str, zone: ZoneInfo) -> str:
    """A local time; with its offset where the clock shows it twice.

    >>> moment(Moment(1792889100000), "de", ZoneInfo("Europe/Vienna"))
    '25.10.2026 02:45 +0200'
    """
    local = from_ms(at.ms).astimezone(zone)
    date = local.strftime("%d.%m.%Y" if lang == "de" else "%Y-%m-%d")
    if at.date_only:
        return date
    twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{date} {local:%H:%M}" + (f" {local:%z}" if twice else "")


def shown(cell: Cell, lang: str, zone: ZoneInfo) -> str:
    """A cell as text."""
    if isinstance(cell, Number):
        return number(cell.value, cell.decimals, lang) + (f" {cell.unit}" if cell.unit else "")
    return moment(cell, lang, zone) if isinstance(cell, Moment) else cell
