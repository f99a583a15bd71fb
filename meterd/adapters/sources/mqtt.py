"""Readings from an MQTT broker: exactly the topics of the plan's inputs, decoded off the network thread.

What is not believed is confirmed to the broker all the same, so that it does not come again for ever; what is believed
is confirmed by `ack` after the commit. The broker slows down when nothing is confirmed, so a burst loses nothing.
"""

import queue
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from functools import partial

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.link_state import LinkState
from meterd.adapters.mqtt.message_queue import Message, MessageQueue, Token
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.sources import CLOCK_SET_MS, Delivery, RefusalLog, Refused, inputs_of, sample, wall_ms
from meterd.adapters.sources.mqtt_settings import link_settings, settings_for
from meterd.adapters.sources.outside_forecast import Reader, read_series, reader_of
from meterd.adapters.sources.payloads import Decoded, InputGroup, decode, group_of
from meterd.core.checks.own_clock import own_clock
from meterd.core.errors import ConfigError, described
from meterd.core.model.plan import Input, Role, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import OUTSIDE_FORECAST, POWER, Reading, Refusal
from meterd.core.registers.limits import largest

BATCH = 256  # messages decoded into one delivery: half a millisecond of work
IDLE_S = 0.2  # how long the worker waits for a message before it checks the link
HELD_S = 0.05  # between two offers to a loop whose queue is full
HOLD_S = 30.0  # how long messages from ahead of our clock wait for other meters to say the same
HOLD_MOST = 5000  # of them
ANY_MS = 2**53  # no limit of time
TOPICS_LIMIT = 1000  # unknown topics remembered, so that each is unsubscribed once


@dataclass(frozen=True, slots=True)
class Batch:
    """Tokens of all messages that went into one delivery."""

    tokens: tuple[Token, ...]


def groups_by_topic(inputs: tuple[Input, ...], site: Site, time_unit: str) -> dict[str, InputGroup]:
    """The inputs of each topic, prepared. ConfigError for a topic with wildcards: each register has its own topic."""
    by_topic: dict[str, list[Input]] = {}
    for meter_input in inputs:
        if not meter_input.address or set(meter_input.address) & set("+#\0"):
            raise ConfigError(
                f"{meter_input.where or meter_input.point}: topic {meter_input.address!r} must not be empty or have wildcards"
            )
        by_topic.setdefault(meter_input.address, []).append(meter_input)
    future_ms = site.limits.future_s * 1000
    return {
        topic: group_of(of, time_unit=time_unit, future_ms=future_ms, largest=partial(largest, site))
        for topic, of in by_topic.items()
    }


def outside_reader(source: str, site: Site, time_unit: str) -> dict[str, Reader]:
    """By topic, how a forecast from outside is read that comes from a source; of power as much as all arrays can give."""
    if not site.forecast.topic or site.forecast.source != source:
        return {}
    arrays = [point.name for point in site.points if point.role is Role.PV and point.counts]
    return {
        site.forecast.topic: reader_of(site.forecast, time_unit, sum(largest(site, a, POWER) or 0.0 for a in arrays))
    }


