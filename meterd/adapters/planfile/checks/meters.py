"""Rules between the rows of a plan: instruments and inputs."""

import itertools
import re
from collections import defaultdict
from collections.abc import Iterable
from fractions import Fraction

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.adapters.planfile.name_rules import instead
from meterd.adapters.planfile.schema import Entry, InputRow, InstrumentRow
from meterd.adapters.planfile.times import span
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.core.model.periods import text
from meterd.core.model.plan import PointState
from meterd.core.model.reading import REGISTERS, UNITS

POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*\Z")  # RFC 6901, section 3
SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z", re.ASCII)  # RFC 8428, section 4.5.1
LONGEST_TOPIC = 65_535  # bytes; MQTT 5.0, section 1.5.4


def check_instruments(draft: Draft, notes: Notes) -> None:
    """Instruments belong to a point, one at a time, and their readings fit their register."""
    for entry in draft.instruments:
        if entry.sound("point") and not draft.knows("point", entry.data.point):
            what = f"point {entry.data.point} does not exist"
            notes.fault(entry.row.at("point"), what, instead(entry.data.point, draft.named("point")))
        _check_readings(entry, notes)
        if entry.data.ct_class is not None and entry.data.ct_ratio is None and entry.sound("ct_ratio"):
            what = f"point {entry.data.point} has a ct_class but no ct_ratio"
            notes.warn(entry.row.at("ct_class"), what, "write the ratio, such as 250/5")
    for entries in by_point(draft.instruments).values():
        _check_dates(entries, draft, notes)
    _check_ct_sets(draft.instruments, notes)


def by_point(entries: Iterable[Entry[InstrumentRow]]) -> dict[str, list[Entry[InstrumentRow]]]:
    """Instruments grouped by point, in the order of the plan."""
    results: dict[str, list[Entry[InstrumentRow]]] = defaultdict(list)
    for entry in entries:
        results[entry.data.point].append(entry)
    return results


def _check_readings(entry: Entry[InstrumentRow], notes: Notes) -> None:
    data, row = entry.data, entry.row
    if data.closing_wh and data.until is None and entry.sound("until"):
        notes.fault(row.at("until"), "a closing reading without the date it was taken", "write until, or no closing_wh")
    if data.opening_wh and data.from_ is None and entry.sound("from"):
        notes.fault(row.at("from"), "an opening reading without the date it was taken", "write from, or no opening_wh")
    if data.register_max_wh is None:
        return
    for column, shown in (("opening_wh", data.opening_wh), ("closing_wh", data.closing_wh)):
        for register, milli in shown:
            if Fraction(milli, 1000) >= data.register_max_wh:
                what = f"{column} {register}={milli / 1000:g} is beyond register_max_wh {float(data.register_max_wh):g}"
                notes.fault(row.at(column), what, "write what the register showed, or its true width")


def _check_dates(entries: list[Entry[InstrumentRow]], draft: Draft, notes: Notes) -> None:
    """No two instruments at one point at the same time; an exchange has closing and opening reading."""
    sound = [entry for entry in entries if entry.sound("from", "until")]
    for entry in sound:
        start, end = span(entry.data, draft.zone)
        if end is not None and end <= start:
            notes.fault(entry.row.at("until"), "until is not after from", "write the date the instrument was taken out")
    dated = sorted(sound, key=lambda entry: span(entry.data, draft.zone)[0])
    for before, after in itertools.pairwise(dated):
        end = span(before.data, draft.zone)[1]
        start = span(after.data, draft.zone)[0]
        point = after.data.point
        if end is None or start < end:
            until = "for good" if end is None else f"until {text(end)}"
            what = (
                f"point {point} has two instruments at {text(start)}: the one of {before.row.place} is fitted {until}"
            )
            notes.fault(after.row.at("from"), what, "write until of the old one and from of the new one")
        elif after.data.gap_wh and start == end:
            what = f"energy of a gap at point {point}, but the one instrument follows the other at {text(start)}"
            notes.fault(after.row.at("gap_wh"), what, "leave gap_wh empty, or write when each was taken out and put in")
        elif not before.data.closing_wh or not after.data.opening_wh:
            what = f"the exchange at point {point} lacks its closing or opening reading"
            right = "write closing_wh of the old and opening_wh of the new instrument, or the energy between is unknown"
            notes.warn(after.row.at("opening_wh"), what, right)


