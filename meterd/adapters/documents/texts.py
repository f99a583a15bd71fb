"""The words of the documents, by key and language: `catalogue/en.toml`, `catalogue/de.toml`. A test keeps both complete."""

import tomllib
from functools import cache
from importlib.resources import files

from meterd.adapters.documents.formats import number

LANGUAGES = ("en", "de")


@cache
def catalogue(lang: str) -> dict[str, str]:
    """All texts of one language."""
    result = files("meterd.adapters.documents").joinpath(f"catalogue/{lang}.toml").read_text(encoding="utf-8")
    return {key: str(value) for key, value in tomllib.loads(result).items()}


class Texts:
    """The catalogue of one language."""

    def __init__(self, lang: str) -> None:
        self.lang = lang
        self._texts = catalogue(lang)

    def __call__(self, key: str, **values: object) -> str:
        """The text of a key with its values; KeyError for a key or value that is missing."""
        return self._texts[key].format(**values)

    def pattern(self, key: str) -> str:
        """The text of a key with its places left open."""
        return self._texts[key]

    def known(self, key: str, otherwise: str) -> str:
        """The text of a key that may be missing, such as the name of a cause."""
        return self._texts.get(key, otherwise)

    def number(self, value: float, decimals: int = 1) -> str:
        """A number inside a text."""
        return number(value, decimals, self.lang)

    def month(self, place: int) -> str:
        """The name of a month, 1 to 12."""
        return self._texts["months"].split()[place - 1]
