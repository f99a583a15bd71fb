"""The topics as documents: AsyncAPI 3.0 for machines, a table for the terminal, a table for the README.

All three follow the rows of `derived` and the message forms of `message`; nothing is listed twice.
"""

import json

from meterd import __version__
from meterd.core.model.plan import Site
from meterd.core.topics.message import JSON, OTHERS, PLAIN, RULE, SENML
from meterd.core.topics.schemas import schemas
from meterd.core.topics.table import ROWS, Each, Entry, Row, catalogue, validity_s

# AsyncAPI bindings for MQTT, version 0.2.0, know the message expiry of MQTT 5.
BINDING = "0.2.0"

_SENML_SCHEMA: dict[str, object] = {
    "title": "SenML pack (RFC 8428)",
    "description": (
        "First the value with unit u, time bt in seconds since 1970 UTC and ut, the longest time in seconds to the next "
        "update; then <topic>:state (good, partial, estimated or invalid), of a sum over meters <topic>:apart (seconds "
        "between the samples in it), and <topic>:sequence, which only grows. An invalid value has no number: the pack then "
        "begins with the state. A forecast goes on with <topic>:p10, <topic>:p50 and <topic>:p90, a record for each interval; "
        "its time bt + t is the end of the interval. Wh and varh need bver 26 (RFC 8798, RFC 9100)."
    ),
    "type": "array",
    "minItems": 2,
    "items": {
        "type": "object",
        "properties": {
            "bn": {"type": "string"},
            "bt": {"type": "number"},
            "bver": {"type": "integer"},
            "n": {"type": "string"},
            "u": {"type": "string"},
            "bu": {"type": "string"},
            "t": {"type": "number"},
            "v": {"type": "number"},
            "vs": {"type": "string"},
            "ut": {"type": "number"},
        },
    },
}


_PARAMETERS = {
    "finding": "Cause and subject of the finding, joined by a hyphen.",
    "former": "A former name of a point of the plan.",
}


def asyncapi(site: Site) -> str:
    """The AsyncAPI 3.0 document of a site as JSON text."""
    rows: dict[str, list[Entry]] = {}
    for entry in catalogue(site):
        rows.setdefault(_slug(entry.row.pattern), []).append(entry)
    channels: dict[str, object] = {}
    operations: dict[str, object] = {}
    for slug, entries in rows.items():
        _add(channels, operations, slug, _value_channel(site, entries), expiry_s=entries[0].valid_s)
        _add(channels, operations, f"{slug}-plain", _plain_channel(site, entries), expiry_s=entries[0].valid_s)
        if entries[0].dated:
            _add(channels, operations, f"{slug}-time", _time_channel(site, entries), expiry_s=entries[0].valid_s)
    for topic, meaning in OTHERS:
        _add(channels, operations, _slug(topic), _other_channel(site, topic, meaning), expiry_s=None)
    document = {
        "asyncapi": "3.0.0",
        "info": {
            "title": f"Derived values of {site.title or site.name}",
            "version": __version__,
            "description": RULE,
        },
        "defaultContentType": SENML,
        "servers": {"broker": _server(site)},
        "channels": channels,
        "operations": operations,
        "components": {"schemas": {"senml": _SENML_SCHEMA, **schemas()}},
    }
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _server(site: Site) -> dict[str, object]:
    broker = site.broker
    return {
        "host": f"{broker.host}:{broker.port}",
        "protocol": "secure-mqtt" if broker.tls else "mqtt",
        "protocolVersion": "5.0",
    }


def _slug(pattern: str) -> str:
    """A pattern as an identifier: `board/{board}/running/feed` -> `board-running-feed`."""
    return "-".join(part for part in pattern.split("/") if not part.startswith("{"))


def _add(
    channels: dict[str, object],
    operations: dict[str, object],
    slug: str,
    channel: dict[str, object],
    *,
    expiry_s: int | None,
) -> None:
    binding: dict[str, object] = {"qos": 1, "retain": True, "bindingVersion": BINDING}
    if expiry_s is not None:
        binding["messageExpiryInterval"] = expiry_s
    channels[slug] = channel
    operations[f"send-{slug}"] = {
        "action": "send",
        "channel": {"$ref": f"#/channels/{slug}"},
        "messages": [{"$ref": f"#/channels/{slug}/messages/message"}],
        "bindings": {"mqtt": binding},
    }