def _check_ct_sets(entries: Iterable[Entry[InstrumentRow]], notes: Notes) -> None:
    """Instruments on the same current transformers have one ratio and one class."""
    first: dict[str, Entry[InstrumentRow]] = {}
    for entry in entries:
        if entry.data.ct_set is None or not entry.sound("ct_ratio", "ct_class"):
            continue
        other = first.setdefault(entry.data.ct_set, entry)
        for column in ("ct_ratio", "ct_class"):
            if getattr(other.data, column) != getattr(entry.data, column):
                what = f"{column} differs from that of {other.row.place} on the same ct_set {entry.data.ct_set}"
                notes.fault(entry.row.at(column), what, "one set of current transformers has one ratio and one class")


def check_inputs(draft: Draft, notes: Notes) -> None:
    """Every input is readable, and no register and no address is used twice."""
    instruments = by_point(draft.instruments)
    # an instrument row that could not be read or names an unknown point may be the one that is missed
    unsure = (
        "instrument" in draft.gaps
        or "instrument" in draft.lost
        or any(not draft.knows("point", p) for p in instruments)
    )
    for entry in draft.inputs:
        _check_references(entry, draft, notes)
        _check_unit(entry, notes)
        _check_address(entry, draft, notes)
        fitted = instruments.get(entry.data.point, [])
        if fitted or not unsure:
            _check_ratios(entry, fitted, notes)
    _check_once(draft.inputs, notes)
    _warn_of_names(draft.inputs, notes)


def _warn_of_names(inputs: Iterable[Entry[InputRow]], notes: Notes) -> None:
    """A field without the slash of a JSON Pointer, beside others with it, is rather a pointer than a SenML name."""
    entries = [entry for entry in inputs if entry.data.field]
    pointers = {(entry.data.source, entry.data.field) for entry in entries if entry.data.field.startswith("/")}
    topics = {(entry.data.source, entry.data.address) for entry in entries if entry.data.field.startswith("/")}
    for entry in entries:
        data, field = entry.data, entry.data.field
        if not field.startswith("/") and (
            (data.source, f"/{field}") in pointers or (data.source, data.address) in topics
        ):
            what = f"field {field[:60]} is the name of a SenML record, and other inputs beside it have JSON Pointers"
            notes.warn(entry.row.at("field"), what, f"write /{field[:60]} if the payload is a JSON object")


def _check_references(entry: Entry[InputRow], draft: Draft, notes: Notes) -> None:
    data, row = entry.data, entry.row
    if entry.sound("point") and not draft.knows("point", data.point):
        notes.fault(row.at("point"), f"point {data.point} does not exist", instead(data.point, draft.named("point")))
    point = draft.point(data.point)
    if point is not None and point.data.state is PointState.RETIRED:
        notes.warn(row.at("point"), f"point {data.point} is retired but still has an input", "remove the row")
    if data.register_ is None and entry.sound("register", "fields"):
        notes.fault(row.at("register"), "register is missing", "write an OBIS code such as 1.8.0 (import)")
    if data.source is None:
        if entry.sound("source"):
            notes.fault(row.at("source"), "source is missing", instead("", draft.named("source")))
    elif not draft.knows("source", data.source):
        notes.fault(
            row.at("source"), f"source {data.source} does not exist", instead(data.source, draft.named("source"))
        )


def _check_unit(entry: Entry[InputRow], notes: Notes) -> None:
    data, row = entry.data, entry.row
    if data.register_ is None:
        return
    kind = REGISTERS[data.register_]
    if data.unit is not None and kind.unit not in UNITS[data.unit][0]:
        fitting = ", ".join(unit for unit, (bases, _) in UNITS.items() if kind.unit in bases)
        what = f"unit {data.unit} does not fit register {data.register_} ({kind.name})"
        notes.fault(row.at("unit"), what, f"write one of {fitting}")
    if kind.cumulative and data.scale[0] < 0:
        right = "a register that counts the other way is 2.8.0 (export) instead of 1.8.0"
        notes.fault(row.at("scale"), "a counter cannot have a negative scale", right)


def _check_address(entry: Entry[InputRow], draft: Draft, notes: Notes) -> None:
    data, row = entry.data, entry.row
    unknown = re.search(r"\{[^}]*\}?", data.address)
    if unknown is not None:
        what = f"placeholder {unknown[0][:40]} is not known here"
        notes.fault(row.at("address"), what, "write {point}, or {n} inside a pattern")
    elif _protocol(draft, data.source) == "mqtt":
        fault = topic_fault(data.address)
        if fault is not None:
            notes.fault(row.at("address"), *fault)
        elif draft.site is not None:
            own = f"{draft.site.data.prefix}/{draft.site.data.name}"
            if data.address == own or data.address.startswith(own + "/"):
                what = f"topic {data.address!r} lies below the own output {own}/"
                notes.fault(row.at("address"), what, "read the topic of the meter, not a derived value")
    else:
        _check_polled(entry, _protocol(draft, data.source), notes)
    _check_fields(entry, notes)


