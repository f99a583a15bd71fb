"""Once a second: topics of a source that its broker granted and on which nothing comes."""

import time
from collections.abc import Iterable

from meterd.adapters.mqtt.link_state import LinkState
from meterd.adapters.store.read_store import ReadStore
from meterd.app.daemon.source_monitor import SourceMonitor
from meterd.core.checks.granted_topics import Subscriptions, granted_finding, live_topics, patience_ms
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site
from meterd.core.model.results import Channel

SETTLE_S = 5.0  # a value that came is taken in by then; until then its point would count as silent


class GrantedWatch:
    """What was granted in the present connection of each source. Belongs to the loop.

    A topic that was reported stays so until something comes on it, also while the broker is away: or its points would
    be reported one by one meanwhile.
    """

    def __init__(self, store: ReadStore, site: Site) -> None:
        self._store, self._site = store, site
        self._begun: dict[str, tuple[float, int]] = {}  # of each source, its connection: steady clock, and ours
        self._patience: dict[tuple[str, str], int | None] = {}  # of source and topic, in this connection
        self._told: dict[tuple[str, str], float] = {}  # and the steady second at which nothing had come yet
        self._since: dict[str, int] = {}  # of each source that is reported
        self._own: dict[tuple[str, str], list[Channel]] = {}
        self._registers: dict[str, list[Channel]] = {}
        for row in site.inputs:
            self._own.setdefault((row.source, row.address), []).append((row.point, row.register))
            self._registers.setdefault(row.point, []).append((row.point, row.register))

    def tick(self, monitors: Iterable[SourceMonitor], now_ms: int) -> list[Finding]:
        """Findings that hold now."""
        findings = []
        for monitor in monitors:
            state = monitor.source.state()
            if state is not None and not monitor.resting:
                findings.append(self._of(monitor.name, state, now_ms))
        return [finding for finding in findings if finding is not None]

    def _of(self, source: str, state: LinkState, now_ms: int) -> Finding | None:
        topics, clock_s = live_topics(self._site, source), time.monotonic()
        asked = set(state.unheard) - {topic for topic, _ in state.refused_topics}
        if state.subscribed:
            waited_ms = round((clock_s - state.connected_s) * 1000)
            self._begin(source, state.connected_s, now_ms - waited_ms)
            late = asked.intersection(topics) if waited_ms >= self._site.limits.first_value_s * 1000 else set()
            self._told |= {(source, topic): clock_s for topic in late if self._late(source, topic, waited_ms)}
        for topic in topics:
            told_s = self._told.get((source, topic))
            if told_s is not None and topic in asked:
                self._told[source, topic] = clock_s
            elif told_s is not None and clock_s - told_s > SETTLE_S:
                del self._told[source, topic]
        unheard = [topic for topic in topics if (source, topic) in self._told]
        if not unheard:
            self._since.pop(source, None)
            return None
        since_ms = self._since.setdefault(source, self._begun[source][1])
        return granted_finding(self._site, Subscriptions(source, since_ms, len(topics)), unheard)

    def _begin(self, source: str, connected_s: float, begun_ms: int) -> None:
        """A new connection: how long its topics may take is asked again."""
        if source not in self._begun or self._begun[source][0] != connected_s:
            self._begun[source] = connected_s, begun_ms
            self._patience = {key: value for key, value in self._patience.items() if key[0] != source}

    def _late(self, source: str, topic: str, waited_ms: int) -> bool:
        key = (source, topic)
        if key not in self._patience:
            self._patience[key] = self._patience_ms(source, topic, self._begun[source][1])
        patience = self._patience[key]
        return patience is not None and waited_ms >= patience

    def _patience_ms(self, source: str, topic: str, since_ms: int) -> int | None:
        """Read once in a connection: what was stored of the topic before says how often it comes."""
        own = self._own.get((source, topic), [])
        every = [channel for point in {point for point, _ in own} for channel in self._registers[point]]
        last_ms = max(map(self._newest_ms, every), default=0)
        newest = max(own, key=self._newest_ms)
        return patience_ms(self._site.limits, since_ms, last_ms or None, self._times(newest))

    def _newest_ms(self, channel: Channel) -> int:
        newest = self._store.latest(channel)
        return 0 if newest is None else newest[0]

    def _times(self, channel: Channel) -> list[int]:
        """When a register was read last, and before that for twice as long as `stale` waits."""
        newest_ms = self._newest_ms(channel)
        from_ms = newest_ms - 2 * self._site.limits.stale_after_s * 1000
        return [int(at) for at in self._store.samples(channel, from_ms, newest_ms + 1)[0]]
