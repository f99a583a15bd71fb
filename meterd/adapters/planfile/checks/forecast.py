"""Rules for [forecast]: a topic that can be read of an MQTT source that is there, lists with their times, a fitting unit."""

from meterd.adapters.planfile.checks.meters import POINTER, SENML_NAME, topic_fault
from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.name_rules import instead
from meterd.adapters.planfile.schema import Entry, ForecastTable
from meterd.core.model.forecast import OUTSIDE_UNITS
from meterd.core.model.plan import Role


def check_forecast(draft: Draft, notes: Notes) -> None:
    """Every fault of the table, and a site without PV has no use for it."""
    if draft.forecast is None:
        return
    entry, data = draft.forecast, draft.forecast.data
    _check_source(entry, draft, notes)
    _check_topic(entry, draft, notes)
    _check_lists(entry, notes)
    if entry.sound("quantity", "unit") and data.unit and data.unit not in OUTSIDE_UNITS[data.quantity]:
        what = f"unit {data.unit[:20]!r} does not fit a forecast of {data.quantity.value}"
        notes.fault(entry.row.at("unit"), what, f"write one of {', '.join(OUTSIDE_UNITS[data.quantity])}")
    if "point" not in draft.gaps and not any(point.data.role is Role.PV for point in draft.points):
        notes.fault(
            entry.row.at("quantity"), "the plan has no point of role pv", "leave [forecast] out, or add the point"
        )


def _check_source(entry: Entry[ForecastTable], draft: Draft, notes: Notes) -> None:
    name, mqtt = entry.data.source, [source.data.name for source in draft.sources if source.data.protocol == "mqtt"]
    if name is None:
        if len(mqtt) != 1 and "source" not in draft.gaps and entry.sound("source"):
            what = (
                "[forecast] needs a source of protocol mqtt" if not mqtt else "[forecast] may come from several sources"
            )
            notes.fault(entry.row.at("source"), what, f"write source; {instead('', mqtt)}")
    elif not draft.knows("source", name):
        notes.fault(entry.row.at("source"), f"source {name} does not exist", instead(name, mqtt))
    elif name not in mqtt and "source" not in draft.gaps:
        notes.fault(entry.row.at("source"), f"source {name} is not of protocol mqtt", instead("", mqtt))


def _check_topic(entry: Entry[ForecastTable], draft: Draft, notes: Notes) -> None:
    topic, place = entry.data.topic, entry.row.at("topic")
    fault = topic_fault(topic)
    read = {meter_input.data.address for meter_input in draft.inputs if meter_input.data.source == entry.data.source}
    if fault is not None:
        notes.fault(place, fault[0], "write the one topic of the forecast in full")
    elif draft.site is not None and f"{topic}/".startswith(f"{draft.site.data.prefix}/{draft.site.data.name}/"):
        notes.fault(place, f"topic {topic!r} lies below the own output", "read the topic of another sender")
    elif topic in read:
        notes.fault(place, f"topic {topic!r} is that of a meter", "let the forecast be sent on a topic of its own")


def _check_lists(entry: Entry[ForecastTable], notes: Notes) -> None:
    data, row = entry.data, entry.row
    if data.field.startswith("/"):
        for key, written in (("field", data.field), ("time_field", data.time_field)):
            if not (written.startswith("/") and POINTER.match(written)):
                what = f"{key} {written[:40]!r} is not a JSON Pointer (RFC 6901)" if written else f"{key} is missing"
                notes.fault(row.at(key), what, "write where the list stands in the message, such as /hours/time")
    elif not SENML_NAME.match(data.field):
        what = f"field {data.field[:40]!r} is neither a JSON Pointer nor a SenML name"
        notes.fault(row.at("field"), what, "write where the list of values stands, such as /hours/power, or the name")
    elif data.time_field:
        notes.fault(row.at("time_field"), "a SenML pack has its own times", "leave time_field out")
