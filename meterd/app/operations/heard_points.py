"""What was heard on a broker to points and inputs of a new plan; every guess is said, and so is what is not understood."""

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

from meterd.adapters.planfile.name_rules import suggestion
from meterd.adapters.sources import probe_mqtt, sample, wall_ms
from meterd.adapters.sources.heard.listen import HeardMessage, HeardTopic
from meterd.adapters.sources.heard.units import HeardSeries, unit_of
from meterd.adapters.sources.heard.values import HeardNumber, numbers_in
from meterd.adapters.sources.heard.words import Meant, meaning_of
from meterd.adapters.sources.payloads import decode, group_of
from meterd.app.operations.point_list import ListedPoint, PointList, role_by, unique_name
from meterd.core.errors import ConfigError
from meterd.core.model.names import spelled
from meterd.core.model.plan import Input, Point, Role, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import POWER, REGISTERS
from meterd.core.registers.limits import largest

SOURCE = "broker"
BOARD = "main"
FUTURE_MS = 60_000  # as `future_s` of a new plan
OWN = "service"  # topic of a daemon below whose prefix only derived values are
# power before energy, voltage and current before power: each tells the unit of the next
_TRANSFORMER = re.compile(r"tr?-?[0-9]{1,2}")
ORDER = {"V": 0, "A": 0, "/": 0, "Hz": 0, "W/m2": 0, "W": 1, "var": 1, "Wh": 2, "varh": 2}


@dataclass(frozen=True, slots=True)
class NotRead:
    """A topic, or a field of its payload, that no input reads: why, and what was heard there."""

    topic: str
    field: str
    why: str
    example: str


@dataclass(slots=True)
class HeardInput:
    """One register of one point as it was heard, with the guesses in its row."""

    point: str
    register: str
    topic: str
    number: HeardNumber
    guesses: list[str] = field(default_factory=list)
    unit: str = ""
    time_field: str = ""

    def as_input(self) -> Input:
        """The input as a daemon has it."""
        return Input(
            self.point, self.register, SOURCE, self.topic, self.number.field, self.unit, time_field=self.time_field
        )


@dataclass(slots=True)
class HeardPlan:
    """Points in the order of their topics with the guesses about them, their inputs, and what is not read."""

    points: list[ListedPoint] = field(default_factory=list)
    inputs: list[HeardInput] = field(default_factory=list)
    not_read: list[NotRead] = field(default_factory=list)

    def sources(self) -> dict[str, str]:
        """The unit of device times that are numbers, by source: each unit needs a source of its own."""
        units = dict.fromkeys(row.number.time_unit for row in self.inputs if row.time_field and row.number.time_unit)
        results = {SOURCE if place == 0 else f"{SOURCE}-{unit}": unit for place, unit in enumerate(units)}
        return results or {SOURCE: ""}

    def source_of(self, row: HeardInput) -> str:
        """The source that reads an input."""
        unit = row.number.time_unit if row.time_field else ""
        return next((name for name, of in self.sources().items() if of == unit), SOURCE)


@dataclass(frozen=True, slots=True)
class _Number:
    """A number of a topic with all its values, and what its names mean."""

    topic: HeardTopic
    number: HeardNumber
    series: HeardSeries
    meant: Meant


Meter = tuple[str, ...]  # the names that lead to a meter, without the words of its quantities


def heard_plan(topics: Sequence[HeardTopic], own: str, listed: PointList | None = None) -> HeardPlan:
    """The plan of what was heard; `own` is the prefix of our own topics, `listed` are points that have names already."""
    plan = HeardPlan()
    topics = _without_derived(topics, own, plan.not_read)
    numbers = [number for topic in topics for number in _numbers(topic, plan.not_read)]
    names = _names([number.meant.meter for number in numbers], listed)
    by_point: dict[str, list[_Number]] = {}
    for number in numbers:
        by_point.setdefault(names[number.meant.meter], []).append(number)
    for point, of in sorted(by_point.items()):
        plan.inputs += _inputs(point, of, plan.not_read)
    plan.inputs = _accepted(plan, {topic.name: topic for topic in topics})
    read = {row.point: row.topic for row in reversed(plan.inputs)}
    paths = {name: spelled("-".join(meter[-2:])) for meter, name in names.items()}
    plan.points = list(listed.points) if listed is not None else []
    taken = {point.name for point in plan.points}
    plan.points += [_point(name, topic, paths[name]) for name, topic in sorted(read.items()) if name not in taken]
    return plan