def _channel(site: Site, pattern: str, entries: list[Entry], message: dict[str, object]) -> dict[str, object]:
    channel: dict[str, object] = {
        "address": f"{site.prefix}/{site.name}/{pattern}",
        "description": message["summary"],
        "messages": {"message": message},
    }
    each = entries[0].row.each if entries else Each.SITE
    if each is not Each.SITE:
        channel["parameters"] = {
            each.value: {"description": f"A {each.value} of the plan.", "enum": [entry.name for entry in entries]}
        }
    return channel


def _value_channel(site: Site, entries: list[Entry]) -> dict[str, object]:
    first = entries[0]
    message: dict[str, object] = {
        "name": _slug(first.row.pattern),
        "summary": first.meaning,
        "contentType": SENML,
        "payload": {"$ref": "#/components/schemas/senml"},
        "x-unit": first.unit or "word",
        "x-period": first.period,
        "x-ut-s": first.valid_s,
    }
    return _channel(site, first.row.pattern, entries, message)


def _plain_channel(site: Site, entries: list[Entry]) -> dict[str, object]:
    first = entries[0]
    on_invalid = "not renewed" if first.fallback is None else str(first.fallback)
    unit = f"in {first.unit}" if first.unit else ", ".join(f"{code} = {word}" for word, code in first.row.words.items())
    message: dict[str, object] = {
        "name": f"{_slug(first.row.pattern)}-plain",
        "summary": f"{first.meaning} Bare decimal number, {unit}; while invalid: {on_invalid}.",
        "contentType": PLAIN,
        "payload": {"type": "number"},
    }
    if first.fallback is not None:
        message["x-fallback"] = first.fallback
    return _channel(site, f"{first.row.pattern}/plain", entries, message)


def _time_channel(site: Site, entries: list[Entry]) -> dict[str, object]:
    first = entries[0]
    message: dict[str, object] = {
        "name": f"{_slug(first.row.pattern)}-time",
        "summary": f"Time of the value in whole seconds since 1970 UTC; 0 while it is invalid. {first.meaning}",
        "contentType": PLAIN,
        "payload": {"type": "integer", "minimum": 0},
    }
    return _channel(site, f"{first.row.pattern}/time", entries, message)


def _other_channel(site: Site, topic: str, meaning: str) -> dict[str, object]:
    message: dict[str, object] = {
        "name": _slug(topic),
        "summary": meaning,
        "contentType": JSON,
        "payload": {"$ref": f"#/components/schemas/{_slug(topic)}"},
    }
    channel = _channel(site, topic, [], message)
    described = {name: {"description": text} for name, text in _PARAMETERS.items() if f"{{{name}}}" in topic}
    if described:
        channel["parameters"] = described
    return channel


def render_schemas() -> str:
    """The JSON Schemas of the JSON topics, by topic, as JSON text."""
    return json.dumps(schemas(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def render_topics(site: Site) -> str:
    """Every topic of a site as a table for the terminal, and the rule for controllers."""
    table = [("topic", "unit", "ut s", "invalid", "meaning")]
    table += [
        (entry.topic, entry.unit or "word", str(entry.valid_s), _on_invalid(entry.fallback), entry.meaning)
        for entry in catalogue(site)
    ]
    table += [(f"{site.prefix}/{site.name}/{topic}", "JSON", "-", "-", meaning) for topic, meaning in OTHERS]
    widths = [max(len(row[column]) for row in table) for column in range(4)]
    lines = [
        "  ".join([*(cell.ljust(width) for cell, width in zip(row, widths, strict=False)), row[4]]) for row in table
    ]
    return "\n".join([*lines, "", RULE, ""])


def _on_invalid(fallback: int | None) -> str:
    return "-" if fallback is None else str(fallback)


def topics_markdown() -> str:
    """The README table: one line per row of the table of derived values, validity with the default limits."""
    usual = Site("site", "UTC")
    lines = [
        "| topic below `energy/<site>/` | unit | meaning | speaks of | valid for | `/plain` while invalid |",
        "|---|---|---|---|---|---|",
        *(_markdown_line(row, validity_s(row.follows, usual)) for row in ROWS),
        *(f"| `{_shown(topic)}` | JSON | {meaning} | | | |" for topic, meaning in OTHERS),
    ]
    return "\n".join(lines) + "\n"


def _markdown_line(row: Row, valid_s: int) -> str:
    on_invalid = "not renewed" if row.fallback is None else f"`{row.fallback}`"
    unit = f"`{row.unit}`" if row.unit else "word"
    return f"| `{_shown(row.pattern)}` | {unit} | {row.meaning} | {row.follows.value} | {valid_s} s | {on_invalid} |"


def _shown(pattern: str) -> str:
    return pattern.replace("{", "<").replace("}", ">")
