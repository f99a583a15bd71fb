"""Listens to the brokers of many sites: the newest message of each topic, and when it came."""

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.runtime.worker import Worker
from meterd.core.topics.fleet_state import (
    Heard,
    Known,
    SharedFault,
    SiteNow,
    older_versions,
    shared_faults,
    sites_now,
    unasked,
)
from meterd.core.topics.shared_files import DifferingFile, differing_files

TOPICS = ("service", "finding/+", "board/+/verdict", "pv/production", "site/draw")
MOST_TOPICS = 100_000  # of one broker: some thousand sites
LOOK_S = 0.5


@dataclass(frozen=True, slots=True)
class Fleet:
    """What is known of all sites at a moment."""

    at_ms: int
    sites: list[SiteNow]
    shared: list[SharedFault]
    files: list[DifferingFile]
    troubles: list[str]  # brokers that cannot be asked, in words


@dataclass(slots=True)
class _Broker:
    name: str
    prefix: str
    link: Link
    inbox: MessageQueue
    heard: dict[str, Heard] = field(default_factory=dict)


class FleetWatch:
    """A connection to each broker, and a thread that takes in what comes. To be used as a context."""

    def __init__(
        self, targets: Sequence[tuple[LinkSettings, str]], known: Mapping[str, Known], now_ms: Callable[[], int]
    ) -> None:
        self._known, self._now_ms = known, now_ms
        self._lock, self._open = threading.Lock(), ExitStack()
        self._brokers = [_broker(settings, prefix) for settings, prefix in targets]
        self._worker = Worker("fleet", self._take_in)

    def __enter__(self) -> "FleetWatch":
        for broker in self._brokers:
            self._open.enter_context(broker.link)
        self._worker.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._worker.stop(5.0)
        self._open.close()

    def _take_in(self) -> None:
        while not self._worker.stopping.is_set():
            for broker in self._brokers:
                self._take(broker, LOOK_S / len(self._brokers))

    def _take(self, broker: _Broker, limit_s: float) -> None:
        for message in broker.inbox.get_all(1000, limit_s):
            at_ms = self._now_ms() - round((time.monotonic() - message.arrived) * 1000)
            with self._lock:
                if not message.payload:
                    broker.heard.pop(message.topic, None)
                elif message.topic in broker.heard or len(broker.heard) < MOST_TOPICS:
                    broker.heard[message.topic] = Heard(message.payload, at_ms, message.retain)
            broker.link.ack(message.token)

    def view(self) -> Fleet:
        """Every site as it is now, the same name of two brokers twice."""
        now_ms, sites, troubles = self._now_ms(), list[SiteNow](), list[str]()
        with self._lock:
            self._worker.revive()
        for broker in self._brokers:
            state = broker.link.state()
            if not state.subscribed or state.refused_topics:
                refused = ", ".join(f"{topic}: {why}" for topic, why in state.refused_topics)
                troubles.append(f"{broker.name}: {refused or state.last_error or 'it does not answer'}")
            with self._lock:
                here = sites_now(broker.name, broker.prefix, broker.heard, now_ms)
            sites += here if state.subscribed else map(unasked, here)
        older = older_versions(sites)
        sites = [replace(site, older=site.version in older, title=self._title(site)) for site in sites]
        files = differing_files((site.site, site.files) for site in sites)
        return Fleet(now_ms, sites, shared_faults(sites, self._known), files, troubles)

    def _title(self, site: SiteNow) -> str:
        """As the site says; one of an older version says none, and its plan may."""
        return site.title or (self._known[site.site].title if site.site in self._known else "")


def _broker(settings: LinkSettings, prefix: str) -> _Broker:
    inbox = MessageQueue(MOST_TOPICS)
    link = Link(settings, topics=tuple(f"{prefix}/+/{topic}" for topic in TOPICS), inbox=inbox)
    return _Broker(f"{settings.host}:{settings.port}", prefix, link, inbox)
