"""When two names are the same: case, separators and leading zeros of numbers make no difference. One rule for the whole site."""

import re
import unicodedata

_LETTERS = (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss"))  # as names are written where these are missing


def sameness(name: str) -> str:
    """What must differ between two names: case, separators and leading zeros of numbers are left out.

    >>> sameness("studio-01"), sameness("Studio_1"), sameness("studio-10")
    ('studio1', 'studio1', 'studio10')
    """
    trimmed = re.sub(r"(?<![0-9])0+(?=[0-9])", "", name.casefold())
    return re.sub(r"[^a-z0-9]", "", trimmed)


def spelled(words: str) -> str:
    """The same for titles and places, which people write with accents and umlauts.

    >>> spelled("Büro 02, Café"), spelled("buero 2 cafe")
    ('buero2cafe', 'buero2cafe')
    """
    plain = words.casefold()
    for letter, instead in _LETTERS:
        plain = plain.replace(letter, instead)
    return sameness(unicodedata.normalize("NFKD", plain))
