"""What the daemon says about itself: its clock, its store, its data sources. Findings out of counters and states."""

import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from meterd.adapters.mqtt.link_state import LinkState
from meterd.adapters.runtime.clock import Clock
from meterd.adapters.sources import Source
from meterd.adapters.sources.mqtt import MqttSource
from meterd.adapters.sources.mqtt_settings import settings_for
from meterd.adapters.store.presence import Presence, empty_log, write_out
from meterd.adapters.store.store_mark import Older, set_mark
from meterd.adapters.store.write_store import WriteStore
from meterd.core.checks.rules import DAMAGED, outside_refused_finding, refused_finding
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import remedy
from meterd.core.model.periods import from_ms, text
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import OUTSIDE_FORECAST

OLDER = "store-older"
AWAY_S = 15.0  # a broker that restarts is back sooner
CERTIFICATE_S = 30 * 86_400  # time enough to have one issued
FLAPS = 2  # connections lost within seconds: once is a broker that restarts, twice are two clients taking turns
FLAPS_WITHIN_S = 600.0
MARK_S = 60.0  # an older copy differs by more than that
RESCUE_S = 10.0  # between two attempts to write a deleted store anew, each of which reads all of it
TOGETHER_S = 10.0  # a broker that goes takes the connection of the publisher with it, a twin takes only this one


class SourceMonitor:
    """Supervises one source: starts it, revives its threads, and says what is wrong with it."""

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

    def tick(self, now_ms: int, publisher_lost_s: float | None = None) -> list[Finding]:
        """Call about once a second, with the monotonic second at which the publisher last lost its connection."""
        if self.resting:
            return [self._twice(now_ms, "this daemon does not read until it publishes")]
        if self.source.revive():
            self.revivals += 1
            self._revived_ms = now_ms
        findings = [
            outside_refused_finding(key[0], refused.count, reason=refused.reason, sample=refused.sample, now_ms=now_ms)
            if key[1] == OUTSIDE_FORECAST
            else refused_finding(*key, refused.count, reason=refused.reason, sample=refused.sample, now_ms=now_ms)
            for key, refused in self.source.refused().items()
        ]
        if self._revived_ms is not None:
            findings.append(self._revived(self._revived_ms))
        state = self.source.state()
        return findings if state is None else findings + self._link(state, now_ms, publisher_lost_s)

    def _revived(self, at_ms: int) -> Finding:
        text = f"source {self.name}: its thread had died and was started again, {self.revivals} times since the start"
        return Finding("revived", self.name, at_ms, text, "this is a fault of the program: report it with the log")

    def _link(self, state: LinkState, now_ms: int, publisher_lost_s: float | None) -> list[Finding]:
        self._count_flaps(state, publisher_lost_s)
        findings = [self._away(state, now_ms), self._certificate(state, now_ms)]
        if self.flaps:
            findings.append(self._twice(now_ms, "each of the two gets only a part of the values"))
        if state.refused_topics:
            topic, reason = state.refused_topics[0]
            more = f" and {len(state.refused_topics) - 1} more" if len(state.refused_topics) > 1 else ""
            text = f"source {self.name}: the broker refuses the subscription to {topic}{more}: {reason}"
            findings.append(
                Finding("subscription-refused", self.name, now_ms, text, "let this client read these topics")
            )
        return [finding for finding in findings if finding is not None]

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

    def _count_flaps(self, state: LinkState, publisher_lost_s: float | None) -> None:
        clock_s, count = time.monotonic(), state.counters.short_connections
        if publisher_lost_s is None or clock_s - publisher_lost_s > TOGETHER_S:
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
    """The same topics in a session of their own that nothing is stored in, for a store that refuses."""
    client_id = f"{settings_for(row, site).client_id}-live"
    options = {**dict(row.options), "client_id": client_id, "session_expiry_s": 0}
    return MqttSource(replace(row, options=tuple(options.items())), site, clock=clock.now_ms)


def with_reason(findings: Iterable[Finding], monitors: Iterable[SourceMonitor]) -> list[Finding]:
    """Findings, with what the broker answered to a source added to "the broker is silent": a refusal is no absence."""
    states = [monitor.source.state() for monitor in monitors if not monitor.resting]
    reasons = [state.last_error for state in states if state is not None and not state.connected and state.last_error]
    if not reasons:
        return list(findings)
    return [replace(f, text=f"{f.text}; {reasons[0]}") if f.cause == "broker-silent" else f for f in findings]


