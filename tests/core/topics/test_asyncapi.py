"""The documents follow the rows: every topic is described once, by the rules of AsyncAPI 3.0."""

import json
import re
from dataclasses import replace
from typing import Any

from meterd.core.model.plan import Broker
from meterd.core.topics.asyncapi import asyncapi, render_topics, topics_markdown
from meterd.core.topics.message import OTHERS
from meterd.core.topics.table import ROWS, catalogue
from tests.snapshots import POINTS, site

PLAN = site()


def document() -> dict[str, Any]:
    """The document of the test site."""
    loaded: dict[str, Any] = json.loads(asyncapi(PLAN))
    return loaded


def resolved(root: dict[str, Any], reference: str) -> Any:
    """What a reference of the document points to (RFC 6901)."""
    result: Any = root
    for part in reference.removeprefix("#/").split("/"):
        result = result[part.replace("~1", "/").replace("~0", "~")]
    return result


def test_root_and_server_have_what_asyncapi_3_demands() -> None:
    # AsyncAPI 3.0.0: required are asyncapi and info with title and version; a server needs host and protocol
    root = document()
    assert root["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= root["info"].keys()
    assert root.keys() <= {"asyncapi", "info", "servers", "channels", "operations", "components", "defaultContentType"}
    assert root["servers"] == {"broker": {"host": "localhost:1883", "protocol": "mqtt", "protocolVersion": "5.0"}}
    secure = json.loads(asyncapi(replace(PLAN, broker=Broker(tls=True, port=8883))))
    assert secure["servers"]["broker"]["protocol"] == "secure-mqtt"


def test_every_parameter_of_an_address_is_described_and_no_other() -> None:
    for channel in document()["channels"].values():
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel.get("parameters", {}))
        assert channel["messages"]
        for parameter in channel.get("parameters", {}).values():
            assert parameter.keys() <= {"enum", "default", "description", "examples", "location"}


def test_every_operation_sends_messages_of_its_own_channel() -> None:
    root = document()
    for operation in root["operations"].values():
        assert operation["action"] == "send"
        channel = operation["channel"]["$ref"]
        resolved(root, channel)
        for message in operation["messages"]:
            assert message["$ref"].startswith(f"{channel}/messages/")
            assert {"contentType", "payload"} <= resolved(root, message["$ref"]).keys()
        binding = operation["bindings"]["mqtt"]
        assert (binding["qos"], binding["retain"]) == (1, True)
    assert len(root["operations"]) == len(root["channels"])


def test_every_reference_resolves_and_every_name_is_legal() -> None:
    root = document()
    for reference in re.findall(r'"\$ref": "([^"]+)"', asyncapi(PLAN)):
        assert resolved(root, reference) is not None
    for name in [*root["channels"], *root["operations"], *root["components"]["schemas"]]:
        assert re.fullmatch(r"[A-Za-z0-9._-]+", name)


def test_the_channels_expand_to_exactly_the_topics_of_the_catalogue() -> None:
    topics: set[str] = set()
    for channel in document()["channels"].values():
        names = [
            (key, item) for key, result in channel.get("parameters", {}).items() for item in result.get("enum", [])
        ]
        topics |= {channel["address"].replace(f"{{{key}}}", name) for key, name in names} or {channel["address"]}
    values = {topic for entry in catalogue(PLAN) for topic in entry.topics}
    assert topics == values | {f"energy/mill/{topic}" for topic, _ in OTHERS}


def test_expiry_unit_and_fallback_are_stated() -> None:
    root = document()
    assert root["operations"]["send-pv-surplus"]["bindings"]["mqtt"]["messageExpiryInterval"] == 120
    assert root["channels"]["pv-surplus"]["messages"]["message"]["x-unit"] == "W"
    assert root["channels"]["pv-surplus-plain"]["messages"]["message"]["x-fallback"] == 0
    assert "messageExpiryInterval" not in root["operations"]["send-service"]["bindings"]["mqtt"]


def test_the_terminal_table_has_one_line_per_topic_and_the_rule() -> None:
    plan = site(points=POINTS[:1])
    lines = render_topics(plan).splitlines()
    for entry in catalogue(plan):
        assert sum(line.split()[0] == entry.topic for line in lines if line) == 1
    assert "random delay" in lines[-1]


def test_the_readme_table_covers_every_row() -> None:
    lines = topics_markdown().splitlines()
    assert len(lines) == 2 + len(ROWS) + len(OTHERS)
    for row in ROWS:
        shown = f"| `{row.pattern.replace('{', '<').replace('}', '>')}` |"
        results = [line for line in lines if line.startswith(shown)]
        assert len(results) == 1
        assert row.meaning in results[0]
    assert all(line.count("|") == 7 for line in lines)