class MqttSource:
    """Subscribes the topics of its inputs and delivers what they say. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.name = row.name
        self.settings = settings_for(row, site)
        self._groups = groups_by_topic(
            inputs_of((*site.inputs, *site.can_take_inputs), row.name), site, self.settings.time_unit
        )
        self._outside = outside_reader(row.name, site, self.settings.time_unit)
        self._site = site.name
        self._clock = clock
        self._inbox = MessageQueue(self.settings.inbox_limit)
        self._link = Link(link_settings(self.settings), topics=(*self._groups, *self._outside), inbox=self._inbox)
        self._log = RefusalLog()
        self._stopping = threading.Event()
        self._worker: Worker | None = None
        self._unknown: set[str] = set()
        used = {row.point for row in inputs_of(site.inputs, row.name)}
        self._meters = sum(point.counts for point in site.points if point.name in used)
        self._ahead: dict[str, int] = {}  # point -> its clock minus ours when it was last heard, in ms
        self._held: list[Message] = []  # from ahead of our clock, until it is known whose clock is off
        self._held_since_s = 0.0
        self._counts = {"readings": 0, "unknown": 0, "refused_messages": 0, "held": 0, "paused": 0, "decode_errors": 0}

    def start(self, deliver: Callable[[Delivery], None]) -> None:
        """Connect in the background and deliver from the worker's thread."""
        self._worker = Worker(f"source-{self.name}", partial(self._work, deliver), self._stopping)
        self._worker.start()
        self._link.start()

    def revive(self) -> bool:
        """Start the worker again if it has died, and fetch what it had in hand. (The worker revives the link.)"""
        if self._worker is None or not self._worker.revive():
            return False
        self._link.refetch()
        return True

    def stop(self, limit_s: float) -> None:
        """End the worker, then the link. What was delivered may still be confirmed before this is called."""
        self._stopping.set()
        if self._worker is not None:
            self._worker.join(limit_s)
        self._link.close()

    def ack(self, token: object) -> None:
        """Confirm every message of a delivery; those of a lost connection come again and are the same readings."""
        if not isinstance(token, Batch):
            raise TypeError(f"not a token of source {self.name}: {token!r}")
        self._link.ack(*token.tokens)

    def alive(self) -> bool:
        """Whether both threads run: the network's and the worker's."""
        return self._worker is not None and self._worker.alive and self._link.alive()

    def state(self) -> LinkState:
        """The link as it is now."""
        return self._link.state()

    def counters(self) -> Mapping[str, int]:
        """Whole numbers since the start: those of the link and of decoding."""
        return {**asdict(self._link.state().counters), **self._counts, "refused_values": self._log.total()}

    def refused(self) -> Mapping[tuple[str, str], Refused]:
        """What was refused, per (point, register)."""
        return self._log.snapshot()

    def _work(self, deliver: Callable[[Delivery], None]) -> None:
        looked = second = time.monotonic()
        taken = 0
        while not self._stopping.is_set():
            now = time.monotonic()
            if now - looked >= IDLE_S:
                looked = now
                self._link.revive()
            if self._clock() < CLOCK_SET_MS:
                # what has arrived is decoded when its time can be determined: messages carry the steady second of arrival
                self._stopping.wait(IDLE_S)
                continue
            if now - second >= 1.0:
                second, taken = now, 0
            if taken >= self.settings.rate_limit:
                self._counts["paused"] += 1
                self._stopping.wait(second + 1.0 - now)
                continue
            messages = self._inbox.get_all(min(BATCH, self.settings.rate_limit - taken), IDLE_S)
            taken += len(messages)
            self._settle_held(deliver)
            if messages:
                self._handle(messages, deliver)

    def _settle_held(self, deliver: Callable[[Delivery], None]) -> None:
        """What came from ahead of our clock is taken when most meters say the same, and refused after a while."""
        waited = time.monotonic() - self._held_since_s >= HOLD_S
        if self._held and (waited or len(self._held) >= HOLD_MOST or self._tolerance_ms()):
            messages, self._held = self._held, []
            self._handle(messages, deliver, hold=False)

    def _tolerance_ms(self) -> int:
        """How far ahead of our clock a time may be beyond the limit of the plan: as far as our clock is behind."""
        own = own_clock(self._ahead, self._meters)
        return 0 if own is None else max(0, own.offset_ms)

    def _handle(self, messages: list[Message], deliver: Callable[[Delivery], None], *, hold: bool = True) -> None:
        readings: list[Reading] = []
        tokens: list[Token] = []
        now_s, now_ms = time.monotonic(), self._clock()
        for message in messages:
            group = self._groups.get(message.topic)
            if message.topic in self._outside:
                self._take_outside(message, now_ms - round((now_s - message.arrived) * 1000), deliver)
                continue
            if group is None:
                self._drop_unknown(message)
                continue
            arrived_ms = now_ms - round((now_s - message.arrived) * 1000)
            decoded = self._decode(group, message, arrived_ms)
            if decoded.refusals and self._comes_from_ahead(group, message, arrived_ms):
                if hold:
                    self._held_since_s = self._held_since_s if self._held else now_s
                    self._held.append(message)
                    continue
                limit_ms = group.future_ms + self._tolerance_ms()
                decoded = self._decode(replace(group, future_ms=limit_ms), message, arrived_ms)
            self._note_clock(decoded, arrived_ms, message.retain)
            if decoded.refusals:
                self._log.add(decoded.refusals)
            if not decoded.readings:
                self._counts["refused_messages"] += 1
                self._link.ack(message.token)
                continue
            readings.extend(decoded.readings)
            tokens.append(message.token)
        if readings:
            self._deliver(Delivery(tuple(readings), Batch(tuple(tokens))), deliver)

    def _take_outside(self, message: Message, arrived_ms: int, deliver: Callable[[Delivery], None]) -> None:
        """A forecast from outside as a delivery of its own, or its refusal. Nothing waits for it."""
        try:
            series = read_series(self._outside[message.topic], message.payload, arrived_ms, retained=message.retain)
        except ValueError as exc:
            self._log.add([Refusal(self._site, OUTSIDE_FORECAST, str(exc), sample(message.payload))])
            self._counts["refused_messages"] += 1
            self._link.ack(message.token)
            return
        self._deliver(Delivery((), Batch((message.token,)), series), deliver)

    def _comes_from_ahead(self, group: InputGroup, message: Message, arrived_ms: int) -> bool:
        """Whether a message is refused for its time alone; its clock is noted."""
        decoded = self._decode(replace(group, future_ms=ANY_MS), message, arrived_ms)
        self._note_clock(decoded, arrived_ms, message.retain)
        return any(reading.device_time and reading.at_ms - arrived_ms > group.future_ms for reading in decoded.readings)

    def _note_clock(self, decoded: Decoded, arrived_ms: int, retained: bool) -> None:
        if decoded.readings and not retained and (reading := decoded.readings[0]).device_time:
            self._ahead[reading.point] = reading.at_ms - arrived_ms

    def _decode(self, group: InputGroup, message: Message, arrived_ms: int) -> Decoded:
        try:
            return decode(group, message.payload, arrived_ms, message.retain)
        except Exception as exc:  # an edge of the house style: a payload from outside must not end the thread
            self._counts["decode_errors"] += 1
            reason, bare = f"it could not be decoded: {described(exc)}", sample(message.payload)
            return Decoded((), tuple(Refusal(field.point, field.register, reason, bare) for field in group.fields))

    def _deliver(self, delivery: Delivery, deliver: Callable[[Delivery], None]) -> None:
        while not self._stopping.is_set():
            try:
                deliver(delivery)
            except queue.Full:  # held here and not confirmed, so the broker slows down
                self._counts["held"] += 1
                self._stopping.wait(HELD_S)
            else:
                self._counts["readings"] += len(delivery.readings)
                return

    def _drop_unknown(self, message: Message) -> None:
        """A subscription of an older plan in a persistent session, or a broker that does not filter."""
        self._counts["unknown"] += 1
        self._link.ack(message.token)
        if message.topic not in self._unknown and len(self._unknown) < TOPICS_LIMIT:
            self._unknown.add(message.topic)
            self._link.unsubscribe(message.topic)