def clock_finding(message: str, site: str, now_ms: int) -> Finding:
    """A clock that jumped."""
    return Finding("clock-jumped", site, now_ms, message, "see why the time server and this machine disagree")


def store_finding(site: str, message: str, waiting: int, now_ms: int) -> Finding:
    """A store that takes nothing."""
    return Finding(
        "store", site, now_ms, f"{message}; {waiting} readings wait",
        "make room on the disk or repair it; nothing is confirmed to the broker meanwhile",
    )  # fmt: skip


def lost_finding(site: str, name: str, now_ms: int) -> Finding:
    """A file of the store that was not there at the start although the last run had not ended."""
    message = f"{name} was not there at the start although a daemon had written it; what it held is missing"
    return Finding(
        DAMAGED, site, now_ms, message, "put it back if it was moved, else restore a backup: stop the daemon before"
    )


def older_finding(site: str, name: str, copy: Older, now_ms: int) -> Finding:
    """An older copy stands in the place of the store."""
    until = text(copy.marked_ms)
    if copy.newest_ms is None:
        message = f"{name} holds no reading, while the store that was there last kept them until {until}"
    else:
        message = (
            f"{name} is older than the store that was there last: it ends at {text(copy.newest_ms)}, readings were kept until"
            f" {until}; those between are missing"
        )
    return Finding(OLDER, site, now_ms, message, remedy(OLDER))


class StorePlace:
    """Sees whether the files of the store are where they were, and writes a deleted one anew. For the loop, which owns the store.

    What a file without a name holds is lost with the process, so all of it goes to its place at once. Then the loop ends,
    `close` writes what came meanwhile too, and the next loop begins with the new file (`renewed`).
    """

    def __init__(self, store: WriteStore, path: Path, goes_on: Callable[[], None]) -> None:
        self._store, self._path, self._goes_on = store, path, goes_on
        self._there = Presence.of(path)  # now, not with the first look: a store may be deleted before that
        self._deleted: list[str] = []
        self._refused = ""
        self._try_s = self._mark_s = 0.0
        self.renewed = False  # whether the store is to be opened anew

    def tick(self, site: str, now_ms: int) -> list[Finding]:
        """Call about once a second: what holds now."""
        self._there = self._there.with_log()
        if time.monotonic() >= self._mark_s:
            self._mark_s = time.monotonic() + MARK_S
            set_mark(self._store, self._path)
        missing = self._there.missing()
        if not missing or self.renewed:
            return []
        if self._path.name not in missing or not self._there.nameless:
            empty_log(self._store)  # what only the log holds goes into the file, wherever that is
        if self._path.name in missing and not (self._there.nameless and not self._path.exists()):
            message = f"moved or replaced: {', '.join(missing)}; what is read is kept in the file under its other name"
            remedy = "move it back, or stop the daemon in order: it writes what it has to its place"
            return [Finding("store-missing", site, now_ms, message, remedy)]
        self._rescue(missing)
        if self.renewed:
            return []
        message = f"deleted while it was written: {', '.join(missing)}; it cannot be written anew: {self._refused}"
        remedy = "make room on the disk, or let the daemon write there; until then what is read is lost with a kill"
        return [Finding("store-missing", site, now_ms, message, remedy)]

    def _rescue(self, missing: list[str]) -> None:
        if time.monotonic() < self._try_s:
            return
        try:
            if self._path.name in missing:
                write_out(self._store, self._path, self._goes_on)
        except StoreError as exc:
            self._refused, self._try_s = str(exc), time.monotonic() + RESCUE_S
            return
        self._deleted, self.renewed = missing, True

    def done(self, site: str, now_ms: int) -> list[Finding]:
        """What was done, once."""
        deleted, self._deleted = self._deleted, []
        if not deleted:
            return []
        message = (
            f"deleted while it was written: {', '.join(deleted)}; the store was written anew with all that it held"
        )
        return [Finding(DAMAGED, site, now_ms, message, "see who deletes files beside the store")]

    def close(self) -> None:
        """At the end of the loop: what was written to a file that was deleted goes to its place."""
        set_mark(self._store, self._path)
        if self._path.name not in self._there.missing():
            return
        if self.renewed or not self._path.exists():
            write_out(self._store, self._path, self._goes_on)
            self.renewed = True
