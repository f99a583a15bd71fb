"""From the inputs of a plan to messages: one topic, one payload, in the form its fields ask for.

A field that begins with "/" is a JSON Pointer (RFC 6901), an empty one a plain number, any other a SenML name (RFC 8428).
"""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from meterd.adapters.simulator.instruments import Scaling, fitted, instrument_at, scaling
from meterd.core.model.periods import text
from meterd.core.model.plan import Input, Site
from meterd.core.model.reading import REGISTERS, UNITS

Number = int | float
PERIOD_S = 10  # most meters and room controllers report this often
PULSE_PERIOD_S = 30  # counters of pulses report less often
SENML_SECONDARY = ("kWh", "MWh", "kW", "MW", "kvar", "kvarh", "kV", "mA")  # units of RFC 8798 need a base version
SENML_VERSION = 26

# Decimals of an instrument's present values in the base unit of the register
DECIMALS = {"W": 0, "var": 0, "V": 1, "A": 2, "/": 3, "Hz": 2}


@dataclass(frozen=True, slots=True)
class Field:
    """One input of the plan, ready to be filled: `scaling` for registers that count, `factor` for present values."""

    source: Input
    row: int
    cumulative: bool
    scaling: Scaling
    factor: float
    decimals: int
    path: tuple[str, ...] = ()

    def shown(self, base: float) -> Number:
        """The number in the payload for a present value in its base unit."""
        power_of_ten = 10.0**self.decimals
        # numpy's way of rounding, so that histories of arrays agree to the last bit
        value = round(base / self.factor * power_of_ten) / power_of_ten
        return int(value) if self.decimals == 0 else value


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic with its fields. `row` is the instrument whose clock stamps it."""

    address: str
    fields: tuple[Field, ...]
    row: int
    period_ms: int
    base: str = ""  # base name of a SenML pack

    @property
    def stamped(self) -> bool:
        """Whether the message carries the instrument's own time."""
        return any(f.source.time_field or is_senml(f.source.field) for f in self.fields)


def is_senml(field: str) -> bool:
    """Whether a field of the plan is a SenML name."""
    return bool(field) and not field.startswith("/")


def mqtt_inputs(site: Site) -> tuple[Input, ...]:
    """Inputs that come from a broker, of points that have an instrument."""
    files = {source.name for source in site.sources if source.protocol != "mqtt"}
    present = {point.name for point in site.points if fitted(point)}
    return tuple(i for i in site.inputs if i.source not in files and i.point in present)


def topics(site: Site, row: Mapping[str, int], at_ms: int) -> tuple[Topic, ...]:
    """The topics of a plan in the order of their first input, for the instruments fitted at that moment."""
    groups: dict[str, list[Input]] = {}
    for source in mqtt_inputs(site):
        groups.setdefault(source.address, []).append(source)
    results = []
    for address, inputs in groups.items():
        fields = tuple(make_field(site, source, row[source.point], at_ms) for source in inputs)
        base = common([i.field for i in inputs]) if is_senml(inputs[0].field) else ""
        results.append(Topic(address, fields, fields[0].row, period_ms(inputs), base))
    return tuple(results)


def period_ms(inputs: Sequence[Input]) -> int:
    """How often a topic with these inputs is sent."""
    return 1000 * (PULSE_PERIOD_S if any(source.unit == "imp" for source in inputs) else PERIOD_S)


def make_field(site: Site, source: Input, row: int, at_ms: int) -> Field:
    """The field of one input, for the instrument fitted at that moment."""
    instrument = instrument_at(site, source.point, at_ms)
    factor = UNITS[source.unit][1] * source.scale
    if source.per_ct and instrument.ct_ratio:
        factor *= float(instrument.ct_ratio)
    kind = REGISTERS[source.register]
    decimals = max(0, DECIMALS.get(kind.unit, 0) + math.ceil(math.log10(abs(factor)) - 1e-9))
    path = tuple(part.replace("~1", "/").replace("~0", "~") for part in source.field.split("/")[1:])
    return Field(source, row, kind.cumulative, scaling(instrument, source), factor, decimals, path)


def payload(topic: Topic, value: Callable[[Field], Number | None], device_ms: int) -> bytes | None:
    """The message of a topic, or None if none of its fields has a value now."""
    filled = [(f, number) for f in topic.fields if (number := value(f)) is not None]
    if not filled:
        return None
    if any(f.path for f in topic.fields):
        return _json(filled, device_ms)
    if is_senml(topic.fields[0].source.field):
        return _senml(filled, topic.base, device_ms)
    return json.dumps(filled[0][1]).encode()


def _json(filled: Sequence[tuple[Field, Number]], device_ms: int) -> bytes:
    document: dict[str, object] = {}
    for field, number in filled:
        if field.source.time_field:
            _put(document, tuple(field.source.time_field.split("/")[1:]), text(device_ms))
        _put(document, field.path, number)
    return json.dumps(_with_lists(document), separators=(",", ":")).encode()


def _put(document: dict[str, object], path: Sequence[str], value: object) -> None:
    for part in path[:-1]:
        inner = document.setdefault(part, {})
        assert isinstance(inner, dict), "one pointer of the plan leads through the value of another"
        document = inner
    document[path[-1]] = value


def _with_lists(value: object) -> object:
    """Objects whose keys are 0, 1, 2, ... become lists; a pointer reads both alike."""
    if not isinstance(value, dict):
        return value
    inner = {key: _with_lists(part) for key, part in value.items()}
    if list(inner) and sorted(inner) == sorted(str(i) for i in range(len(inner))):
        return [inner[str(i)] for i in range(len(inner))]
    return inner


def _senml(filled: Sequence[tuple[Field, Number]], base: str, device_ms: int) -> bytes:
    pack: list[dict[str, object]] = []
    for field, number in filled:
        record: dict[str, object] = {"n": field.source.field[len(base) :]}
        if field.source.unit not in ("", "imp"):
            record["u"] = field.source.unit
        record["v"] = number
        pack.append(record)
    head: dict[str, object] = {"bt": device_ms / 1000}
    if base:
        head = {"bn": base} | head
    if any(record.get("u") in SENML_SECONDARY for record in pack):
        head |= {"bver": SENML_VERSION}
    return json.dumps([head | pack[0], *pack[1:]], separators=(",", ":")).encode()


def common(names: Sequence[str]) -> str:
    """Longest common beginning of the names that ends at a separator and leaves something of each."""
    first, last = min(names), max(names)
    shared = next((i for i, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), min(len(first), len(last)))
    cut = max(first.rfind(separator, 0, shared) for separator in ":/._-")
    return first[: cut + 1] if len(names) > 1 and all(len(name) > cut + 1 for name in names) else ""
