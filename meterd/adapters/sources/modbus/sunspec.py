"""SunSpec meters, inverters and batteries over Modbus, by the models of MODELS. An address is `[unit/]model[:nth]/point`.

    1/203/TotWhImp                unit 1, its three-phase meter model, total energy imported
    1/714/Prt2.DCWhInj            unit 1, energy of its second DC port
    203:2/W                       unit of the source, the second model 203 in its chain

The chain of models is found anew after every connecting; a model and its scale factors are read in one request, so a scale
factor that the device changes never meets a value of another moment. The model knows the unit; the plan's is not used.
"""

import math
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from meterd.adapters.sources import inputs_of, settings_from, wall_ms
from meterd.adapters.sources.modbus.registers import AddressFault, number
from meterd.adapters.sources.modbus.sunspec_models import MODELS, TYPES, PointDef, registers_of
from meterd.adapters.sources.modbus.transport import (
    BEHIND_GATEWAY,
    MOST_REGISTERS,
    Declined,
    ModbusOptions,
    ModbusWire,
    modbus_faults,
)
from meterd.adapters.sources.number import NotANumber
from meterd.adapters.sources.polling import Garbage, Pace, PolledSource, common_faults, refuse
from meterd.adapters.sources.tcp import NoAnswer, OverWire
from meterd.adapters.sources.values import AnswerValues, Item, Wanted, take, wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Refusal

MARK = [0x5375, 0x6E53]  # "SunS"
BASES = (40_000, 50_000, 0)
END = 0xFFFF
LONGEST_CHAIN = 100  # models; a chain that runs longer is none
LARGEST_SCALE = 10  # scale factors are -10 to 10
# what the models call their units, in ours; a point of another unit fits no register
UNIT_OF = {"W": "W", "var": "var", "Wh": "Wh", "varh": "varh", "V": "V", "A": "A", "Hz": "Hz", "Pct": "%", "PF": "/"}


@dataclass(frozen=True, slots=True)
class SunspecSettings(ModbusOptions):
    """Options of a SunSpec source: one line, with one or several units on it."""

    protocol: Literal["sunspec"] = "sunspec"
    base: int = -1  # where the chain begins; -1: looked for at 40000, 50000 and 0
    zero_counts: bool = False  # a counter of 0 is a value; by the standard it says "not implemented"


def settings_for(row: SourceRow, _site: Site | None = None) -> SunspecSettings:
    """The options of a source, checked. ConfigError names every fault."""
    settings = settings_from(SunspecSettings, row, {})
    faults = common_faults(settings) + modbus_faults(settings)
    if not -1 <= settings.base <= 65_000:
        faults.append("option base is -1 (search) to 65000")
    refuse(row.name, faults)
    return settings


@dataclass(frozen=True, slots=True)
class Place:
    """One model of one unit: its number, and which of several equal ones."""

    unit: int
    model: int
    nth: int = 1

    def __str__(self) -> str:
        return f"{self.model}" if self.nth == 1 else f"{self.model}:{self.nth}"


def parse_address(text: str, *, unit: int = 1) -> tuple[Place, PointDef]:
    """Place and point of an address; AddressFault says what is wrong with it.

    >>> parse_address("1/203/TotWhImp")[1].unit
    'Wh'
    """
    parts = text.split("/")
    if len(parts) == 3:
        unit = number(parts.pop(0), "unit", 0, 255)
    if len(parts) != 2:
        raise AddressFault(f"{text[:60]!r} is no SunSpec address", "write unit/model/point, such as 1/203/TotWhImp")
    model_text, colon, nth_text = parts[0].partition(":")
    model = number(model_text, "model", 1, 65_534)
    if model not in MODELS:
        raise AddressFault(f"model {model} is not known", f"write one of {', '.join(map(str, MODELS))}")
    nth = number(nth_text, "place in the chain", 1, LONGEST_CHAIN) if colon else 1
    point = MODELS[model].get(parts[1])
    measured = [point_def.name for point_def in MODELS[model].values() if point_def.unit in UNIT_OF]
    if point is None:
        near = [name for name in measured if name.lower() == parts[1].lower()]
        right = f"did you mean {near[0]}?" if near else f"known: {', '.join(measured[:40])}"
        raise AddressFault(f"model {model} has no point {parts[1][:40]!r}", right)
    if point.unit not in UNIT_OF:
        raise AddressFault(f"point {point.name} holds nothing a register takes", "write a power, an energy, V, A or Hz")
    return Place(unit, model, nth), point


