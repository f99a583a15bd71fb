"""Each topic below a filter is kept with its first and newest messages; silence says what to look at."""

import json

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.sources.heard.listen import NEWEST, HeardMessage, HeardTopic, listen
from meterd.core.errors import SourceError
from meterd.core.model.plan import Site
from meterd.core.model.plan import Source as SourceRow
from tests.brokers import Mosquitto, until

SITE = Site("new", "UTC")


def row(port: int) -> SourceRow:
    return SourceRow("broker", "mqtt", (("host", "127.0.0.1"), ("port", port)))


def test_what_the_broker_had_retained_counts_only_if_nothing_else_came() -> None:
    old, new = HeardMessage(b"1", 0, True), HeardMessage(b"2", 1, False)
    topic = HeardTopic("q01", old)
    topic.newest.append(old)
    topic.count = 1
    assert topic.messages() == (old,)
    topic.newest.append(new)
    topic.count = 2
    assert topic.messages() == (new,)


@pytest.mark.slow
def test_topics_below_the_filter_with_their_messages() -> None:
    """Retained ones too; more than are kept: the first and the newest."""
    with Mosquitto() as broker, Link(LinkSettings("meter", host="127.0.0.1", port=broker.port)) as out:
        assert until(lambda: out.connected())
        for topic in ("mill/q01", "mill/hall/q02", "elsewhere"):
            out.publish(topic, json.dumps({"topic": topic}).encode(), retain=True)
        assert until(lambda: not out.unacknowledged())
        topics = listen(row(broker.port), SITE, "mill/#", limit_s=0.5)
        assert [(topic.name, topic.count, topic.first.retain) for topic in topics] == [
            ("mill/hall/q02", 1, True), ("mill/q01", 1, True),
        ]  # fmt: skip
        with pytest.raises(SourceError, match=r"nothing came on mill at .* \(write mill/# for all topics below it\)"):
            listen(row(broker.port), SITE, "mill", limit_s=0.1)


@pytest.mark.slow
def test_a_broker_that_is_away_or_refuses_is_named() -> None:
    with pytest.raises(SourceError, match=r"no broker at 127\.0\.0\.1:1: .*refused; look at address, port, user"):
        listen(row(1), SITE, "#", limit_s=0.1)


def test_more_messages_than_are_kept() -> None:
    messages = [HeardMessage(str(n).encode(), n, False) for n in range(NEWEST + 3)]
    topic = HeardTopic("q01", messages[0])
    topic.newest.extend(messages)
    topic.count = len(messages)
    assert topic.messages() == (messages[0], *messages[-NEWEST:])
