"""The exception tree.

MeterdError
├── ConfigError     the metering plan or the command line is wrong
├── SourceError     a reading cannot be had or decoded
├── StoreError      the journal or a roll-up cannot be stored or read
│   └── StoreInUse  another process writes it
├── PublishError    a derived value cannot be put on the network
└── NotifyError     a person cannot be notified

Bad data is not an exception: it is a quality flag and a finding. Texts say what failed, with what, why and what to do;
lower case, no full stop.
"""

_PACKAGE = __name__.partition(".")[0]
_LONGEST = 300  # characters of foreign words in one line
SHORTEST_SECRET = 4  # characters; to hide shorter ones would make holes in ordinary words


class MeterdError(Exception):
    """Anything this program refuses or cannot do, in words for the person at the terminal."""


class ConfigError(MeterdError):
    """The metering plan or an argument is wrong."""


class SourceError(MeterdError):
    """A reading cannot be had or decoded."""


class StoreError(MeterdError):
    """The journal or a roll-up cannot be stored or read."""


class StoreInUse(StoreError):
    """Another process writes the store."""


class PublishError(MeterdError):
    """A derived value cannot be put on the network."""


class NotifyError(MeterdError):
    """A message to a person cannot be delivered. `again` tells whether trying it again soon makes sense."""

    def __init__(self, text: str, *, again: bool = True) -> None:
        super().__init__(text)
        self.again = again


def without(text: str, *secrets: str) -> str:
    """The text without these secrets: a server may quote what it was given when it refuses it.

    A secret of several words (a scheme and a token) is also hidden word by word. Hide before a text is cut: half a secret
    would not be found.

    >>> without("refused: Authorization: Bearer abc-123", "Bearer abc-123")
    'refused: Authorization: ***'
    >>> without("abc-123 is wrong", "Bearer abc-123")
    '*** is wrong'
    """
    parts = {part for secret in secrets for part in (secret, *secret.split())}
    for part in sorted(parts, key=len, reverse=True):
        if len(part) >= SHORTEST_SECRET:
            text = text.replace(part, "***")
    return text


def described(exc: BaseException) -> str:
    """An unexpected exception in one line: kind, words, and the place in this program where it came from."""
    trace, place = exc.__traceback__, ""
    while trace is not None:
        module = str(trace.tb_frame.f_globals.get("__name__", ""))
        if module.partition(".")[0] == _PACKAGE:
            place = f" at {module}:{trace.tb_lineno}"
        trace = trace.tb_next
    text = " ".join(str(exc).split())[:_LONGEST]
    return f"{type(exc).__name__}{': ' if text else ''}{text}{place}"
