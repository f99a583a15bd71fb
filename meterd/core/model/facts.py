"""Facts: texts stored by name, wherever they are stored."""

from contextlib import AbstractContextManager
from typing import Protocol


class Facts(Protocol):
    """Texts by their names."""

    def fact(self, name: str) -> str | None:
        """A stored text."""


class FactStore(Facts, Protocol):
    """The same for the process that writes."""

    def set_fact(self, name: str, value: str) -> None:
        """Store a text. Belongs into a transaction."""

    def forget_fact(self, name: str) -> None:
        """Remove a text without a trace. Belongs into a transaction."""

    def transaction(self) -> AbstractContextManager[None]:
        """Everything inside is stored together, or nothing of it."""