def address_fault(address: str) -> tuple[str, str] | None:
    """What is wrong with an address, and what would be right; None if nothing."""
    try:
        parse_address(address)
    except AddressFault as fault:
        return fault.what, fault.right
    return None


def raw(point: PointDef, registers: Sequence[int]) -> int | float | None:
    """The value of a point without its scale, None for "not implemented"; NotANumber if the model is too short."""
    words = registers[point.offset : point.offset + point.registers]
    if len(words) != point.registers:
        raise NotANumber(f"the model ends before its point {point.name}")
    value = 0
    for word in words:
        value = value << 16 | word & 0xFFFF
    if value == TYPES[point.type][1]:
        return None
    if point.type.startswith("float"):
        (real,) = struct.unpack(">f" if point.registers == 2 else ">d", value.to_bytes(2 * point.registers, "big"))
        return real if math.isfinite(real) else None
    top = 1 << 16 * point.registers - 1
    return value - 2 * top if point.type.startswith(("int", "sunssf")) and value >= top else value


def item_of(model: int, point: PointDef, registers: Sequence[int], *, zero_counts: bool = False) -> Item:
    """The scaled value of a point: raw times ten to its scale factor. NotANumber for a scale factor that cannot be."""
    value = raw(point, registers)
    if value is None and zero_counts and point.type.startswith("acc"):
        value = 0
    unit = UNIT_OF.get(point.unit, "")
    if value is None or not point.scale:
        return Item(value, unit)
    scale = raw(MODELS[model][point.scale], registers)
    if scale is None or not -LARGEST_SCALE <= scale <= LARGEST_SCALE:
        raise NotANumber(f"scale factor {point.scale} is {scale}, it must be {-LARGEST_SCALE} to {LARGEST_SCALE}")
    # a negative power is divided, because 0.1 and 0.01 are no exact factors: 12345 at -1 is 1234.5 and nothing beside it
    scaled = value * 10 ** int(scale) if scale >= 0 else value / 10 ** int(-scale)
    return Item(scaled, unit, f"{value} x 10^{int(scale)}")


Inputs = Mapping[str, tuple[Wanted, ...]]  # per name of a point


def decode(
    model: int, registers: Sequence[int], inputs: Inputs, at_ms: int, *, zero_counts: bool = False
) -> AnswerValues:
    """Readings of the registers behind a model's header. Never raises for any registers."""
    taken = AnswerValues()
    for name, mine in inputs.items():
        try:
            item = item_of(model, MODELS[model][name], registers, zero_counts=zero_counts)
        except NotANumber as exc:
            taken += AnswerValues(refusals=tuple(Refusal(spec.point, spec.register, str(exc), "") for spec in mine))
            continue
        taken += take(mine, {spec.key: item for spec in mine}, at_ms)
    return taken


def chain(read: Callable[[int, int], list[int]], bases: Sequence[int]) -> dict[tuple[int, int], tuple[int, int]]:
    """(model, nth) -> (register of its header, length) of one unit; empty if it speaks no SunSpec.

    `read` gives registers of (first, count) and raises Declined where the unit has none.
    """
    for base in bases:
        try:
            if read(base, 2) != MARK:
                continue
        except Declined as exc:
            if exc.code in BEHIND_GATEWAY:
                raise
            continue
        return _walk(read, base + 2)
    return {}


def _walk(read: Callable[[int, int], list[int]], at: int) -> dict[tuple[int, int], tuple[int, int]]:
    results: dict[tuple[int, int], tuple[int, int]] = {}
    seen: dict[int, int] = {}
    while len(results) < LONGEST_CHAIN and at < 65_535:
        try:
            model, length = read(at, 2)
        except Declined:
            break  # some devices leave the end marker out
        if model == END:
            break
        seen[model] = seen.get(model, 0) + 1
        results[model, seen[model]] = (at, length)
        at += 2 + length
    return results


