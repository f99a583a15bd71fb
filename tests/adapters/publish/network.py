"""An in-process network for publishers: retained messages, subscriptions, wills, and the ways it breaks. No sockets.

It implements what `meterd.adapters.publish.broker_link.PublishLink` asks of a link, by the rules of MQTT 5 sections 3.1.2.5
(will), 3.3.1.3 (retained). The real link and a real broker are used in test_publish_broker.py.
"""

from dataclasses import dataclass, field

from meterd.adapters.mqtt.message_queue import Message as Heard
from meterd.adapters.mqtt.message_queue import MessageQueue, Token
from meterd.adapters.publish.broker_link import Order


@dataclass
class Line:
    """One client's end."""

    network: "Network"
    order: Order
    up: bool = False
    closed: bool = False
    acked: int = 0
    revived: int = 0

    def connected(self) -> bool:
        return self.up and not self.closed

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: int | None = None, content_type: str = ""
    ) -> bool:
        assert payload, "empty payload"
        return self.connected() and self.network.take(topic, payload, retain)

    def clear(self, topic: str) -> bool:
        return self.connected() and self.network.take(topic, b"", True)

    def ack(self, token: object) -> bool:
        self.acked += 1
        return True

    def revive(self) -> bool:
        self.revived += 1
        return False

    def unacknowledged(self) -> int:
        return len(self.network.frozen)

    def refused_publishes(self) -> dict[str, str]:
        return dict(self.network.refuses) if self.connected() else {}

    def lost_s(self) -> float | None:
        return None

    def down_s(self) -> float:
        return 0.0

    def close(self) -> None:
        self.closed = True
        self.up = False

    def deliver(self, topic: str, payload: bytes, retain: bool) -> None:
        """Put a message into the inbox if it was subscribed."""
        wanted = any(
            topic == item or (item.endswith("/+") and topic.startswith(item[:-1])) for item in self.order.topics
        )
        if self.connected() and wanted:
            self.order.inbox.put_nowait(Heard(topic, payload, retain, False, Token(0, 0, 0), 0.0))


@dataclass
class Network:
    """A broker with everything in memory. `taken` is all that was accepted, in order."""

    retained: dict[str, bytes] = field(default_factory=dict)
    taken: list[tuple[str, bytes]] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    down: bool = False
    freezing: bool = False
    full_after: int | None = None
    refuses: dict[str, str] = field(default_factory=dict)
    frozen: list[tuple[str, bytes, bool]] = field(default_factory=list)

    def open(self, order: Order) -> Line:
        """An opener of publishers."""
        line = Line(self, order)
        self.lines.append(line)
        if not self.down:
            self.join(line)
        return line

    def join(self, line: Line) -> None:
        line.up = True
        for topic, payload in list(self.retained.items()):
            line.deliver(topic, payload, True)
        line.order.on_connected(False)

    def take(self, topic: str, payload: bytes, retain: bool) -> bool:
        if self.full_after is not None and len(self.taken) >= self.full_after:
            return False
        if self.freezing:
            self.frozen.append((topic, payload, retain))
            return True
        self.taken.append((topic, payload))
        if retain and payload:
            self.retained[topic] = payload
        elif retain:
            self.retained.pop(topic, None)
        for line in self.lines:
            line.deliver(topic, payload, False)
        return True

    def cut(self, line: Line) -> None:
        """The client dies or loses its network: its will is published."""
        line.up = False
        if line.order.will is not None:
            self.take(line.order.will.topic, line.order.will.payload, line.order.will.retain)

    def restart(self) -> None:
        """A broker without persistence, killed and started: everything retained is gone, wills are not sent."""
        self.retained.clear()
        for line in self.lines:
            line.up = False
        for line in self.lines:
            if not line.closed:
                self.join(line)

    def thaw(self) -> None:
        self.freezing = False
        held, self.frozen = self.frozen, []
        for topic, payload, retain in held:
            self.take(topic, payload, retain)


def fill(inbox: MessageQueue, topic: str, payload: bytes) -> None:
    """A message of somebody else."""
    inbox.put_nowait(Heard(topic, payload, False, False, Token(0, 0, 0), 0.0))