def heard_topic(row: SourceRow, site: Site, topic: str) -> tuple[tuple[Input, ...], tuple[str, ...], str]:
    """Inputs for the newest message of one topic, what is said of it, and the unit of its device time."""
    asked = (Input(row.name, POWER, row.name, topic),)
    message = probe_mqtt.listen(row, asked, site, limit_s=probe_mqtt.LISTEN_S)[topic]
    heard = HeardTopic(topic, HeardMessage(message.payload, wall_ms(), message.retain), count=1)
    heard.newest.append(heard.first)
    plan = heard_plan([heard], f"{row.name}/{row.name}")
    tokens = [f"{topic}: {sample(message.payload)}"]
    tokens += [f"  not read: {item.field or 'payload'}: {item.why}" for item in plan.not_read]
    tokens += [
        f"  guessed: {item.register} {REGISTERS[item.register].name}: {guess}"
        for item in plan.inputs
        for guess in item.guesses
    ]
    inputs = tuple(replace(item.as_input(), source=row.name) for item in plan.inputs)
    return inputs, tuple(tokens), next(iter(plan.sources().values()))


def _without_derived(topics: Sequence[HeardTopic], own: str, not_read: list[NotRead]) -> list[HeardTopic]:
    """The topics without what a daemon has computed, ours or another one that is heard: noted once for each daemon."""
    prefixes = {f"{own}/"} | {
        topic.name.removesuffix(OWN)
        for topic in topics
        if topic.name.endswith(f"/{OWN}") and b'"epoch"' in topic.newest[-1].payload
    }
    for prefix in sorted(prefixes):
        derived = [topic for topic in topics if topic.name.startswith(prefix)]
        if derived:
            why = f"derived values of meterd and no meters, topics: {len(derived)}"
            not_read.append(NotRead(f"{prefix}#", "", why, sample(derived[0].newest[-1].payload)))
    return [topic for topic in topics if not topic.name.startswith(tuple(prefixes))]


def _numbers(topic: HeardTopic, not_read: list[NotRead]) -> list[_Number]:
    messages = topic.messages()
    example = sample(messages[-1].payload)
    if set(topic.name) & set("+#{}"):
        not_read.append(NotRead(topic.name, "", "a topic with one of + # { } cannot stand in a plan", example))
        return []
    values, why = _values(messages)
    if not values:
        not_read.append(NotRead(topic.name, "", why, example))
    results = []
    for name, heard in values.items():
        number = heard[-1][1]
        meant = meaning_of(topic.name.split("/"), number.names, number.unit)
        if number.why or not meant.register:
            not_read.append(
                NotRead(topic.name, name, meant.why or number.why, example if not name else f"{number.number:g}")
            )
            continue
        series = HeardSeries(meant.register, heard[0][1].number, number.number, heard[-1][0] - heard[0][0], meant.unit)
        results.append(_Number(topic, number, series, meant))
    return results


def _values(messages: Sequence[HeardMessage]) -> tuple[dict[str, list[tuple[int, HeardNumber]]], str]:
    """The numbers of each field in the order of arrival, and why there is none."""
    values: dict[str, list[tuple[int, HeardNumber]]] = {}
    why = ""
    for message in messages:
        try:
            for number in numbers_in(message.payload, message.arrived_ms):
                values.setdefault(number.field, []).append((message.arrived_ms, number))
        except (ValueError, OverflowError) as exc:
            why = str(exc)
    return values, why


# -- names -------------------------------------------------------------------------------------------------------------


def _names(meters: Iterable[Meter], listed: PointList | None) -> dict[Meter, str]:
    """A name for each meter: that of the list, else the last levels of its topic that no other meter ends with."""
    meters = list(dict.fromkeys(meters))
    known = _known(listed)
    taken = set() if listed is None else {spelled(point.name) for point in listed.points}
    levels = _levels(meters)
    results = {}
    for meter in meters:
        of_list = next((known[key] for key in map(spelled, ("-".join(meter), *reversed(meter))) if key in known), None)
        name = of_list or unique_name(_last(meter, levels[meter]) or "meter", taken)
        taken.add(spelled(name))
        results[meter] = name
    return results


