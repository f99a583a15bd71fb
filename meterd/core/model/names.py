"""When two names are the same: case, leading zeros of numbers and separators make no difference, except one between digits.

One rule for the whole site.
"""

import re
import unicodedata

_LETTERS = (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss"))  # as names are written where these are missing


def sameness(name: str) -> str:
    """What must differ between two names: case, separators and leading zeros of numbers are left out.

    A separator between two digits counts, because it tells numbers apart.

    >>> sameness("studio-01"), sameness("Studio_1"), sameness("studio-10")
    ('studio1', 'studio1', 'studio10')
    >>> sameness("h1-11"), sameness("h11-1"), sameness("h-01_11")
    ('h1-11', 'h11-1', 'h1-11')
    """
    trimmed = re.sub(r"(?<![0-9])0+(?=[0-9])", "", name.casefold())
    between = re.sub(r"(?<=[0-9])[^a-z0-9]+(?=[0-9])", "-", trimmed)
    return re.sub(r"[^a-z0-9-]|(?<![0-9])-|-(?![0-9])", "", between)


def spelled(text: str) -> str:
    """The same for titles and places, which people write with accents and umlauts.

    >>> spelled("Büro 02, Café"), spelled("buero 2 cafe")
    ('buero2cafe', 'buero2cafe')
    """
    plain = text.casefold()
    for letter, instead in _LETTERS:
        plain = plain.replace(letter, instead)
    return sameness(unicodedata.normalize("NFKD", plain))
