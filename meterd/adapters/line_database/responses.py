"""What a time-series database says: words shared by the feed and the client, without the weight of the client's library."""

from dataclasses import dataclass
from urllib.parse import urlsplit

STORED = 204


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: the HTTP status (0 = no answer), the server's words, and how long it wants to be left alone."""

    status: int
    words: str = ""
    retry_after_s: float | None = None

    def __str__(self) -> str:
        return f"status {self.status}: {self.words}" if self.status else self.words


class NotReadable(Exception):
    """What was written cannot be read back; the words say why."""


def host_of(url: str) -> str:
    """Where a database is, for messages."""
    return urlsplit(url).netloc
