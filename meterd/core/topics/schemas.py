"""JSON Schemas (2020-12) of the JSON topics: `service`, `catalogue`, `finding/...` and the pointer of a former name.

Every field and every enumerated word, so that a reader can be made, and refuse what it does not know, before the first
message arrives. Fields are only ever added: a schema here names what this version sends, a reader should let others pass.
"""

from collections.abc import Mapping, Sequence

from meterd.core.model.finding import FindingState
from meterd.core.model.finding_cause import CAUSES
from meterd.core.model.surplus_level import LEVELS
from meterd.core.topics.definition import Each, TimeBasis

DIALECT = "https://json-schema.org/draft/2020-12/schema"

Schema = dict[str, object]

_TEXT: Schema = {"type": "string"}
_COUNT: Schema = {"type": "integer", "minimum": 0}
_TIME: Schema = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$"}
_NAME: Schema = {"type": "string", "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$"}


def _described(schema: Schema, text: str) -> Schema:
    return {**schema, "description": text}


def _words(results: Sequence[str], text: str) -> Schema:
    return {"type": "string", "enum": list(results), "description": text}


def _object(title: str, properties: Mapping[str, Schema], optional: Sequence[str] = ()) -> Schema:
    required = [name for name in properties if name not in optional]
    return {
        "$schema": DIALECT,
        "title": title,
        "type": "object",
        "properties": dict(properties),
        "required": required,
        "additionalProperties": False,
    }


def service_schema() -> Schema:
    """The topic `service`."""
    properties: dict[str, Schema] = {
        "state": _words(["live", "gone"], "live: published by this instance; gone: treat every value as invalid."),
        "instance": _described(_TEXT, "Name of the process that publishes; another one after each start."),
        "epoch": _described(_COUNT, "Grows by one with every start or take-over; the highest publishes."),
        "sequence": _described(_COUNT, "Number of the last value sent."),
        "version": _described(_TEXT, "Version of the program."),
        "period_s": _described(_COUNT, "Every topic, and this one, is renewed at least this often."),
        "title": _described(_TEXT, "What people call the site."),
        "files": {
            "type": "array",
            "items": _object(
                "A file of the plan",
                {
                    "name": _described(_TEXT, "Relative to the plan."),
                    "digest": _described(_TEXT, "The same for copies that mean the same."),
                    "newest_ms": _described(
                        _COUNT, "When the last of its prices begins, in milliseconds since 1970 UTC."
                    ),
                },
                ("newest_ms",),
            ),
            "description": "Files that the plans of other sites may have a copy of.",
        },
        "zone_rules": _described(_TEXT, "Version of the time zone rules that local days follow."),
        "heartbeat": _described(_TIME, "When this was sent; not in the last will, which the broker sends."),
        "heartbeat_ms": _described(_COUNT, "The same in milliseconds since 1970 UTC."),
    }
    return _object("Who publishes", properties, ("title", "files", "zone_rules", "heartbeat", "heartbeat_ms"))


def catalogue_schema() -> Schema:
    """The topic `catalogue`."""
    row = _object(
        "Value topics of one row",
        {
            "pattern": _described(_TEXT, "Topic below <prefix>/<site>/; put each of names in the place of {each}."),
            "unit": _described(_TEXT, "SenML unit symbol (RFC 8428, RFC 8798); empty for a word."),
            "meaning": _TEXT,
            "period": _words(
                [time_basis.value for time_basis in TimeBasis], "The moment or period that the value speaks of."
            ),
            "ut_s": _described(_COUNT, "Seconds after its time for which a value may be used."),
            "each": _words([each.value for each in Each], "What the row repeats over; site: it exists once."),
            "names": {
                "type": "array",
                "items": _TEXT,
                "description": "One topic per name; one empty name for the site.",
            },
            "fallback": {
                "type": "integer",
                "description": "The bare number while invalid; without it, not renewed then.",
            },
            "time": {"const": True, "description": "The topic <topic>/time exists beside <topic>/plain."},
        },
        ("fallback", "time"),
    )
    other = _object("Another topic", {"topic": _TEXT, "meaning": _TEXT})
    properties: dict[str, Schema] = {
        "site": _described(_TEXT, "Second level of every topic."),
        "title": _described(_TEXT, "For people."),
        "zone": _described(_TEXT, "IANA time zone of local days."),
        "version": _described(_TEXT, "Version of the program."),
        "epoch": _described(_COUNT, "As in service."),
        "rule": _described(_TEXT, "How a controller uses a value, and when it no longer may."),
        "values": {"type": "array", "items": row},
        "renamed": {
            "type": "object",
            "additionalProperties": _NAME,
            "description": "Former name of a point to its present one.",
        },
        "others": {"type": "array", "items": other},
    }
    return _object("Every topic of the site", properties)


