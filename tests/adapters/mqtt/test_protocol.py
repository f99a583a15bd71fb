"""What is handed to the MQTT library: properties, will, limits of a publish, names and certificates that cannot be."""

from pathlib import Path

import paho.mqtt.client as paho
import pytest

from meterd.adapters.mqtt.protocol import (
    PACKET_FACTOR,
    check_host,
    check_publish,
    connect_properties,
    publish_properties,
    set_tls,
    set_will,
)
from meterd.adapters.mqtt.settings import LinkSettings, Will
from meterd.core.errors import ConfigError, PublishError


def client() -> paho.Client:
    """A client that is not connected."""
    return paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)


def test_a_connection_bounds_what_the_broker_may_send() -> None:
    """Session, packets under way and their size: larger ones are let in so that they can be counted."""
    settings = LinkSettings("meterd", session_expiry_s=3600, payload_limit=1000)
    assert connect_properties(settings, 20).json() == {
        "SessionExpiryInterval": 3600, "ReceiveMaximum": 20, "MaximumPacketSize": 1000 * PACKET_FACTOR,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("expiry_s", "content_type", "wanted"),
    [
        (None, "", None), (0, "", {"MessageExpiryInterval": 1}), (60, "", {"MessageExpiryInterval": 60}),
        (None, "application/senml+json", {"ContentType": "application/senml+json"}),
    ],
)  # fmt: skip
def test_a_message_has_the_properties_it_needs(
    expiry_s: int | None, content_type: str, wanted: dict[str, object] | None
) -> None:
    """None where it needs none; 0 s would be forbidden by MQTT 5. The same ones are made once."""
    properties = publish_properties(expiry_s, content_type)
    assert (properties if properties is None else properties.json()) == wanted
    assert publish_properties(expiry_s, content_type) is properties


def test_the_will_goes_out_with_all_that_was_set() -> None:
    """Retained, with its delay, expiry and type; QoS 1, since it is the last word."""
    made = client()
    set_will(made, Will("energy/mill/state", b"gone", delay_s=5, expiry_s=60, content_type="text/plain"))
    assert (made._will_topic, made._will_payload, made._will_qos) == (b"energy/mill/state", b"gone", 1)
    assert made._will_properties is not None
    assert made._will_properties.json() == {
        "WillDelayInterval": 5, "MessageExpiryInterval": 60, "ContentType": "text/plain",
    }  # fmt: skip


@pytest.mark.parametrize("topic", ["", "a/+", "a/#", "a\0b"])
def test_a_topic_that_cannot_be_published_on_is_refused(topic: str) -> None:
    """The library would raise in the thread of whoever publishes."""
    with pytest.raises(PublishError, match="a topic is not empty and has no wildcard"):
        check_publish(topic, b"", 10)


def test_a_payload_is_allowed_up_to_its_limit() -> None:
    """And not one byte more."""
    check_publish("a/b", b"0123456789", 10)
    with pytest.raises(PublishError, match="cannot publish a/b: 11 bytes, the limit is 10"):
        check_publish("a/b", b"01234567890", 10)


@pytest.mark.parametrize("host", ["", "a" * 70 + ".example", "a..b", ".example"])
def test_a_name_that_no_resolver_can_encode_is_refused(host: str) -> None:
    """In the library's thread that is no OSError and would end it."""
    with pytest.raises(ConfigError, match="write a name or an address"):
        check_host(host)


@pytest.mark.parametrize("host", ["localhost", "10.0.0.5", "::1", "broker.mill.example", "zähler.example"])
def test_names_and_addresses_are_allowed(host: str) -> None:
    """Also with letters that are encoded."""
    check_host(host)


@pytest.mark.parametrize("content", [None, b"this is no certificate"])
def test_a_certificate_file_that_cannot_be_used_is_refused_with_the_broker(
    tmp_path: Path, content: bytes | None
) -> None:
    """Missing, or no certificate: named before anything connects."""
    path = tmp_path / "ca.pem"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ConfigError, match="cannot use the certificate files of broker far"):
        set_tls(client(), LinkSettings("meterd", host="far.example", tls=True, ca_file=str(path)))
