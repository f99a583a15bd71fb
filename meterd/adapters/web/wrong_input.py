"""What is wrong with a part of an address or of a form, in the language of its reader."""

from collections.abc import Mapping, Sequence
from typing import Any

from meterd.adapters.texts import wording
from meterd.core.model.written import AmbiguousNumberError

# types of errors of pydantic 2: the text of ours, and the limit that it names
_TEXTS = {
    "int_parsing": ("whole", ""),
    "int_parsing_size": ("whole", ""),
    "int_from_float": ("whole", ""),
    "float_parsing": ("number", ""),
    "finite_number": ("number", ""),
    "bool_parsing": ("flag", ""),
    "literal_error": ("one_of", "expected"),
    "string_too_long": ("long", "max_length"),
    "too_long": ("many", "max_length"),
    "greater_than_equal": ("at_least", "ge"),
    "less_than_equal": ("at_most", "le"),
    "missing": ("missing", ""),
}


def wrong_words(language: str, errors: Sequence[Mapping[str, Any]], page: str = "") -> str:
    """Every part that is wrong, by its name in the form of the page if it has one there, with what would be right.

    >>> wrong_words("de", [{"type": "int_parsing", "loc": ("query", "year"), "ctx": {}}])
    'year: eine ganze Zahl ist nötig'
    >>> wrong_words("en", [{"type": "float_parsing", "loc": ("query", "battery"), "ctx": {}}], "what-if")
    'Battery in kWh: a number is needed'
    """
    return "; ".join(f"{_part(language, page, error)}: {_words(language, error)}" for error in errors)


def _part(language: str, page: str, error: Mapping[str, Any]) -> str:
    name = ".".join(str(part) for part in error["loc"][1:])
    keys = (f"{page}.field_{name}", f"{page}.{name}")
    return next((wording.say(language, key) for key in keys if page and wording.has(language, key)), name)


def _words(language: str, error: Mapping[str, Any]) -> str:
    cause = error.get("ctx", {}).get("error")
    if isinstance(cause, AmbiguousNumberError):
        whole, part = wording.figure(language, cause.whole), wording.figure(language, cause.part)
        return wording.say(language, "wrong.two_readings", whole=whole, part=part)
    key, name = _TEXTS.get(error["type"], ("shape", ""))
    limit = error.get("ctx", {}).get(name, "")
    return wording.say(language, f"wrong.{key}", limit=str(limit).replace(" or ", wording.say(language, "wrong.or")))
