"""Properties, will and certificates in paho's own types: what the link hands to the library, and nothing that lives."""

import socket
import ssl
from contextlib import suppress
from functools import lru_cache

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from meterd.adapters.mqtt.network_loop import plain_socket
from meterd.adapters.mqtt.settings import LinkSettings, Will
from meterd.core.errors import ConfigError, PublishError

PACKET_FACTOR = 8  # the broker may hand us packets up to this times the payload limit, so that we can count them


def _properties(packet: int) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call]  # paho 2.2.0 leaves it without types


def connect_properties(settings: LinkSettings, receive_maximum: int) -> Properties:
    """Session expiry, flow control and packet limit of CONNECT."""
    properties = _properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = settings.session_expiry_s
    properties.ReceiveMaximum = receive_maximum
    properties.MaximumPacketSize = settings.payload_limit * PACKET_FACTOR
    return properties


@lru_cache(1024)
def publish_properties(expiry_s: int | None, content_type: str) -> Properties | None:
    """Expiry in seconds (0 becomes 1: MQTT 5 knows no message that is dead at once) and content type, or None.

    Kept, since making them costs paho 2.2.0 a third of a publish; it only reads them.
    """
    if expiry_s is None and not content_type:
        return None
    properties = _properties(PacketTypes.PUBLISH)
    if expiry_s is not None:
        properties.MessageExpiryInterval = max(1, expiry_s)
    if content_type:
        properties.ContentType = content_type
    return properties


def set_will(client: paho.Client, will: Will) -> None:
    """Leave the last will with the client; it goes out with the next CONNECT."""
    properties = _properties(PacketTypes.WILLMESSAGE)
    if will.delay_s:
        properties.WillDelayInterval = will.delay_s
    if will.expiry_s is not None:
        properties.MessageExpiryInterval = will.expiry_s
    if will.content_type:
        properties.ContentType = will.content_type
    client.will_set(will.topic, will.payload, qos=1, retain=will.retain, properties=properties)


def set_tls(client: paho.Client, settings: LinkSettings) -> None:
    """Encrypt, and check the broker's chain and name; ConfigError for files that cannot be used."""
    try:
        context = ssl.create_default_context(cafile=settings.ca_file or None)
        if settings.cert_file:
            context.load_cert_chain(settings.cert_file, settings.key_file or None)
    except OSError as exc:  # ssl.SSLError is one
        raise ConfigError(f"cannot use the certificate files of broker {settings.host}: {exc}") from exc
    client.tls_set_context(context)


def certificate_end(client: paho.Client) -> float | None:
    """Seconds since 1970 at which the broker's certificate ends; None without TLS."""
    sock = plain_socket(client)
    if not isinstance(sock, ssl.SSLSocket):
        return None
    until = (sock.getpeercert() or {}).get("notAfter")
    return ssl.cert_time_to_seconds(until) if isinstance(until, str) else None


def send_at_once(client: paho.Client) -> None:
    """Do not let a small packet wait for the confirmation of the one before (Nagle): up to 40 ms on one machine."""
    if (sock := plain_socket(client)) is not None:
        with suppress(OSError):  # closed in the meantime: paho notices by itself
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def shut(client: paho.Client) -> None:
    """Break the connection under the client, so that its thread stops waiting for a frozen broker."""
    if (sock := plain_socket(client)) is not None:
        with suppress(OSError):  # it was closed in the meantime, which is what we wanted
            sock.shutdown(socket.SHUT_RDWR)


def check_host(host: str) -> None:
    """ConfigError for a name the resolver cannot even encode: in paho's thread that is no OSError and would end it."""
    try:
        encoded = host.encode("idna")
    except UnicodeError as exc:
        raise ConfigError(f"broker host {host!r} is no host name: {exc}; write a name or an address") from exc
    if not encoded:
        raise ConfigError("broker host is empty; write a name or an address")


def check_publish(topic: str, payload: bytes, limit: int) -> None:
    """PublishError for a topic with wildcards, or a payload beyond the limit in bytes."""
    if not topic or "+" in topic or "#" in topic or "\0" in topic:
        raise PublishError(f"cannot publish on {topic!r}: a topic is not empty and has no wildcard")
    if len(payload) > limit:
        raise PublishError(f"cannot publish {topic}: {len(payload)} bytes, the limit is {limit}")
