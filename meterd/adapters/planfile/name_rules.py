"""Names of points, boards, consumers, sources and patterns: how they are written, compared and guessed."""

import difflib
import re
from collections.abc import Iterable

from meterd.core.model.names import sameness as sameness  # one rule for the plan and for whoever looks for a name

NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*\Z")
LONGEST_NAME = 63  # fits a DNS label, so a point can name a host or a certificate
NAME_RULE = "write lower-case ASCII letters, digits and single hyphens between them, at most 63 characters"


def is_name(text: str) -> bool:
    """Whether a text may name something in the plan.

    >>> is_name("q07-oven"), is_name("Q07"), is_name("q07-")
    (True, False, False)
    """
    return len(text) <= LONGEST_NAME and NAME.match(text) is not None


def suggestion(text: str) -> str:
    """The nearest allowed name, for a message; empty if nothing is left of it.

    >>> suggestion("Büro 2.OG")
    'buero-2-og'
    """
    plain = text.lower()
    for letter, replacement in (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss")):
        plain = plain.replace(letter, replacement)
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST_NAME].strip("-")


def nearest(text: str, known: Iterable[str]) -> str | None:
    """The known word that looks most like the text, or None.

    >>> nearest("tennant", ("tenant", "title"))
    'tenant'
    """
    tokens = [word for word in known if len(word) < 200]
    same = [word for word in tokens if sameness(word) == sameness(text)]
    if same:
        return same[0]
    results = difflib.get_close_matches(text[:200].lower(), tokens, n=1, cutoff=0.6)
    return results[0] if results else None


def instead(text: str, known: Iterable[str]) -> str:
    """The remedy for an unknown word: the nearest known one, or the list (shortened).

    >>> instead("feedr", ("feed", "pv"))
    'did you mean feed?'
    >>> instead("x", ("feed", "pv"))
    'known: feed, pv'
    """
    tokens = list(dict.fromkeys(known))
    near = nearest(text, tokens)
    if near is not None:
        return f"did you mean {near}?"
    if not tokens:
        return "none is declared"
    return "known: " + ", ".join(tokens[:20]) + (", ..." if len(tokens) > 20 else "")


SECRETS = ("client_secret", "password", "passwd", "passphrase", "secret", "token", "api_key")
SECRET_RULE = "write password_env with the name of an environment variable, or password_file with the path of a file"


def is_secret(key: str) -> bool:
    """Whether a key would hold a secret, which must not stand in a plan."""
    return key.lower() in SECRETS
