"""Puts derived values on the network: one publisher per site, everything retained, nothing stale.

`offer` is called by the loop with every new snapshot and never waits for the broker, except for the moment of a
take-over. Nothing is queued while the broker is away: on return only the newest matters, and the full set is sent.
"""

import math
import queue
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import islice

from meterd.adapters.mqtt.message_queue import Message as Heard
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import Will
from meterd.adapters.publish.broker_link import Opener, Order, PublishLink
from meterd.adapters.publish.deadband import Changes
from meterd.adapters.publish.display_output import DisplayOutput
from meterd.adapters.publish.lease import LEASE_PERIODS, Lease
from meterd.core.errors import PublishError
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site
from meterd.core.topics.message import (
    JSON,
    Message,
    Service,
    catalogue_message,
    catalogue_topics,
    finding_message,
    messages,
    parse_service,
    renamed_messages,
)
from meterd.core.topics.senml import EARLIEST_MS
from meterd.core.topics.table import Snapshot, Value, catalogue, power_places, values, values_at

# After SUBSCRIBE a broker sends the retained messages at once; so long we listen before we speak.
SETTLE_S = 0.5
# An acknowledged farewell on a local network takes milliseconds.
FAREWELL_S = 1.0
# Findings on the network at once. One per cause and subject; more than this is a fault of its own and only counted.
FINDINGS_LIMIT = 1000
# Topics of an older plan waiting to be cleared: a plan of 1,000 points has some thousands.
CLEAR_LIMIT = 100_000
# Values per snapshot. A message costs 0.1 ms of processor, a fifth of it in the loop (measured); at one snapshot a second
# this brings the 3,000 values of 1,000 points back in 4 s and leaves the core free.
VALUES_PER_OFFER = 800
# And of a larger site a fifth of its values: making the snapshot of 5,000 points costs as much as sending 2,000 values.
OFFERS = 5
# A busy loop offers less often: twice what falls due meanwhile, so that every topic comes within its period all the same.
ROOM = 2.0
SECOND = "second-publisher"  # the cause of the finding of a daemon that stays passive
INBOX = 4096  # the service, the catalogue and every finding come back to us


@dataclass(slots=True)
class Counters:
    """What happened since the start."""

    published: int = 0  # messages handed to the network
    turned_away: int = 0  # not taken by the link; offered again with the next snapshot
    refused: int = 0  # never acceptable to the broker (size, name)
    cleared: int = 0
    full_sets: int = 0
    heartbeats: int = 0
    echoes: int = 0
    takeovers: int = 0
    step_downs: int = 0
    findings_beyond_limit: int = 0
    losses: int = 0  # connections that came back after they were lost


@dataclass(frozen=True, slots=True)
class Outage:
    """A connection that was lost and is back: how long it was away, and how many values were sent again."""

    down_s: float
    values: int


