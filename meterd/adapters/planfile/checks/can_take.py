"""Rules for what a consumer says it could take: a topic that can be read, of a source that is there, each used once."""

from meterd.adapters.planfile.checks.meters import POINTER, SENML_NAME, topic_fault
from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.name_rules import instead
from meterd.adapters.planfile.schema import ConsumerRow, Entry


def check_can_take(draft: Draft, notes: Notes) -> None:
    """`can_take` is a topic of an MQTT source, with a field after a `#` where the payload is no bare number."""
    seen: dict[tuple[str | None, str], str] = {}
    for entry in draft.consumers:
        data, row = entry.data, entry.row
        if not data.can_take:
            if data.can_take_source is not None:
                notes.fault(
                    row.at("can_take_source"), "can_take_source without can_take", "write the topic in can_take"
                )
            continue
        _check_source(entry, draft, notes)
        _check_topic(entry, draft, notes)
        other = seen.setdefault((data.can_take_source, data.can_take), data.consumer)
        if other != data.consumer:
            what = f"can_take of consumer {data.consumer} is that of {other}"
            notes.fault(row.at("can_take"), what, "each consumer says it for itself: another topic, or field after #")


def _check_source(entry: Entry[ConsumerRow], draft: Draft, notes: Notes) -> None:
    data, mqtt = entry.data, [entry.data.name for entry in draft.sources if entry.data.protocol == "mqtt"]
    if data.can_take_source is None:
        if len(mqtt) != 1 and "source" not in draft.gaps:
            what = "can_take needs a source of protocol mqtt" if not mqtt else "can_take may come from several sources"
            notes.fault(entry.row.at("can_take"), what, f"write can_take_source; {instead('', mqtt)}")
    elif data.can_take_source not in mqtt and draft.knows("source", data.can_take_source):
        what = f"source {data.can_take_source} is not of protocol mqtt"
        notes.fault(entry.row.at("can_take_source"), what, instead("", mqtt))
    elif not draft.knows("source", data.can_take_source):
        what = f"source {data.can_take_source} does not exist"
        notes.fault(entry.row.at("can_take_source"), what, instead(data.can_take_source, mqtt))


def _check_topic(entry: Entry[ConsumerRow], draft: Draft, notes: Notes) -> None:
    topic, _, where = entry.data.can_take.partition("#")
    place = entry.row.at("can_take")
    fault = topic_fault(topic)
    if "{" in topic:
        notes.fault(place, f"placeholder in {topic[:60]!r}", "write {n} inside a pattern, or the topic in full")
    elif fault is not None:
        notes.fault(place, *fault)
    elif draft.site is not None and f"{topic}/".startswith(f"{draft.site.data.prefix}/{draft.site.data.name}/"):
        notes.fault(place, f"topic {topic!r} lies below the own output", "read the topic of the controller")
    if where and not (POINTER.match(where) if where.startswith("/") else SENML_NAME.match(where)):
        right = "write TOPIC#/pointer or TOPIC#senml-name, or the topic alone for a bare number"
        notes.fault(place, f"{where!r} after # is neither a JSON Pointer nor a SenML name", right)
