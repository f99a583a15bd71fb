"""What the publisher needs of a link to a broker, and how one is opened."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Protocol

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings, Will

# The full set must be back 10 s after a broker returns (design of the topics), so the link may not sleep longer.
RETRY_MAX_S = 5.0


class PublishLink(Protocol):
    """The part of a link that is needed here (`meterd.adapters.mqtt.client.Link`)."""

    def connected(self) -> bool:
        """Whether the broker accepted us."""

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = ..., expiry_s: int | None = ..., content_type: str = ...
    ) -> bool:
        """Hand over a message; False if it was not taken."""

    def clear(self, topic: str) -> bool:
        """Delete a retained message; False if it was not taken."""

    def ack(self, token: object) -> bool:
        """Confirm a message of the inbox."""

    def revive(self) -> bool:
        """Restart a dead network thread."""

    def unacknowledged(self) -> int:
        """Messages the broker has not confirmed."""

    def refused_publishes(self) -> Mapping[str, str]:
        """Topics that the broker does not let us write in this connection, with its reason."""

    def lost_s(self) -> float | None:
        """The monotonic second at which a connection was last lost."""

    def down_s(self) -> float:
        """How long the connection was away before the present one; 0 for the first."""

    def close(self) -> None:
        """Say goodbye; no will is sent."""


@dataclass(frozen=True, slots=True)
class Order:
    """How a link is to be opened: what it listens to, where that goes, and what the broker says when we break off."""

    instance: str
    topics: tuple[str, ...]
    inbox: MessageQueue
    on_connected: Callable[[bool], None]
    will: Will | None


Opener = Callable[[Order], PublishLink]


def opener(settings: LinkSettings) -> Opener:
    """Opens real links. The session ends with the connection: what is retained is all we need to hear.

    The instance is added to the client id: two daemons with one plan would otherwise throw each other off the broker,
    where the lease should decide.
    """

    def open_link(order: Order) -> PublishLink:
        out = replace(
            settings,
            client_id=f"{settings.client_id}-{order.instance}",
            session_expiry_s=0,
            retry_max_s=min(settings.retry_max_s, RETRY_MAX_S),
        )
        link = Link(out, topics=order.topics, inbox=order.inbox, on_connected=order.on_connected, will=order.will)
        link.start()
        return link

    return open_link