class Publisher:
    """Publishes the derived values of one site while no other daemon does.

    `instance` must be unique to this process. `epoch` and `sequence` may be what the last run reached, for brokers that
    forget. `clock` is monotonic seconds. Not thread-safe: all methods belong to the loop. A changed plan may come with
    any snapshot, but a changed site name or prefix needs a new publisher.
    """

    def __init__(
        self,
        site: Site,
        open_link: Opener,
        *,
        instance: str,
        version: str,
        zone_rules: str = "",
        epoch: int = 0,
        sequence: int = 0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.root = f"{site.prefix}/{site.name}"
        self.counters = Counters()
        self._site = site
        self._open_link = open_link
        self._version = version
        self._zone_rules = zone_rules
        self._clock = clock
        self._lease = Lease(instance, epoch=epoch, sequence=sequence)
        self._sequence = sequence
        self._changes = Changes((), 1.0)
        self._display = DisplayOutput(self.root)
        self._powers: tuple[int, ...] = ()
        self._catalogue: Message | None = None
        self._catalogue_sent = False
        self._old_topics: set[str] = set()
        self._findings: dict[str, tuple[bytes, float]] = {}  # topic -> payload and time of the next heartbeat
        self._foreign_findings: set[str] = set()
        self._beat_due_s = 0.0
        self._beat_waiting: tuple[int, float] | None = None  # heartbeat_ms sent and when, until it comes back
        self._echo_s: tuple[float, float] | None = None  # when a heartbeat last came back, and how long it took
        self._connects = 0
        self._back: tuple[float, int] | None = None  # seconds away, and values sent before the link came back
        self._outage: Outage | None = None
        self._settling: tuple[int, float] = (0, math.inf)  # connection and when it began, for us
        self._offered_s = clock()  # when values were last looked at
        self._own_findings: dict[str, Finding] = {}
        self._refusal = ""
        self._inbox = MessageQueue(INBOX)
        self._link = self._open(None)
        self._away_since: float | None = clock()

    # -- what the daemon and the page ask ------------------------------------------------------------------------------

    @property
    def active(self) -> bool:
        """Whether this daemon publishes the site."""
        return self._lease.epoch > 0

    @property
    def epoch(self) -> int:
        """Our epoch, 0 while passive. Keep it with the store and hand it to the next run."""
        return self._lease.epoch

    @property
    def sequence(self) -> int:
        """The number of the last value sent."""
        return self._sequence

    def findings(self) -> tuple[Finding, ...]:
        """What a person should know about publishing, as of the last `offer`."""
        return tuple(self._own_findings.values())

    @property
    def connected(self) -> bool:
        """Whether the broker accepted us."""
        return self._link.connected()

    @property
    def forbidden(self) -> int:
        """How many topics the broker does not let us write in this connection."""
        return len(self._link.refused_publishes())

    def lost_s(self) -> float | None:
        """The monotonic second at which the connection was last lost."""
        return self._link.lost_s()

    def heartbeat(self) -> tuple[float | None, float | None]:
        """Seconds since a heartbeat last came back through the broker, and how long that one took; None before the first."""
        if self._echo_s is None:
            return None, None
        return self._clock() - self._echo_s[0], self._echo_s[1]

    def outage(self) -> Outage | None:
        """A connection that was lost and whose values have been sent again, once."""
        outage, self._outage = self._outage, None
        return outage

    def revive(self) -> bool:
        """Start the network thread again if it has died; True if it had to."""
        return self._link.revive()

    # -- the loop ------------------------------------------------------------------------------------------------------

    def offer(self, snapshot: Snapshot) -> None:
        """Publish what is new or due. Never raises for a broker that is away."""
        clock_s, now_ms = self._clock(), snapshot.now_ms
        self._link.revive()
        self._listen(clock_s)
        self._watch(clock_s, now_ms)
        if now_ms < EARLIEST_MS or not self._settled(clock_s):
            return
        holder = self._lease.holder(clock_s, now_ms)
        if holder is not None:
            self._stand_back(holder, now_ms)
        elif not self.active:
            self._take_over(now_ms)
        else:
            self._publish(snapshot, clock_s)

    def offer_powers(self, snapshot: Snapshot) -> None:
        """Publish what is new of the powers of the site, between two offers; nothing else is looked at."""
        clock_s = self._clock()
        if self.active and self._catalogue_sent and snapshot.site is self._site and self._settled(clock_s):
            self._send_due(self._changes.due_of(values_at(snapshot, self._powers)), snapshot.now_ms, clock_s)

    def close(self) -> None:
        """Say gone, if we are the publisher, and leave within `FAREWELL_S` and the link's own limit."""
        if self.active and self._link.connected():
            self._send(self._service(None).message(self.root))
            deadline = time.monotonic() + FAREWELL_S
            while self._link.unacknowledged() and time.monotonic() < deadline:
                time.sleep(0.01)
        self._link.close()

    # -- who publishes -------------------------------------------------------------------------------------------------

    def _open(self, will: Will | None) -> PublishLink:
        self._inbox = MessageQueue(INBOX)
        self._settling = (self._connects, math.inf)
        topics = (f"{self.root}/service", f"{self.root}/catalogue", f"{self.root}/finding/+")
        return self._open_link(Order(self._lease.instance, topics, self._inbox, self._connected_again, will))

    def _connected_again(self, _session_present: bool) -> None:
        # on the network thread: only a number, compared by the loop
        self._connects += 1

    def _settled(self, clock_s: float) -> bool:
        """Connected, and long enough to have heard what the broker keeps; a new connection makes all due again."""
        if not self._link.connected():
            return False
        seen, since_s = self._settling
        if seen != self._connects:
            if seen and self._link.down_s():
                self.counters.losses += 1
                self._back = (self._link.down_s(), self._sequence)
            self._settling = (self._connects, clock_s)
            self._forget()
            return False
        return clock_s - since_s >= SETTLE_S

    def _take_over(self, now_ms: int) -> None:
        """Begin a new epoch on a new connection: only the publisher has a will, and the will names the epoch."""
        self._sequence = max(self._sequence, self._lease.take(now_ms))
        self._catalogue = None  # it names the epoch
        self.counters.takeovers += 1
        self._own_findings.pop(SECOND, None)
        self._link.close()
        gone = self._service(None).message(self.root)
        self._link = self._open(Will(gone.topic, gone.payload, content_type=JSON))

    def _stand_back(self, holder: Service, now_ms: int) -> None:
        """Stay passive, or become it without a will that would contradict the other."""
        text = f"instance {holder.instance} publishes this site in epoch {holder.epoch}; this daemon stays passive"
        remedy = "stop one of the two daemons; this one takes over by itself when the other is gone"
        self._tell(SECOND, now_ms, text, remedy)
        if self.active:
            self.counters.step_downs += 1
            self._lease.release()
            self._link.close()
            self._link = self._open(None)

    def _service(self, heartbeat_ms: int | None) -> Service:
        return Service(
            heartbeat_ms is not None,
            self._lease.instance,
            self._lease.epoch,
            sequence=self._sequence,
            version=self._version,
            heartbeat_ms=heartbeat_ms,
            period_s=self._site.limits.publish_every_s,
            zone_rules=self._zone_rules,
            files=self._site.files,
            title=self._site.title,
        )

    # -- in ------------------------------------------------------------------------------------------------------------

    def _listen(self, clock_s: float) -> None:
        for _ in range(INBOX):
            try:
                heard = self._inbox.get_nowait()
            except queue.Empty:
                return
            self._link.ack(heard.token)
            self._hear(heard, clock_s)

    def _hear(self, heard: Heard, clock_s: float) -> None:
        part = heard.topic.removeprefix(f"{self.root}/")
        if part == "service":
            self._hear_service(heard, clock_s)
        elif part == "catalogue" and (self._catalogue is None or heard.payload != self._catalogue.payload):
            if len(self._old_topics) < CLEAR_LIMIT:
                self._old_topics |= catalogue_topics(self.root, heard.payload)
        elif part.startswith("finding/") and heard.payload and len(self._foreign_findings) < CLEAR_LIMIT:
            self._foreign_findings.add(heard.topic)

    def _hear_service(self, heard: Heard, clock_s: float) -> None:
        service = parse_service(heard.payload)
        ours = (self._lease.instance, self._lease.epoch, True)
        if service is None or (service.instance, service.epoch, service.live) != ours:
            # It stands where our sign of life should stand: noise, another's, or our own will, which a broker that
            # noticed a broken connection late sends after we are back.
            self._beat_due_s = 0.0
        if service is None:
            return
        self._lease.hear(service, retained=heard.retain, clock_s=clock_s)
        waiting = self._beat_waiting
        if waiting is not None and service.instance == self._lease.instance and service.heartbeat_ms == waiting[0]:
            self._beat_waiting = None
            self._echo_s = (clock_s, clock_s - waiting[1])
            self.counters.echoes += 1

    # -- out -----------------------------------------------------------------------------------------------------------

    def _forget(self) -> None:
        self._changes.forget()
        self._display.forget()
        self._findings.clear()
        self._catalogue_sent = False
        self._beat_due_s = 0.0
        self._beat_waiting = None
        self._refusal = ""

    def _publish(self, snapshot: Snapshot, clock_s: float) -> None:
        if self._catalogue is None or snapshot.site is not self._site:
            self._change_plan(snapshot.site)
        self._beat(snapshot.now_ms, clock_s)
        if not self._catalogue_sent and self._catalogue is not None:
            self._catalogue_sent = all(
                self._send(message) for message in (self._catalogue, *renamed_messages(self._site))
            )
            self.counters.full_sets += self._catalogue_sent
        self._send_values(snapshot, clock_s)
        self._send_display(snapshot, clock_s)
        self._send_findings(snapshot.findings, clock_s)
        self._clear_old()

    def _change_plan(self, site: Site) -> None:
        """Make the catalogue of this plan and epoch; what the former one named and this one does not is cleared."""
        assert self.root == f"{site.prefix}/{site.name}", "another site needs another publisher"
        self._old_topics.update(topic for entry in self._changes.entries for topic in entry.topics)
        self._old_topics.update(message.topic for message in renamed_messages(self._site))
        self._site = site
        self._changes = Changes(catalogue(site), site.limits.publish_every_s)
        self._powers = power_places(site)
        self._catalogue = catalogue_message(site, self._version, self._lease.epoch)
        self._catalogue_sent = False

    def _send(self, message: Message) -> bool:
        try:
            taken = self._link.publish(
                message.topic,
                message.payload,
                retain=message.retain,
                expiry_s=message.expiry_s,
                content_type=message.content_type,
            )
        except PublishError as exc:
            self.counters.refused += 1
            self._refusal = str(exc)
            return False
        if taken:
            self.counters.published += 1
        else:
            self.counters.turned_away += 1
        return taken

    def _beat(self, now_ms: int, clock_s: float) -> None:
        if clock_s < self._beat_due_s or not self._send(self._service(now_ms).message(self.root)):
            return
        self.counters.heartbeats += 1
        # the oldest unanswered heartbeat decides: a frozen broker must not be forgiven by the next attempt
        self._beat_waiting = self._beat_waiting or (now_ms, clock_s)
        self._beat_due_s = clock_s + self._site.limits.publish_every_s
        # the catalogue is sent once in a connection: what was not allowed is tried again with each heartbeat
        self._catalogue_sent &= self._catalogue is None or self._catalogue.topic not in self._link.refused_publishes()

    def _send_values(self, snapshot: Snapshot, clock_s: float) -> None:
        since_s, self._offered_s = clock_s - self._offered_s, clock_s
        share = max(1 / OFFERS, ROOM * since_s / self._site.limits.publish_every_s)
        most = max(VALUES_PER_OFFER, int(share * len(self._changes.entries)))
        due = islice(self._changes.due(values(snapshot), clock_s, since_s), most)
        if not self._send_due(due, snapshot.now_ms, clock_s):
            return
        if self._back is not None and self._changes.all_sent():
            down_s, before = self._back
            self._back, self._outage = None, Outage(down_s, self._sequence - before)

    def _send_due(self, due: Iterable[tuple[int, Value]], now_ms: int, clock_s: float) -> bool:
        """Whether all was taken; without a connection or with too much unconfirmed the rest stays due."""
        for place, value in due:
            first, *bare = messages(value, self._sequence + 1, now_ms)
            if not self._send(first):
                return False
            self._sequence += 1
            if all(self._send(message) for message in bare):
                self._changes.sent(place, value, clock_s)
        return True

    def _send_display(self, snapshot: Snapshot, clock_s: float) -> None:
        message = self._display.due(snapshot, clock_s)
        if message is not None and self._send(message):
            self._display.sent(snapshot, clock_s)

    def _send_findings(self, findings: tuple[Finding, ...], clock_s: float) -> None:
        period_s = self._site.limits.publish_every_s
        self.counters.findings_beyond_limit += max(0, len(findings) - FINDINGS_LIMIT)
        stored: dict[str, tuple[bytes, float]] = {}
        for finding in findings[:FINDINGS_LIMIT]:
            message = finding_message(self.root, finding, LEASE_PERIODS * period_s)
            payload, due_s = self._findings.get(message.topic, (b"", 0.0))
            if (payload != message.payload or clock_s >= due_s) and self._send(message):
                payload, due_s = message.payload, clock_s + period_s - 1
            stored[message.topic] = (payload, due_s)
        self._foreign_findings |= self._findings.keys()
        self._findings = stored
        self._foreign_findings = {t for t in self._foreign_findings if t not in stored and not self._clear(t)}

    def _clear_old(self) -> None:
        if not self._old_topics:
            return
        current = {topic for entry in self._changes.entries for topic in entry.topics}
        current |= {message.topic for message in renamed_messages(self._site)}
        self._old_topics = {t for t in self._old_topics if t not in current and not self._clear(t)}

    def _clear(self, topic: str) -> bool:
        cleared = self._link.clear(topic)
        self.counters.cleared += cleared
        return cleared

    # -- what may be wrong ---------------------------------------------------------------------------------------------

    def _watch(self, clock_s: float, now_ms: int) -> None:
        """Findings about the way out. Half a period without an answer is the alarm: below two periods after the fault."""
        connected = self._link.connected()
        self._away_since = None if connected else (self._away_since or clock_s)
        limit_s = self._site.limits.publish_every_s / 2
        waiting_since = self._beat_waiting[1] if self._beat_waiting is not None else clock_s
        away_s = clock_s - (self._away_since if self._away_since is not None else clock_s)
        forbidden = self._link.refused_publishes() if connected else {}
        self._tell_refusals(forbidden, now_ms)
        if away_s > limit_s:
            text = f"no connection to the broker for {away_s:.0f} s: nothing is published"
            self._tell("broker-silent", now_ms, text, "see that the broker runs and can be reached")
        elif clock_s - waiting_since > limit_s and f"{self.root}/service" not in forbidden:
            text = f"the broker has not returned our heartbeat for {clock_s - waiting_since:.0f} s"
            self._tell("broker-silent", now_ms, text, "see whether the broker hangs or its access rules changed")
        else:
            self._own_findings.pop("broker-silent", None)
        self._tell_clock(now_ms)

    def _tell_refusals(self, forbidden: Mapping[str, str], now_ms: int) -> None:
        """What the broker does not let us write, or what cannot be written to any: one cause."""
        if forbidden:
            topic, reason = next(iter(forbidden.items()))
            text = f"the broker refuses {len(forbidden)} of the topics of this site, {topic} for one: {reason}"
            remedy = f"let this client write everything below {self.root}/ in the access rules of the broker"
            self._tell("publish-refused", now_ms, text, remedy)
        elif self._refusal:
            self._tell("publish-refused", now_ms, self._refusal, "make the plan smaller or the broker's limit larger")
        else:
            self._own_findings.pop("publish-refused", None)

    def _tell_clock(self, now_ms: int) -> None:
        if now_ms < EARLIEST_MS:
            text = "the clock of this machine was never set: nothing is published"
            self._tell("clock-not-set", now_ms, text, "set the time, by a time server if there is one")
        else:
            self._own_findings.pop("clock-not-set", None)

    def _tell(self, cause: str, now_ms: int, text: str, remedy: str) -> None:
        finding = self._own_findings.get(cause)
        self._own_findings[cause] = Finding(cause, self._site.name, finding.at_ms if finding else now_ms, text, remedy)