def _levels(meters: Sequence[Meter]) -> dict[Meter, int]:
    """How many levels from the end name each meter: one, more where that is a bare number or ends another one too."""
    levels = dict.fromkeys(meters, 1)
    while True:
        ends = Counter(spelled(_last(meter, levels[meter])) for meter in meters)
        longer = [
            meter
            for meter in meters
            if levels[meter] < len(meter)
            and (_is_number(name := _last(meter, levels[meter])) or ends[spelled(name)] > 1)
        ]
        if not longer:
            return levels
        for meter in longer:
            levels[meter] += 1


def _last(meter: Meter, levels: int) -> str:
    return suggestion("-".join(meter[-levels:]))


def _is_number(name: str) -> bool:
    return not any(letter.isalpha() for letter in name)


def _known(listed: PointList | None) -> dict[str, str]:
    """Spelled names of the points of a list: name, title, designation and serial number, and its own topic."""
    results: dict[str, str] = {}
    for point in () if listed is None else listed.points:
        for column in ("point", "title", "designation", "serial"):
            if point.values.get(column):
                results.setdefault(spelled(point.values[column]), point.name)
    return results


def _point(name: str, topic: str, path: str) -> ListedPoint:
    role, guess = role_by(spelled(name), "its name")
    if not guess and role_by(path, "")[0] in (Role.PV, Role.STORAGE):  # a level such as grid may hold all feeders
        role, guess = role_by(path, "its topic")
    if not guess and _TRANSFORMER.fullmatch(name):
        role, guess = str(Role.FEED), f"role {Role.FEED}, by its name"
    guesses = [f"name by topic {topic}; {guess or f'role {role}'}; board {BOARD}"]
    return ListedPoint({"point": name, "board": BOARD, "role": role}, guesses)


# -- inputs ------------------------------------------------------------------------------------------------------------


def _inputs(point: str, numbers: Sequence[_Number], not_read: list[NotRead]) -> list[HeardInput]:
    """One input for each register; of two that mean the same the one that names its unit."""
    chosen: dict[str, _Number] = {}
    for number in sorted(numbers, key=lambda number: (not number.meant.unit, bool(number.meant.guesses))):
        register = number.meant.register
        if register in chosen:
            why = f"{register} of {point} is read from {_place(chosen[register])} already"
            not_read.append(NotRead(number.topic.name, number.number.field, why, f"{number.number.number:g}"))
        else:
            chosen[register] = number
    series: dict[str, HeardSeries] = {register: number.series for register, number in chosen.items()}
    results: list[HeardInput] = []
    for register in sorted(chosen, key=lambda register: (ORDER[REGISTERS[register].unit], register)):
        number = chosen[register]
        guess = unit_of(series[register], series)
        if guess.sure:
            series[register] = replace(series[register], unit=guess.unit)
        guesses = [*number.meant.guesses, *([guess.words] if guess.words else [])]
        row = HeardInput(point, register, number.topic.name, number.number, guesses, guess.unit)
        row.time_field = number.number.time_field
        results.append(row)
    return sorted(results, key=lambda row: list(REGISTERS).index(row.register))


def _place(number: _Number) -> str:
    return f"{number.topic.name}{' ' if number.number.field else ''}{number.number.field}"


def _accepted(plan: HeardPlan, topics: Mapping[str, HeardTopic]) -> list[HeardInput]:
    """The inputs of which the daemon would take a message that was heard; the others are not read, with its reason."""
    site = Site(
        "new", "UTC", points=tuple(Point(name, BOARD, Role.FEEDER) for name in {row.point for row in plan.inputs})
    )
    results = []
    for row in plan.inputs:
        messages = topics[row.topic].messages()
        why = _refusal(row, site, messages)
        if why.startswith("time"):
            row.guesses.append(f"time of arrival: {why}")
            row.time_field = ""
            why = _refusal(row, site, messages)
        if why:
            plan.not_read.append(NotRead(row.topic, row.number.field, why, sample(messages[-1].payload)))
        else:
            results.append(row)
    return results


def _refusal(row: HeardInput, site: Site, messages: Sequence[HeardMessage]) -> str:
    """Why the daemon takes none of the messages; empty if it takes one."""
    why = "nothing was read"
    try:
        group = group_of(
            (row.as_input(),),
            time_unit=row.number.time_unit or "s",
            future_ms=FUTURE_MS,
            largest=partial(largest, site),
        )
    except ConfigError as exc:
        return str(exc)
    for message in messages:
        decoded = decode(group, message.payload, message.arrived_ms, message.retain)
        if decoded.readings:
            return ""
        why = next((refusal.reason for refusal in decoded.refusals), why)
    return why
