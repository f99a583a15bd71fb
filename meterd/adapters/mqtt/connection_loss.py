"""Why a connection ended: another client with our client id, a broker that went away, or certificates that do not fit."""

import logging
import random
from dataclasses import dataclass

SHORT_S = 5.0  # a connection lost sooner makes the next wait twice as long, so that two daemons do not storm the broker
TAKEN_OVER = 0x8E  # MQTT 5: another client connected with our client id
SHUTTING_DOWN = 0x8B  # MQTT 5: the broker ends
# alerts of TLS (RFC 8446, section 6.2) by the names that OpenSSL gives them
_NO_CERTIFICATE = ("CERTIFICATE_REQUIRED",)
_REFUSED_CERTIFICATE = (
    "ALERT_UNKNOWN_CA",
    "ALERT_BAD_CERTIFICATE",
    "ALERT_UNSUPPORTED_CERTIFICATE",
    "ALERT_CERTIFICATE_REVOKED",
    "ALERT_CERTIFICATE_EXPIRED",
    "ALERT_CERTIFICATE_UNKNOWN",
    "ALERT_DECRYPT_ERROR",
)
_NONE_IN_COMMON = "HANDSHAKE_FAILURE"  # before TLS 1.3 also what a broker says that misses a certificate
_NOT_TRUSTED = "CERTIFICATE_VERIFY_FAILED"  # said by us


@dataclass(slots=True)
class ConnectionLoss:
    """When connections began and ended, and whether a twin ended them. `in_a_row` counts those that were short."""

    made_s: float = 0.0
    lost_s: float | None = None
    down_s: float = 0.0  # before the present connection
    in_a_row: int = 0
    _doubtful: bool = False

    def made(self, now_s: float) -> bool:
        """A connection was accepted; whether a twin has ended the one before.

        Not every broker says that a session was taken over. But a broker that takes us back at the first attempt was there
        all the time, and one that restarts says so or turns the first attempt away.
        """
        twin, self._doubtful = self._doubtful, False
        self.made_s = now_s
        self.down_s = 0.0 if self.lost_s is None else now_s - self.lost_s
        return twin

    def not_made(self) -> None:
        """An attempt failed."""
        self._doubtful = False

    def ended(self, now_s: float, reason: int, *, wanted: bool) -> bool:
        """An accepted connection ended, with the broker's reason; whether the broker names a twin."""
        self.lost_s = now_s
        short = now_s - self.made_s < SHORT_S and not wanted
        self.in_a_row = self.in_a_row + 1 if short else 0
        self._doubtful = short and reason not in (TAKEN_OVER, SHUTTING_DOWN)
        return short and reason == TAKEN_OVER


def retry_delays(least_s: float, most_s: float, short: int) -> tuple[float, float]:
    """The first and the longest wait before a new attempt, drawn; the first doubles with each short connection in a row."""
    first = max(0.01, least_s * 2.0 ** min(short, 10) * random.uniform(0.5, 1.5))
    longest = max(least_s, most_s * random.uniform(0.75, 1.0))
    return min(first, longest), longest


class Pauses:
    """The waits between attempts to connect: drawn anew after each connection, doubled with each attempt that fails."""

    def __init__(self, least_s: float, most_s: float) -> None:
        self._least_s, self._most_s = least_s, most_s
        self.begin(0)

    def begin(self, short: int) -> None:
        """A connection has ended, the last of so many short ones in a row."""
        self._next_s, self._longest_s = retry_delays(self._least_s, self._most_s, short)

    def next_s(self) -> float:
        """How long to wait now."""
        result, self._next_s = self._next_s, min(self._longest_s, self._next_s * 2)
        return result


class LastError(logging.Handler):
    """Keeps what the client library last said of a socket: its callbacks do not hand it over (paho-mqtt 2.2)."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.words = ""

    def emit(self, record: logging.LogRecord) -> None:
        """Keep the sentence."""
        self.words = record.getMessage()

    def logger(self) -> logging.Logger:
        """A logger of nobody else, that says nothing anywhere."""
        made = logging.Logger("paho", logging.ERROR)
        made.addHandler(self)
        return made


def certificate_words(text: str, *, has_certificate: bool) -> str:
    """What a sentence of the TLS library means for whoever has the certificates; empty when it is about something else.

    >>> certificate_words("[SSL: TLSV13_ALERT_CERTIFICATE_REQUIRED] tlsv13 alert", has_certificate=False)
    'the broker asks for a client certificate, and none is given (cert_file, key_file)'
    """
    if any(name in text for name in _NO_CERTIFICATE) or (_NONE_IN_COMMON in text and not has_certificate):
        return "the broker asks for a client certificate, and none is given (cert_file, key_file)"
    if any(name in text for name in _REFUSED_CERTIFICATE) or _NONE_IN_COMMON in text:
        return f"the broker refuses our client certificate, as of another authority or out of date: {text}"
    if _NOT_TRUSTED in text:
        return f"the certificate of the broker is not trusted (ca_file): {text}"
    return ""


def unanswered_words(text: str, *, tls: bool, has_certificate: bool) -> str:
    """Why a broker may have closed a connection before it answered CONNECT."""
    if message := certificate_words(text, has_certificate=has_certificate):
        return message
    if tls and not has_certificate:
        return "the broker closed the connection before it answered; it may ask for a client certificate (cert_file, key_file)"
    if tls:
        return "the broker closed the connection before it answered; it may not know the authority of our client certificate"
    return "the broker closed the connection before it answered"