def _check_polled(entry: Entry[InputRow], protocol: str | None, notes: Notes) -> None:
    """An address of a field protocol is one of its own; most say all that is asked of the value."""
    known = PROTOCOLS.get(protocol or "")
    if known is None or known.address_fault is None:
        return
    fault = known.address_fault(entry.data.address)
    if fault is not None:
        notes.fault(entry.row.at("address"), *fault)
    if known.fields:
        return
    for column, value in (("field", entry.data.field), ("time_field", entry.data.time_field)):
        if value:
            what = f"{column} {value[:40]!r} means nothing to protocol {protocol}"
            notes.fault(entry.row.at(column), what, "leave it empty: the address says it all")


def _protocol(draft: Draft, source: str | None) -> str | None:
    return next((entry.data.protocol for entry in draft.sources if entry.data.name == source), None)


def topic_fault(topic: str) -> tuple[str, str] | None:
    """What is wrong with a topic to read from, and what would be right; None if nothing (MQTT 5.0, section 4.7)."""
    if "+" in topic or "#" in topic:
        return f"topic {topic[:60]!r} holds a wildcard", "name each topic in full; {point} stands for the point"
    if topic.startswith("$"):
        return f"topic {topic[:60]!r} belongs to the broker", "name a topic that does not begin with $"
    if not topic or len(topic.encode()) > LONGEST_TOPIC:
        return "the topic is empty or too long", "write 1 to 65535 bytes"
    return None


def _check_fields(entry: Entry[InputRow], notes: Notes) -> None:
    data, row = entry.data, entry.row
    column = "fields" if "fields" in row.values and "field" not in row.values else "field"
    if data.field.startswith("/"):
        if not POINTER.match(data.field):
            notes.fault(
                row.at(column), f"{data.field!r} is not a JSON Pointer (RFC 6901)", "write ~0 for ~ and ~1 for /"
            )
    elif data.field and not SENML_NAME.match(data.field):
        right = "write a JSON Pointer such as /import_wh, a SenML name such as q07:import, or leave it empty"
        notes.fault(row.at(column), f"{data.field!r} is neither a JSON Pointer nor a SenML name", right)
    if data.time_field and not (data.time_field.startswith("/") and POINTER.match(data.time_field)):
        what = f"{data.time_field!r} is not a JSON Pointer (RFC 6901)"
        notes.fault(row.at("time_field"), what, "write one such as /time, or leave it empty")


def _check_ratios(entry: Entry[InputRow], instruments: list[Entry[InstrumentRow]], notes: Notes) -> None:
    """A pulse count needs the pulse weight of every instrument, a secondary value the ratio."""
    data, row = entry.data, entry.row
    wanted = []
    if data.unit == "imp":
        wanted.append(("unit", "unit imp", "pulse_wh", "such as 1.25 for 800 pulses per kWh"))
    if data.scale[1]:
        wanted.append(("scale", "scale ct", "ct_ratio", "such as 250/5"))
    for column, what, needed, example in wanted:
        lacking = [e for e in instruments if getattr(e.data, needed) is None and e.sound(needed)]
        if lacking or not instruments:
            where = f"write it in {lacking[0].row.place}" if lacking else "add the instrument"
            text_ = f"{what} of point {data.point} needs the {needed} of the instrument"
            notes.fault(row.at(column), text_, f"{where}, {example}")


def _check_once(entries: Iterable[Entry[InputRow]], notes: Notes) -> None:
    registers: dict[tuple[str, str], Entry[InputRow]] = {}
    addresses: dict[tuple[str, str, str], Entry[InputRow]] = {}
    for entry in entries:
        data, row = entry.data, entry.row
        if data.register_ is not None:
            first = registers.setdefault((data.point, data.register_), entry)
            if first is not entry:
                what = f"register {data.register_} of point {data.point} has two inputs, see {first.row.place}"
                notes.fault(row.at("register"), what, "keep one of the two")
        if data.source is not None and entry.sound("address", "field", "fields", "source"):
            first = addresses.setdefault((data.source, data.address, data.field), entry)
            if first is not entry:
                what = f"{_address(data)} is already read for {_register(first.data)}, see {first.row.place}"
                notes.fault(row.at("address"), what, "two registers cannot read one value: correct address or field")


def _address(data: InputRow) -> str:
    return " ".join(part for part in (data.source, data.address, data.field) if part)


def _register(data: InputRow) -> str:
    return f"{data.point} {data.register_}"
