"""Everything that a broker carries below a filter for a while: each topic with its first and its newest messages.

Under a client id of its own and without a session, so that a daemon at the same broker keeps its own.
"""

import contextlib
import os
import queue
import time
from collections import deque
from dataclasses import dataclass, field, replace

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import Message, MessageQueue
from meterd.adapters.sources import wall_ms
from meterd.adapters.sources.mqtt_settings import link_settings, settings_for
from meterd.core.errors import SourceError
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow

NEWEST = 8  # messages of each topic: a meter may send its registers in turns
MOST_TOPICS = 20_000  # a site has below 3,000
INBOX = 10_000
CONNECT_S = 10.0  # for the broker to answer and to grant the subscription
LOOK_S, WAIT_S = 0.05, 0.5


@dataclass(frozen=True, slots=True)
class HeardMessage:
    """A payload, when it came (milliseconds since 1970 UTC), and whether the broker had retained it."""

    payload: bytes
    arrived_ms: int
    retain: bool


@dataclass(slots=True)
class HeardTopic:
    """One topic: its first message, its newest ones, and how many came."""

    name: str
    first: HeardMessage
    newest: deque[HeardMessage] = field(default_factory=lambda: deque(maxlen=NEWEST))
    count: int = 0

    def messages(self) -> tuple[HeardMessage, ...]:
        """Those that are kept, the oldest first; what the broker had retained only if nothing else came."""
        messages = (self.first, *self.newest) if self.count > len(self.newest) else tuple(self.newest)
        return tuple(message for message in messages if not message.retain) or messages


def listen(row: SourceRow, site: Site, topic_filter: str, *, limit_s: float) -> tuple[HeardTopic, ...]:
    """What comes within the limit (or until Ctrl+C), by topic. SourceError with what to look at if nothing does.

    The limit counts from the moment the broker has granted the subscription.
    """
    settings = settings_for(row, site)
    apart = (("client_id", f"{settings.client_id}-listen-{os.getpid()}"), ("session_expiry_s", 0))
    row = replace(row, options=(*row.options, *apart))
    inbox = MessageQueue(INBOX)
    topics: dict[str, HeardTopic] = {}
    with Link(link_settings(settings_for(row, site)), topics=(topic_filter,), inbox=inbox) as link:
        with contextlib.suppress(KeyboardInterrupt):  # whoever has waited long enough gets what was heard until then
            _collect(link, inbox, topics, limit_s)
        state = link.state()
    where = f"{settings.host}:{settings.port}"
    refused = "; ".join(f"{topic}: {reason}" for topic, reason in state.refused_topics)
    if refused:
        raise SourceError(f"the broker at {where} does not let us listen: {refused}; may this user read there?")
    if not topics and not state.counters.connects:
        raise SourceError(
            f"no broker at {where}: {state.last_error or 'no answer'}; look at address, port, user, password and TLS"
        )
    if not topics:
        below = "" if topic_filter.endswith("#") else f" (write {topic_filter.rstrip('/')}/# for all topics below it)"
        raise SourceError(
            f"nothing came on {topic_filter} at {where} within {limit_s:g} s{below}; do the meters send to this broker, how"
            " often (--for), and may this user read there?"
        )
    return tuple(topics[name] for name in sorted(topics))


def _collect(link: Link, inbox: MessageQueue, topics: dict[str, HeardTopic], limit_s: float) -> None:
    """Wait for the broker, then keep what comes."""
    granted = False
    deadline = time.monotonic() + CONNECT_S
    while (left := deadline - time.monotonic()) > 0:
        if not granted and (state := link.state()).subscribed:
            granted, deadline = True, time.monotonic() + limit_s
            if state.refused_topics:
                return
        try:
            message = inbox.get(timeout=min(left, WAIT_S if granted else LOOK_S))
        except queue.Empty:
            continue
        _keep(topics, message)
        link.ack(message.token)


def _keep(topics: dict[str, HeardTopic], message: Message) -> None:
    heard = HeardMessage(message.payload, wall_ms(), message.retain)
    topic = topics.get(message.topic)
    if topic is None:
        if len(topics) >= MOST_TOPICS:
            return
        topic = topics[message.topic] = HeardTopic(message.topic, heard)
    elif topic.first.retain and not heard.retain:
        topic.first = heard
    topic.newest.append(heard)
    topic.count += 1
