"""JSON Pointer (RFC 6901): the path of a value in a decoded document. Pure."""

from dataclasses import dataclass

MISSING = "no such member"


@dataclass(frozen=True, slots=True)
class Pointer:
    """A pointer taken apart once and used for every message."""

    text: str
    tokens: tuple[str, ...]


def parse(text: str) -> Pointer:
    """Take a pointer apart; ValueError for a syntax error (RFC 6901, section 3).

    >>> parse("/a~1b/0").tokens
    ('a/b', '0')
    """
    if not text:
        return Pointer(text, ())
    if not text.startswith("/"):
        raise ValueError(f"JSON Pointer {text!r} must start with / or be empty")
    tokens = text[1:].split("/")
    for token in tokens:
        if "~" in token.replace("~0", "").replace("~1", ""):
            raise ValueError(f"JSON Pointer {text!r}: ~ must be followed by 0 or 1")
    # first ~1, then ~0: the other order would turn ~01 into /
    return Pointer(text, tuple(token.replace("~1", "/").replace("~0", "~") for token in tokens))


def find(pointer: Pointer, document: object) -> object:
    """The value at the pointer; LookupError with the reason where there is none (RFC 6901, sections 4 and 7)."""
    value = document
    for token in pointer.tokens:
        if isinstance(value, dict):
            if token not in value:
                raise LookupError(f"{MISSING} {token!r} of {pointer.text}")
            value = value[token]
        elif isinstance(value, list):
            value = value[_index(token, len(value), pointer)]
        else:
            raise LookupError(f"{pointer.text} leads into a plain value at {token!r}")
    return value


def _index(token: str, length: int, pointer: Pointer) -> int:
    if not (token.isascii() and token.isdigit()) or (len(token) > 1 and token[0] == "0") or len(token) > 9:
        raise LookupError(f"{token!r} of {pointer.text} is no index of an array")
    if int(token) >= length:
        raise LookupError(f"index {token} of {pointer.text} is beyond the array's {length} elements")
    return int(token)