def _cause() -> Schema:
    names = [cause.name for cause in CAUSES]
    kinds = "|".join(sorted(name.removesuffix("-") for name in names if name.endswith("-")))
    return {
        "anyOf": [
            {"enum": sorted(name for name in names if not name.endswith("-"))},
            {"type": "string", "pattern": f"^({kinds})-[a-z0-9-]+$"},
        ],
        "description": "What it is, a lasting word: the first part of the topic's last level. Those by pattern name a register.",
    }


def finding_schema() -> Schema:
    """The topics `finding/...`."""
    properties: dict[str, Schema] = {
        "cause": _cause(),
        "subject": _described(_TEXT, "The point, board, source, consumer or site it is about."),
        "at": _described(_TIME, "When it was seen."),
        "text": _described(_TEXT, "A sentence with figures, in English."),
        "remedy": _described(_TEXT, "What to do; may be empty."),
        "points": {"type": "array", "items": _TEXT, "description": "Metering points it concerns."},
        "evidence": {
            "type": "array",
            "items": _TEXT,
            "description": "What else was seen and follows from the same cause.",
        },
        "state": _words(
            [finding_state.value for finding_state in FindingState if finding_state is not FindingState.CLOSED],
            "new; seen: somebody looks after it; explained: known, it stays quietly. A closed one has no topic.",
        ),
        "first": _described(_TIME, "Since when."),
        "last": _described(_TIME, "When it was last seen, known to a few minutes."),
        "count": _described(_COUNT, "How often it came within this life."),
        "number": _described(_COUNT, "Its how many-th life this is."),
        "earlier": _described(_TIME, "When the life before was closed."),
    }
    return _object("An open finding", properties, ("evidence", "state", "first", "last", "count", "number", "earlier"))


def renamed_schema() -> Schema:
    """The topics `point/<former>/renamed`."""
    properties = {
        "point": _described(_NAME, "What it is called now."),
        "topic": _described(_TEXT, "Where its values are now."),
    }
    return _object("A former name of a point", properties)


def display_schema() -> Schema:
    """The topic `display`."""
    power: Schema = {"type": ["integer", "null"], "description": "In W; null = not known."}
    energy: Schema = {"type": ["integer", "null"], "minimum": 0}
    names = ("production_wh", "self_use_wh", "import_wh", "export_wh", "consumption_wh")
    today = _object("Energies of the local day so far in Wh, closed intervals", dict.fromkeys(names, energy))
    prices: dict[str, Schema] = {
        "price": {"type": "number", "description": "Per kWh, now; of prices in steps the first."},
        "currency": _TEXT,
        "until": {**_described(_TIME, "Its next change within eight days."), "type": ["string", "null"]},
        "then": {"type": ["number", "null"], "description": "Per kWh, from that change on."},
    }
    properties: dict[str, Schema] = {
        "title": _described(_TEXT, "The site, for people."),
        "at": _described(_TIME, "When this was made."),
        "state": _words(["good", "partial", "invalid"], "good: all powers are known; partial: some; invalid: none."),
        "age_s": {
            "type": ["integer", "null"],
            "minimum": 0,
            "description": "Age of the oldest power in it, in seconds.",
        },
        "production_w": power,
        "draw_w": power,
        "surplus_w": power,
        "surplus": _words(list(LEVELS), "The surplus as a word, as in pv/surplus-level."),
        "today": {"anyOf": [today, {"type": "null"}]},
        "tariff": {"anyOf": [_object("What energy from the grid costs", prices), {"type": "null"}]},
        "words": _object("A sentence in each language", {"en": _TEXT, "de": _TEXT}),
    }
    return _object("For displays", properties)


def schemas() -> dict[str, Schema]:
    """All of them, by the topic's pattern without its variable levels."""
    return {
        "service": service_schema(),
        "catalogue": catalogue_schema(),
        "display": display_schema(),
        "finding": finding_schema(),
        "point-renamed": renamed_schema(),
    }
