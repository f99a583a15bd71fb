"""The JSON Schemas name every field and word of the JSON topics; an independent validator reads them and the messages."""

import json
from dataclasses import replace
from typing import Any

import pytest
from jsonschema import Draft202012Validator, ValidationError

from meterd.core.model.finding import Finding, FindingState, Life
from meterd.core.model.plan_part import PlanPart
from meterd.core.topics.display import display_payload
from meterd.core.topics.message import JSON, Message, Service, catalogue_message, finding_message, renamed_messages
from meterd.core.topics.schemas import schemas
from tests.snapshots import NOW_MS, POINTS, site, snapshot

FOUND = Finding("stale", "q01", NOW_MS, "q01 is stale", "look at it", ("q01",), ("q02 too",))
LIFE = Life(FindingState.SEEN, NOW_MS - 9000, NOW_MS, 2, 2, NOW_MS - 10_000)
FILES = (PlanPart("north.toml", "aa", 1), PlanPart("rooms.csv", "bb"))
SERVICE = Service(True, "a", 3, 7, "0.1.0", NOW_MS, 30, "2026a", FILES, "Harrow Mill")


def check(name: str, payload: Any) -> None:
    """Raises `ValidationError` for what the schema does not allow."""
    Draft202012Validator(schemas()[name]).validate(payload)


@pytest.mark.parametrize("name", sorted(schemas()))
def test_every_schema_is_one(name: str) -> None:
    Draft202012Validator.check_schema(schemas()[name])


def cases() -> list[tuple[str, Message]]:
    """Messages with all fields and with as few as there can be."""
    renamed = site(points=(*POINTS[:3], replace(POINTS[3], aliases=("old-name",))))
    return [
        ("service", SERVICE.message("energy/mill")),
        ("service", replace(SERVICE, live=False, heartbeat_ms=None, zone_rules="").message("energy/mill")),
        ("catalogue", catalogue_message(renamed, "0.1.0", 3)),
        ("finding", finding_message("energy/mill", replace(FOUND, life=LIFE), 90)),
        ("finding", finding_message("energy/mill", Finding("stale", "q01", NOW_MS, "q01 is stale"), 90)),
        ("point-renamed", renamed_messages(renamed)[0]),
        ("display", Message("energy/mill/display", display_payload(snapshot()), JSON, 120)),
        ("display", Message("energy/mill/display", display_payload(replace(snapshot(), pv_day=None)), JSON, 120)),
    ]


@pytest.mark.parametrize(("name", "message"), cases())
def test_messages_are_what_their_schema_says_and_every_field_of_them_is_in_it(name: str, message: Message) -> None:
    check(name, json.loads(message.payload))


@pytest.mark.parametrize(("name", "message"), cases())
def test_a_field_or_word_that_is_not_sent_is_refused(name: str, message: Message) -> None:
    fields = json.loads(message.payload)
    with pytest.raises(ValidationError):
        check(name, {**fields, "more": 1})
    if "state" in fields:
        with pytest.raises(ValidationError, match="is not one of"):
            check(name, {**fields, "state": "perhaps"})


@pytest.mark.parametrize(
    ("cause", "right"), [("refused-import", True), ("stale", True), ("refused-", False), ("tale", False)]
)
def test_the_causes_are_those_of_the_table(cause: str, right: bool) -> None:
    fields = json.loads(finding_message("energy/mill", replace(FOUND, cause=cause), 90).payload)
    assert Draft202012Validator(schemas()["finding"]).is_valid(fields) is right


def test_every_field_that_a_message_may_have_is_described() -> None:
    """Together the messages with all fields use every property: none is promised that never comes."""
    seen: dict[str, set[str]] = {}
    for name, message in cases():
        seen.setdefault(name, set()).update(json.loads(message.payload))
    assert seen == {name: set(schema["properties"]) for name, schema in schemas().items()}  # type: ignore[call-overload]
