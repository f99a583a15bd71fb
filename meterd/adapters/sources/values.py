"""Values an instrument shows, to readings of the plan's inputs. Pure: what every polled protocol does after its decoding.

A telegram that names its unit is believed: the plan's unit then only has to be of the same kind, so that a meter switched
from Wh to kWh stays right. Where the instrument names none, the plan's unit counts.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from meterd.adapters.sources.number import NotANumber, finite
from meterd.core.model.plan import Input, Role, Site, base_scale
from meterd.core.model.reading import REGISTERS, UNITS, Reading, Refusal, milli

POWER_UNITS = ("W", "var")
PLAUSIBLE = 1.5  # times what the rating of the point allows: a short overload is real, a swapped word is not


@dataclass(frozen=True, slots=True)
class Item:
    """One value as shown. `value` None: the instrument says it has none. `unit` of `reading.UNITS`; empty = not given."""

    value: int | float | None
    unit: str = ""
    shown: str = ""  # how it came, for messages


@dataclass(frozen=True, slots=True)
class Wanted:
    """One input, ready: the key of its item, its register, and its scale with and without the plan's unit."""

    key: str
    point: str
    register: str
    base_unit: str
    cumulative: bool
    scale: float
    factor: float  # the plan's unit times its scale, for values that come without a unit
    power_max: float  # W or var; beyond it a power is not believed, any other value up to infinity


@dataclass(frozen=True, slots=True)
class AnswerValues:
    """What one answer gave: readings, refusals, and how many values the instrument said it does not have."""

    readings: tuple[Reading, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    missing: int = 0
    declined: int = 0  # requests the instrument answered with an exception
    garbage: int = 0  # telegrams passed over before the good one

    def __add__(self, other: "AnswerValues") -> "AnswerValues":
        return AnswerValues(
            self.readings + other.readings,
            self.refusals + other.refusals,
            self.missing + other.missing,
            self.declined + other.declined,
            self.garbage + other.garbage,
        )


def wanted(meter_input: Input, key: str, site: Site) -> Wanted:
    """Prepare an input. KeyError for a register or unit the plan should have refused."""
    kind = REGISTERS[meter_input.register]
    most = _power_max(site, meter_input.point) if kind.unit in POWER_UNITS else math.inf
    return Wanted(
        key,
        meter_input.point,
        meter_input.register,
        base_unit=kind.unit,
        cumulative=kind.cumulative,
        scale=meter_input.scale,
        factor=base_scale(meter_input),
        power_max=most,
    )


def _power_max(site: Site, name: str) -> float:
    point = next((point for point in site.points if point.name == name), None)
    board = next((board for board in site.boards if point is not None and board.name == point.board), None)
    largest = float(site.limits.point_max_w)
    if point is not None and point.rating_a is not None and board is not None and point.role is not Role.PV:
        largest = 3**0.5 * board.nominal_v * point.rating_a
    return PLAUSIBLE * largest


def take(inputs: Iterable[Wanted], items: Mapping[str, Item], at_ms: int) -> AnswerValues:
    """Readings of one answer that was true at `at_ms` (milliseconds since 1970 UTC). Never raises for any item."""
    readings: list[Reading] = []
    refusals: list[Refusal] = []
    missing = 0
    for spec in inputs:
        item = items.get(spec.key)
        if item is None:
            refusals.append(Refusal(spec.point, spec.register, f"no value {spec.key} in what the instrument sent", ""))
        elif item.value is None:
            missing += 1
        else:
            try:
                readings.append(reading(spec, item.value, item.unit, at_ms))
            except ValueError as exc:
                refusals.append(Refusal(spec.point, spec.register, str(exc), item.shown[:200]))
    return AnswerValues(tuple(readings), tuple(refusals), missing)


def reading(spec: Wanted, value: int | float, unit: str, at_ms: int) -> Reading:
    """One value in `unit` (empty: the plan's) as a reading; ValueError with the reason for what cannot be."""
    factor = spec.factor if not unit else _factor(spec, unit)
    try:
        number = finite(float(value))
    except OverflowError as exc:
        raise NotANumber("number beyond the range of a double") from exc
    if spec.cumulative:
        return Reading(spec.point, spec.register, at_ms, milli(number, factor), at_ms, False)
    scaled = number * factor + 0.0
    if not abs(scaled) <= spec.power_max:
        what = (
            f"{scaled:.6g} {spec.base_unit} is more than this point can carry ({spec.power_max:.6g} {spec.base_unit})"
        )
        raise NotANumber(f"{what}: check type, word order, sign and scale")
    if math.isinf(scaled):
        raise NotANumber("beyond the range of a double after scaling")
    return Reading(spec.point, spec.register, at_ms, scaled, at_ms, False)


def _factor(spec: Wanted, unit: str) -> float:
    """The unit the instrument names times the plan's scale. NotANumber for a unit of another kind."""
    bases, factor = UNITS[unit]
    if spec.base_unit not in bases:
        raise NotANumber(f"the instrument sends {unit}, which does not fit register {spec.register}")
    return factor * spec.scale
