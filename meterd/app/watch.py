"""What the daemon says about itself: its clock, its store, its ways in. Findings out of counters and states."""

import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace

from meterd.app.clock import Clock
from meterd.conditions import refused_finding
from meterd.finding import Finding
from meterd.interval import from_ms
from meterd.mqtt.link import LinkState
from meterd.site import Site
from meterd.site import Source as SourceRow
from meterd.sources import Source
from meterd.sources.mqtt import MqttSource, settings_for

AWAY_S = 15.0  # a broker that restarts is back sooner
CERTIFICATE_S = 30 * 86_400  # time enough to have one issued
FLAPS = 2  # connections lost within seconds: once is a broker that restarts, twice are two clients taking turns
FLAPS_WITHIN_S = 600.0


class SourceWatch:
    """Looks after one source: starts it, revives its threads, and says what is wrong with it."""

    def __init__(self, name: str, make: Callable[[], Source]) -> None:
        self.name, self.source = name, make()
        self.resting = False
        self.revivals = 0
        self._make = make
        self._flaps: deque[float] = deque()
        self._flaps_counted = 0
        self._revived_ms: int | None = None
        self._away_since_s: float | None = time.monotonic()

    def rest(self, limit_s: float) -> None:
        """Stop reading: another daemon with our client id reads for the site, and each would get only a part."""
        self.source.stop(limit_s)
        self.resting = True

    def wake(self) -> Source:
        """A fresh source, to be started."""
        self.source, self.resting = self._make(), False
        self._flaps.clear()
        self._flaps_counted = 0
        return self.source

    @property
    def flaps(self) -> bool:
        """Whether connections were lost again and again within seconds of being made."""
        return len(self._flaps) >= FLAPS

    def look(self, now_ms: int) -> list[Finding]:
        """Call about once a second."""
        if self.resting:
            return [self._twice(now_ms, "this daemon does not read until it publishes")]
        if self.source.revive():
            self.revivals += 1
            self._revived_ms = now_ms
        found = [
            refused_finding(*key, refused.count, refused.reason, refused.sample, now_ms)
            for key, refused in self.source.refused().items()
        ]
        if self._revived_ms is not None:
            found.append(self._revived(self._revived_ms))
        state = self.source.state()
        return found if state is None else found + self._link(state, now_ms)

    def _revived(self, at_ms: int) -> Finding:
        text = f"source {self.name}: its thread had died and was started again, {self.revivals} times since the start"
        return Finding("revived", self.name, at_ms, text, "this is a fault of the program: report it with the log")

    def _link(self, state: LinkState, now_ms: int) -> list[Finding]:
        self._count_flaps(state)
        found = [self._away(state, now_ms), self._certificate(state, now_ms)]
        if self.flaps:
            found.append(self._twice(now_ms, "each of the two gets only a part of the values"))
        if state.refused_topics:
            topic, reason = state.refused_topics[0]
            more = f" and {len(state.refused_topics) - 1} more" if len(state.refused_topics) > 1 else ""
            text = f"source {self.name}: the broker refuses the subscription to {topic}{more}: {reason}"
            found.append(Finding("subscription-refused", self.name, now_ms, text, "let this client read these topics"))
        return [finding for finding in found if finding is not None]

    def _away(self, state: LinkState, now_ms: int) -> Finding | None:
        if state.connected:
            self._away_since_s = None
            return None
        clock_s = time.monotonic()
        self._away_since_s = self._away_since_s or clock_s
        away_s = clock_s - self._away_since_s
        if away_s < AWAY_S:
            return None
        text = (
            f"source {self.name}: no connection for {away_s:.0f} s; {state.last_error or 'the broker does not answer'}"
        )
        return Finding("source-away", self.name, now_ms, text, "see that the broker runs and can be reached")

    def _count_flaps(self, state: LinkState) -> None:
        # not every broker says "session taken over"; that connections end within seconds shows either way
        clock_s, count = time.monotonic(), state.counters.short_connections
        self._flaps.extend([clock_s] * (count - self._flaps_counted))
        self._flaps_counted = count
        while self._flaps and clock_s - self._flaps[0] > FLAPS_WITHIN_S:
            self._flaps.popleft()

    def _twice(self, now_ms: int, what: str) -> Finding:
        text = (
            f"source {self.name}: the connection is lost again and again within seconds, most likely to another client"
            f" with the same client id; {what}"
        )
        remedy = "stop the other daemon, or give this one its own client_id"
        return Finding("client-id-twice", self.name, now_ms, text, remedy)

    def _certificate(self, state: LinkState, now_ms: int) -> Finding | None:
        until_s = state.certificate_until_s
        if until_s is None or until_s - now_ms / 1000 > CERTIFICATE_S:
            return None
        day = from_ms(int(until_s * 1000)).date().isoformat()
        text = f"source {self.name}: the broker's certificate ends on {day}"
        return Finding("certificate", self.name, now_ms, text, "renew it before that day; after it nothing connects")


def live_source(row: SourceRow, site: Site, clock: Clock) -> MqttSource:
    """The same topics in a session of their own that nothing is kept in, for a store that refuses."""
    client_id = f"{settings_for(row, site).client_id}-live"
    options = {**dict(row.options), "client_id": client_id, "session_expiry_s": 0}
    return MqttSource(replace(row, options=tuple(options.items())), site, clock=clock.now_ms)


def with_reason(findings: Iterable[Finding], watches: Iterable[SourceWatch]) -> list[Finding]:
    """Findings with what a source's link was told added to "the broker is silent": a refusal is no absence."""
    states = [watch.source.state() for watch in watches if not watch.resting]
    reasons = [state.last_error for state in states if state is not None and not state.connected and state.last_error]
    if not reasons:
        return list(findings)
    return [replace(f, text=f"{f.text}; {reasons[0]}") if f.cause == "broker-silent" else f for f in findings]


def clock_finding(words: str, site: str, now_ms: int) -> Finding:
    """A clock that jumped."""
    return Finding("clock-jumped", site, now_ms, words, "see why the time server and this machine disagree")


def store_finding(site: str, words: str, waiting: int, now_ms: int) -> Finding:
    """A store that takes nothing."""
    return Finding(
        "store", site, now_ms, f"{words}; {waiting} readings wait",
        "make room on the disk or repair it; nothing is confirmed to the broker meanwhile",
    )  # fmt: skip
