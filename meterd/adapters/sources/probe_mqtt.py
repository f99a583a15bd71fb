"""What meters publish, listened to once for a person: the payload as it came, and what each input of the plan makes of it.

Under a client id of its own and without a session, so that the daemon that reads the same topics keeps its own.
"""

import os
import queue
import time
from collections.abc import Mapping
from dataclasses import replace

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import Message, MessageQueue
from meterd.adapters.sources import sample, wall_ms
from meterd.adapters.sources.mqtt import groups_by_topic
from meterd.adapters.sources.mqtt_settings import link_settings, settings_for
from meterd.adapters.sources.payloads import decode
from meterd.core.errors import SourceError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import REGISTERS

LISTEN_S = 15.0  # what matters is sent every few seconds, or retained by the broker
ShownValue = tuple[str, float | None, str, str]  # as sent, value, unit, and what is to be said of it


def apart(row: SourceRow, site: Site) -> SourceRow:
    """The same source under a client id of its own, forgotten by the broker as soon as it leaves."""
    taken = settings_for(row, site).client_id
    options = {**dict(row.options), "client_id": f"{taken}-probe-{os.getpid()}", "session_expiry_s": 0}
    return replace(row, options=tuple(options.items()))


def listen(row: SourceRow, inputs: tuple[Input, ...], site: Site, *, limit_s: float) -> dict[str, Message]:
    """The newest message of every topic; waits for one that was not only kept. SourceError if there is none at all."""
    settings = settings_for(apart(row, site), site)
    topics = tuple(dict.fromkeys(meter_input.address for meter_input in inputs))
    inbox = MessageQueue()
    messages: dict[str, Message] = {}
    deadline = time.monotonic() + limit_s
    with Link(link_settings(settings), topics=topics, inbox=inbox) as link:
        while (left := deadline - time.monotonic()) > 0 and not all(
            t in messages and not messages[t].retain for t in topics
        ):
            try:
                message = inbox.get(timeout=min(left, 0.5))
            except queue.Empty:
                continue
            messages[message.topic] = message
        state = link.state()
    if not messages and not state.connected:
        where = f"{settings.host}:{settings.port}"
        raise SourceError(f"source {row.name}: no broker at {where}: {state.last_error or 'no answer'}")
    refused = [f"{topic}: {reason}" for topic, reason in state.refused_topics]
    if refused:
        raise SourceError(f"source {row.name}: the broker refuses to let us listen: {'; '.join(refused)}")
    if not messages:
        text = f"nothing came on {', '.join(topics)} within {limit_s:.0f} s"
        raise SourceError(f"source {row.name}: {text}; is the topic right, does the meter send?")
    return messages


def read(row: SourceRow, meter_input: Input, site: Site, messages: Mapping[str, Message]) -> ShownValue:
    """What one input makes of the newest message of its topic."""
    message = messages.get(meter_input.address)
    if message is None:
        return "", None, "", f"nothing came within {LISTEN_S:.0f} s: is the topic right, does the meter send?"
    group = groups_by_topic((meter_input,), site, settings_for(row, site).time_unit)[meter_input.address]
    now_ms = wall_ms()
    decoded = decode(group, message.payload, now_ms, message.retain)
    stored = "retained by the broker" if message.retain else ""
    if not decoded.readings:
        return (
            sample(message.payload),
            None,
            "",
            "; ".join([*(r.reason for r in decoded.refusals), *([stored] if stored else [])]),
        )
    reading = decoded.readings[-1]
    kind = REGISTERS[reading.register]
    age = f"{(now_ms - reading.at_ms) / 1000:.0f} s old by its own time" if reading.device_time else ""
    value = reading.value / 1000 if kind.cumulative else float(reading.value)
    notes = [f"read as {reading.register}", *(text for text in (stored, age) if text)]
    return sample(message.payload), value, "imp" if meter_input.unit == "imp" else kind.unit, "; ".join(notes)
