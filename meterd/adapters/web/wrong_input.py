"""What is wrong with a part of an address or of a form, in the language of its reader."""

from collections.abc import Mapping, Sequence
from typing import Any

from meterd.adapters.texts import wording

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


def wrong_words(language: str, errors: Sequence[Mapping[str, Any]]) -> str:
    """Every part that is wrong, with what would be right.

    >>> wrong_words("de", [{"type": "int_parsing", "loc": ("query", "year"), "ctx": {}}])
    'year: eine ganze Zahl ist nötig'
    """
    return "; ".join(
        f"{'.'.join(str(part) for part in error['loc'][1:])}: {_words(language, error)}" for error in errors
    )


def _words(language: str, error: Mapping[str, Any]) -> str:
    key, name = _TEXTS.get(error["type"], ("shape", ""))
    limit = error.get("ctx", {}).get(name, "")
    return wording.say(language, f"wrong.{key}", limit=str(limit).replace(" or ", wording.say(language, "wrong.or")))