class SunspecLine(OverWire[ModbusWire]):
    """One connection; its stations are the units."""

    def __init__(
        self, settings: SunspecSettings, inputs: tuple[Input, ...], site: Site, clock: Callable[[], int]
    ) -> None:
        self._settings = settings
        super().__init__(ModbusWire(settings))
        self._clock = clock
        self._inputs: dict[str, dict[Place, dict[str, tuple[Wanted, ...]]]] = {}
        self._chains: dict[str, dict[tuple[int, int], tuple[int, int]]] = {}
        self._unsure: set[str] = set()
        for meter_input in inputs:
            try:
                place, point = parse_address(meter_input.address, unit=settings.unit)
            except AddressFault as exc:
                raise ConfigError(f"{meter_input.where or meter_input.point}: {exc}") from exc
            points = self._inputs.setdefault(str(place.unit), {}).setdefault(place, {})
            points[point.name] = (*points.get(point.name, ()), wanted(meter_input, meter_input.address, site))

    def stations(self) -> tuple[str, ...]:
        """The units, as text."""
        return tuple(self._inputs)

    def open(self) -> None:
        """Connect; OSError if that fails."""
        self._chains.clear()
        super().open()

    def read(self, station: str) -> AnswerValues:
        """All models of one unit that the plan asks for."""
        unit = int(station)
        if station in self._unsure:
            self._unsure.discard(station)
            self._chains.pop(station, None)
        try:
            if station not in self._chains:
                bases = BASES if self._settings.base < 0 else (self._settings.base,)
                self._chains[station] = chain(
                    lambda first, count: self._wire.read(unit, "holding", first, count), bases
                )
            taken = AnswerValues()
            for place, points in self._inputs[station].items():
                taken += self._model(station, place, points)
        except Declined as exc:
            if exc.code in BEHIND_GATEWAY:
                raise NoAnswer(f"unit {station}: {exc}") from exc
            self._chains.pop(station, None)
            return AnswerValues(refusals=self._all(station, f"unit {station} refused with {exc}"), declined=1)
        return taken

    def _model(self, station: str, place: Place, points: Inputs) -> AnswerValues:
        known = self._chains[station]
        if (place.model, place.nth) not in known:
            has = ", ".join(str(model) for model, _ in known)
            reason = (
                f"unit {station} has no model {place}; it has {has}" if has else f"unit {station} speaks no SunSpec"
            )
            self._unsure.add(station)  # looked for again next time: it may still be starting
            return AnswerValues(
                refusals=tuple(Refusal(o.point, o.register, reason, "") for mine in points.values() for o in mine)
            )
        at, length = known[place.model, place.nth]
        count = min(length, registers_of(place.model))  # what follows is text, or parts that the table leaves out
        if count + 2 <= MOST_REGISTERS:
            answer = self._wire.read(place.unit, "holding", at, count + 2)
            if answer[:2] != [place.model, length]:
                raise Garbage(f"unit {station} has another model than {place} at register {at} now")
            registers = answer[2:]
        else:  # the 124 registers of the float meters and their header do not fit into one request
            registers = self._wire.read(place.unit, "holding", at + 2, count)
        return decode(place.model, registers, points, self._clock(), zero_counts=self._settings.zero_counts)

    def _all(self, station: str, reason: str) -> tuple[Refusal, ...]:
        wanted_ = (spec for points in self._inputs[station].values() for mine in points.values() for spec in mine)
        return tuple(Refusal(spec.point, spec.register, reason, "") for spec in wanted_)


class SunspecSource(PolledSource):
    """Reads the models of its inputs. `clock` gives milliseconds since 1970 UTC."""

    def __init__(self, row: SourceRow, site: Site, *, clock: Callable[[], int] = wall_ms) -> None:
        self.settings = settings_for(row)
        line = SunspecLine(self.settings, inputs_of(site.inputs, row.name), site, clock)
        super().__init__(row.name, line, Pace(self.settings.period_s, self.settings.retry_max_s), clock)
