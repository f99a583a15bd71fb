"""The one place that knows paho-mqtt 2.x: an MQTT 5 client with its traps closed.

What is closed here, each found on paho-mqtt 2.2.0 and each with a test in tests/adapters/mqtt/test_client.py:

- subscriptions are made in every on_connect, because a broker that was killed forgets a persistent session;
- an exception in a callback would end the network thread while `is_connected()` still says yes: all are wrapped;
- a publish while offline would be queued without bound and sent late: it is refused here, and what is unacknowledged
  when the connection breaks is dropped before the next connect (the publisher sends the full set again);
- an acknowledgement of the previous connection would confirm a foreign message: tokens carry the connection's number;
- an empty retained payload deletes a topic: `publish` refuses it, `clear` says so;
- a full inbox would stop the flow for good, since a message refused in a connection never comes again in it: the
  receive maximum is kept below the inbox, messages without acknowledgement (QoS 0) are turned away first, a broker that
  sends more all the same (mosquitto 2.0.11 does) is slowed by waiting, and what was missed is fetched by a reconnect
  when everything before it has been confirmed (inbox_control.py).
"""

import itertools
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import fields

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from meterd.adapters.mqtt.connection_loss import (
    TAKEN_OVER,
    ConnectionLoss,
    LastError,
    Pauses,
    certificate_words,
    unanswered_words,
)
from meterd.adapters.mqtt.deliveries import Deliveries
from meterd.adapters.mqtt.inbox_control import InboxControl, receive_maximum
from meterd.adapters.mqtt.link_state import LinkCounters, LinkState
from meterd.adapters.mqtt.message_queue import Message, MessageQueue, Token
from meterd.adapters.mqtt.network_loop import Client, NetworkLoop
from meterd.adapters.mqtt.protocol import (
    certificate_end,
    check_host,
    check_publish,
    connect_properties,
    publish_properties,
    send_at_once,
    set_tls,
    set_will,
    shut,
)
from meterd.adapters.mqtt.settings import LinkSettings, Will
from meterd.adapters.mqtt.unconfirmed import Unconfirmed
from meterd.core.errors import PublishError

CONNECTIONS = itertools.count(1)  # of the process, so that a token fits no other link of the same client id either
INBOX_WAIT_S = 1.0  # how long a full inbox holds the network thread: well below any keep-alive
SUBSCRIBE_BATCH = 100  # topics per SUBSCRIBE packet: about 5 KiB, below the smallest packet limit seen on brokers
REFUSED_FROM = 0x80  # MQTT 5: reason codes of 0x80 and above are failures


def _nothing(_session_present: bool) -> None:
    return None


