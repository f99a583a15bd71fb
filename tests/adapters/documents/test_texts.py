"""Both languages say everything, with the same values in it, and nothing that nobody asks for."""

import re
import string
from pathlib import Path

import pytest

import meterd.adapters.documents
from meterd.adapters.documents.fonts import letters
from meterd.adapters.documents.texts import LANGUAGES, Texts, catalogue
from meterd.core.reports.content import CAUTIONS

CODE = "".join(
    path.read_text(encoding="utf-8") for path in Path(meterd.adapters.documents.__file__).parent.glob("*.py")
)
# keys whose last part is a value of the plan or the store
FAMILIES = (
    "role-", "state-", "verdict-", "quality-", "basis-", "per-", "pot-", "check-", "reason-", "mode-", "caution-",
    "by-", "no-", "result-", "forecast-", "naive-",
)  # fmt: skip


def places(text: str) -> set[str]:
    """The names of the values in a text."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_both_languages_have_the_same_keys_and_values() -> None:
    """A text that lacks a value would tell a German reader less."""
    english, german = (catalogue(lang) for lang in LANGUAGES)
    assert english.keys() == german.keys()
    assert {key: places(text) for key, text in english.items()} == {key: places(text) for key, text in german.items()}


def test_every_key_is_used_and_every_used_key_is_there() -> None:
    """Keys in the code are in the catalogue; keys of the catalogue are in the code, or belong to a family of values."""
    known = catalogue("en")
    asked = set(re.findall(r'words\(\s*"([a-z0-9-]+)"', CODE)) | set(re.findall(r'pattern\("([a-z-]+)"', CODE))
    assert asked - known.keys() == set()
    named = set(re.findall(r'"([a-z0-9-]+)"', CODE))
    assert {
        key for key in known if key not in named and not key.startswith(FAMILIES) and not key.endswith("-line")
    } == set()


@pytest.mark.parametrize("lang", LANGUAGES)
def test_every_letter_of_the_catalogue_is_in_the_font(lang: str) -> None:
    """No question mark on paper."""
    known = letters()
    assert {letter for text in catalogue(lang).values() for letter in text if ord(letter) not in known} == set()


@pytest.mark.parametrize("lang", LANGUAGES)
def test_every_caution_and_twelve_months(lang: str) -> None:
    """Those of the design, all of them."""
    texts = Texts(lang)
    assert all(texts(f"caution-{name}") for name in CAUTIONS)
    assert len({texts.month(i) for i in range(1, 13)}) == 12


def test_missing_key_is_an_error_and_no_empty_text() -> None:
    """A slip is found by a test, not by a reader."""
    with pytest.raises(KeyError, match="no-such"):
        Texts("en")("no-such")
    with pytest.raises(KeyError, match="page"):
        Texts("en")("page")