class Link:
    """A connection to a broker that comes back by itself; `start` it, and `close` it.

    `inbox` receives every message; without one the link only publishes. `on_connected(session_present)` is called on
    the network thread after each connect and must only set a flag. Raises ConfigError for settings that cannot work.
    """

    def __init__(
        self,
        settings: LinkSettings,
        *,
        topics: Sequence[str] = (),
        inbox: MessageQueue | None = None,
        on_connected: Callable[[bool], None] = _nothing,
        will: Will | None = None,
    ) -> None:
        self.settings = settings
        self._topics = tuple(topics)
        self._inbox = inbox
        self._on_connected = on_connected
        self._will = will
        self._receive_maximum = receive_maximum(settings.receive_maximum, 0 if inbox is None else inbox.maxsize)
        self._counts = {field.name: 0 for field in fields(LinkCounters)}
        self._count_lock = threading.Lock()
        # Held around paho's publish and ack, and while a new connection begins. Never taken in on_publish or
        # on_disconnect: paho holds its own lock there, and the two would wait for each other.
        self._lock = threading.Lock()
        self._unconfirmed = Unconfirmed()
        self._deliveries = Deliveries(self._topics)
        self._connection = 0
        self._connected = False
        self._subscribed = False
        self._loss = ConnectionLoss()
        self._library_error = LastError()
        self._turned_away = False  # this connection was refused in words
        self._started = False
        self._closing = False
        self._holding = InboxControl()
        self._subscribing: dict[int, Sequence[str]] = {}
        self._refused_topics: dict[str, str] = {}
        self._last_error = ""
        self._certificate_until_s: float | None = None
        self._thread: threading.Thread | None = None
        self._heard: list[Message] = []  # of the present look at the network; belongs to the network thread
        self._pauses = Pauses(settings.retry_min_s, settings.retry_max_s)
        self._begin()

    # -- life ----------------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to connect, and return at once. A broker that is away is tried again with growing random delay."""
        settings = self.settings
        self._client.connect_async(
            settings.host,
            settings.port,
            keepalive=settings.keep_alive_s,
            clean_start=settings.session_expiry_s == 0,
            properties=connect_properties(settings, self._receive_maximum),
        )
        self._thread = threading.Thread(target=self._network.run, name=f"mqtt-{settings.client_id}", daemon=True)
        self._thread.start()
        self._started = True

    def _begin(self) -> None:
        """A fresh client, not connected yet."""
        self._client = self._new_client()
        self._network = NetworkLoop(self._client, self._pauses, read=self._hand_on, not_made=self._not_made)

    def alive(self) -> bool:
        """Whether the network thread runs. It may run without being connected."""
        return self._thread is not None and self._thread.is_alive()

    def connected(self) -> bool:
        """Whether the broker accepted us and the thread that would notice a break still runs."""
        return self._connected and self.alive()

    def revive(self) -> bool:
        """Start a fresh client if the network thread died, and fetch missed messages; True if it had to act.

        Call it from the loop about once a second.
        """
        if self._closing or not self._started:
            return False
        if not self.alive():
            self._count(revivals=1)
            if self._connected:
                self._loss.lost_s = time.monotonic()
            self._connected = False
            self._begin()
            self.start()
            return True
        if self._connected and self._inbox is not None and self._holding.due(self._inbox.qsize(), self._inbox.maxsize):
            self._count(refetches=1)
            shut(self._client)
            return True
        return False

    def refetch(self) -> None:
        """Let the broker send again what was never acknowledged, with the next `revive`."""
        self._holding.lose()

    def close(self) -> None:
        """Say goodbye to the broker (no will is sent) and end the thread within the stop limit."""
        self._closing = True
        self._client.disconnect()
        self._network.end()
        if self._thread is not None:
            self._thread.join(self.settings.stop_limit_s)
            if self._thread.is_alive():
                # the goodbye cannot be written to a frozen broker; a broken connection ends the thread's wait
                shut(self._client)
                self._thread.join(self.settings.stop_limit_s)
        self._connected = False

    def __enter__(self) -> "Link":
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    # -- out -----------------------------------------------------------------------------------------------------------

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        expiry_s: int | None = None,
        content_type: str = "",
        qos: int = 1,
    ) -> bool:
        """Hand a message to the network; False if there is no connection or too much is unacknowledged.

        Raises PublishError for an empty payload (it would delete the retained topic), for a topic with wildcards and
        for a payload beyond the limit.
        """
        if not payload:
            raise PublishError(f"cannot publish {topic}: the payload is empty; use clear() to delete a retained topic")
        return self._send(topic, payload, qos=qos, retain=retain, properties=publish_properties(expiry_s, content_type))

    def clear(self, topic: str) -> bool:
        """Delete the retained message of a topic; False if there is no connection."""
        return self._send(topic, b"", qos=1, retain=True, properties=None)

    def unacknowledged(self) -> int:
        """Publishes of this connection the broker has not confirmed yet."""
        return len(self._unconfirmed)

    def _send(self, topic: str, payload: bytes, *, qos: int, retain: bool, properties: Properties | None) -> bool:
        check_publish(topic, payload, self.settings.payload_limit)
        with self._lock:
            if not self.connected():
                self._count(publish_offline=1)
                return False
            info = self._client.publish(topic, payload, qos=qos, retain=retain, properties=properties)
        self._network.ring()
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            # NO_CONN has been queued by paho all the same; the next connect drops it (see _on_pre_connect)
            self._count(publish_offline=1)
            return False
        if qos:
            self._unconfirmed.sent(info.mid, topic)
        self._count(published=1)
        return True

    def refused_publishes(self) -> dict[str, str]:
        """Topics whose last publish the broker did not allow in this connection, with its reason."""
        return self._unconfirmed.refused()

    # -- in ------------------------------------------------------------------------------------------------------------

    def ack(self, *tokens: object) -> bool:
        """Confirm messages after what they caused is committed, each once. May be called from any thread.

        Tokens of a previous connection are dropped (False): the broker sends those messages again by itself.
        """
        if foreign := [token for token in tokens if not isinstance(token, Token)]:
            raise TypeError(f"not a token of this link: {foreign[0]!r}")
        wanted = [token for token in tokens if isinstance(token, Token) and token.qos]
        with self._lock:
            present = self._connection if self.connected() else None
            known = [token for token in wanted if token.connection == present]
            self._holding.add(-len(known))
            for _, mid, qos in known:
                self._client.ack(mid, qos)
        if known:
            self._network.ring()
        if len(known) < len(wanted):
            self._count(late_acks=len(wanted) - len(known))
        return len(known) == len(wanted)

    def down_s(self) -> float:
        """How long the connection was away before the present one; 0 for the first."""
        return self._loss.down_s

    def lost_s(self) -> float | None:
        """The monotonic second at which a connection was last lost."""
        return self._loss.lost_s

    def unsubscribe(self, topic: str) -> None:
        """Drop a subscription that a persistent session kept from an older plan."""
        if self.connected():
            self._client.unsubscribe(topic)
            self._network.ring()

    def state(self) -> LinkState:
        """A snapshot for findings and the page."""
        return LinkState(
            connected=self.connected(),
            subscribed=self._subscribed and self.connected(),
            alive=self.alive(),
            unacknowledged=self.unacknowledged(),
            refused_topics=tuple(sorted(self._refused_topics.items())),
            last_error=self._last_error,
            certificate_until_s=self._certificate_until_s,
            counters=LinkCounters(**self._counts),
            connected_s=self._deliveries.begun_s,
            unheard=self._deliveries.unheard(),
        )

    # -- paho ----------------------------------------------------------------------------------------------------------

    def _new_client(self) -> Client:
        settings = self.settings
        client = Client(
            CallbackAPIVersion.VERSION2, client_id=settings.client_id, protocol=paho.MQTTv5, manual_ack=True
        )
        client.suppress_exceptions = True  # second net below the wrapping of _guarded
        client.connect_timeout = settings.connect_limit_s
        client.max_queued_messages_set(settings.unacknowledged_limit)
        check_host(settings.host)
        if settings.username:
            client.username_pw_set(settings.username, settings.password)
        if settings.tls:
            set_tls(client, settings)
        if self._will is not None:
            set_will(client, self._will)
        client.on_pre_connect = self._guarded(self._on_pre_connect)
        client.on_connect = self._guarded(self._on_connect)
        client.on_disconnect = self._guarded(self._on_disconnect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_publish = self._guarded(self._on_publish)
        client.on_message = self._guarded(self._on_message)
        return client

    def _guarded(self, callback: Callable[..., None]) -> Callable[..., None]:
        def guarded(*args: object) -> None:
            try:
                callback(*args)
            except Exception as exc:  # one of the three edges of the house style: a library's callback
                self._count(callback_errors=1)
                self._last_error = f"{callback.__name__.lstrip('_')}: {exc!r}"

        return guarded

    def _count(self, **added: int) -> None:
        with self._count_lock:
            for name, more in added.items():
                self._counts[name] += more

    def _on_pre_connect(self, client: paho.Client, _userdata: object) -> None:
        with self._lock:
            self._connection = next(CONNECTIONS)
            client.drop_out_messages()
        self._holding.begin()
        self._unconfirmed.begin()
        self._subscribing.clear()
        self._library_error.words, self._turned_away = "", False
        client.enable_logger(self._library_error.logger())

    def _on_connect(
        self, client: paho.Client, _userdata: object, flags: paho.ConnectFlags, reason: ReasonCode, _props: Properties
    ) -> None:
        if reason.is_failure:
            self._count(connect_failures=1)
            self._loss.not_made()
            self._turned_away = True
            self._last_error = f"broker refused the connection: {reason}"
            return
        if self._closing:
            client.disconnect()  # close() came while the TCP connection was being made
            return
        send_at_once(client)
        client.disable_logger()  # its words are wanted of a connection that is not made; they cost time for each message
        self._count(short_connections=int(self._loss.made(time.monotonic())))
        self._refused_topics = {}
        self._certificate_until_s = certificate_end(client)
        self._count(connects=1)
        self._deliveries.begin()
        self._connected = True
        self._subscribe(client)
        self._on_connected(bool(flags.session_present))

    def _subscribe(self, client: paho.Client) -> None:
        for first in range(0, len(self._topics), SUBSCRIBE_BATCH):
            batch = self._topics[first : first + SUBSCRIBE_BATCH]
            code, mid = client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in batch])
            if code == MQTTErrorCode.MQTT_ERR_SUCCESS and mid is not None:
                self._subscribing[mid] = batch
        self._subscribed = not self._subscribing

    def _on_subscribe(
        self, _client: paho.Client, _userdata: object, mid: int, reasons: list[ReasonCode], _props: Properties
    ) -> None:
        for topic, reason in zip(self._subscribing.pop(mid, ()), reasons, strict=False):
            if reason.value >= REFUSED_FROM:
                self._count(subscriptions_refused=1)
                self._refused_topics = {**self._refused_topics, topic: str(reason)}
        self._subscribed = not self._subscribing

    def _not_made(self, why: OSError) -> None:
        self._count(connect_failures=1)
        self._loss.not_made()
        text = certificate_words(str(why), has_certificate=bool(self.settings.cert_file)) or str(why)
        self._last_error = f"no connection to {self.settings.host}:{self.settings.port}" + (f": {text}" if text else "")

    def _on_disconnect(
        self,
        _client: paho.Client,
        _userdata: object,
        flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _props: Properties,
    ) -> None:
        was_connected, self._connected, self._subscribed = self._connected, False, False
        self._count(disconnects=1, taken_over=int(reason.value == TAKEN_OVER))
        if not was_connected:
            self._ended_unanswered()
            return
        if reason.is_failure:
            self._last_error = f"connection lost: {reason}"
        self._count(short_connections=int(self._loss.ended(time.monotonic(), reason.value, wanted=self._closing)))
        self._pauses.begin(self._loss.in_a_row)

    def _ended_unanswered(self) -> None:
        self._loss.not_made()
        if not self._turned_away and not self._closing:  # what on_connect noted says more
            settings = self.settings
            self._last_error = unanswered_words(
                self._library_error.words, tls=settings.tls, has_certificate=bool(settings.cert_file)
            )

    def _on_publish(
        self, _client: paho.Client, _userdata: object, mid: int, reason: ReasonCode, _props: Properties
    ) -> None:
        refusal = str(reason) if reason.value >= REFUSED_FROM else ""
        self._unconfirmed.answered(mid, refusal)
        if refusal:
            self._count(publish_refused=1)
            self._last_error = f"broker refused a publish: {refusal}"

    def _on_message(self, client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        topic, payload, qos = message.topic, message.payload, message.qos
        self._counts["received"] += 1  # here and below: of no other thread
        self._deliveries.note(topic)
        if len(payload) > self.settings.payload_limit:
            self._counts["refused"] += 1
            self._last_error = f"payload of {len(payload)} bytes on {topic[:200]} refused"
            client.ack(message.mid, qos)
        elif self._takes(qos):
            token = Token(self._connection, message.mid, qos)
            self._heard.append(Message(topic, bytes(payload), message.retain, message.dup, token, time.monotonic()))
        else:
            self._counts["dropped"] += 1

    def _takes(self, qos: int) -> bool:
        if self._inbox is None:
            return False
        if qos:
            return not self._holding.missed  # what follows a refused message comes again with it, in order
        limit = self._inbox.maxsize
        return limit <= 0 or self._inbox.qsize() + len(self._heard) < limit - self._receive_maximum

    def _hand_on(self) -> None:
        """All messages of one look at the network, in their order."""
        if not self._heard or self._inbox is None:
            return
        messages, self._heard = self._heard, []
        self._holding.add(sum(message.token.qos > 0 for message in messages))
        taken = self._inbox.put_all(messages, INBOX_WAIT_S)
        if taken < len(messages):
            self._holding.add(-sum(message.token.qos > 0 for message in messages[taken:]))
            self._holding.missed = True
            self._counts["dropped"] += len(messages) - taken
