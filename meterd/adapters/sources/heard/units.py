"""The unit of a number that names none, by what the numbers of one meter can be together. Pure.

Energy is compared with power (how fast the register rises), power with voltage times current, everything else with what
a low-voltage feeder has. What is left is guessed by the look of the number, and the guess says so.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from meterd.core.model.reading import IMPORT, POWER, REGISTERS, UNITS

HOUR_MS = 3_600_000
NEAR = 3.0  # times: how far two ways to the same power may be apart while a load changes
LARGEST_KW = 1000.0  # what a point without a rating can have (limits of the plan)
LARGE_WH = 1e6  # a register below it may well be a new one in kWh
SMALL_KW = 100.0
FINE_DECIMALS = 3  # a meter that shows kW does so to the watt


@dataclass(frozen=True, slots=True)
class HeardSeries:
    """The first and last value of a register, the milliseconds between them, and its unit if something says it."""

    register: str
    first: float
    last: float
    between_ms: int
    unit: str = ""

    @property
    def per_hour(self) -> float | None:
        """How fast it rises, in its own unit; None if it does not."""
        if self.between_ms <= 0 or self.last <= self.first:
            return None
        return (self.last - self.first) * HOUR_MS / self.between_ms


@dataclass(frozen=True, slots=True)
class UnitGuess:
    """A unit and why, in words that are empty if the unit is named; `sure` if other numbers speak for it."""

    unit: str
    words: str = ""
    sure: bool = True


def unit_of(series: HeardSeries, others: Mapping[str, HeardSeries]) -> UnitGuess:
    """The unit of a register among the others of its meter; those of them that have a unit are believed.

    >>> unit_of(HeardSeries("32.7.0", 230.0, 231.0, 0), {}).words
    'unit V, since 231 is a voltage in V'
    """
    if series.unit:
        return UnitGuess(series.unit)
    base = REGISTERS[series.register].unit
    if base in ("Wh", "varh"):
        return _energy(series, others, base)
    if base in ("W", "var"):
        return _power(series, others, base)
    return _present(series.last, base)


def _energy(series: HeardSeries, others: Mapping[str, HeardSeries], base: str) -> UnitGuess:
    power = others.get(POWER) if base == "Wh" else None
    units = (base, f"k{base}", f"M{base}")
    rise = series.per_hour
    if rise is not None and power is not None and power.unit and power.last:
        watts = abs(power.last) * UNITS[power.unit][1]
        best = min(units, key=lambda unit: abs(math.log(rise * UNITS[unit][1] / watts)))
        if 1 / NEAR <= rise * UNITS[best][1] / watts <= NEAR:
            return UnitGuess(
                best, f"unit {best}: it rises by {rise:.4g} {best} per hour while the power is {watts:.4g} W"
            )
    if rise is not None and power is not None and _is_thousand(power.last, rise):
        return UnitGuess(f"k{base}", f"unit k{base}: the power is 1,000 times what it rises per hour")
    if rise is not None and rise > LARGEST_KW:
        return UnitGuess(base, f"unit {base}: in k{base} it would rise by {rise:.4g} per hour")
    other = others.get(IMPORT if base == "Wh" else "3.8.0")
    if other is not None and other.unit in units:
        return UnitGuess(other.unit, f"unit {other.unit}, as the other energy of this meter")
    if series.last != int(series.last):
        return UnitGuess(f"k{base}", f"unit k{base}, because the number has decimals", sure=False)
    if abs(series.last) >= LARGE_WH:
        return UnitGuess(base, f"unit {base}, because the number is large and whole", sure=False)
    text = f"unit k{base}: nothing says that it is not {base}; compare with the display"
    return UnitGuess(f"k{base}", text, sure=False)


def _power(series: HeardSeries, others: Mapping[str, HeardSeries], base: str) -> UnitGuess:
    apparent = _apparent_va(others) if base == "W" else 0.0
    if apparent and series.last:
        share = abs(series.last) / apparent
        if 0.1 <= share <= 1.1:
            return UnitGuess(base, f"unit {base}: it is {share:.2f} of voltage times current")
        if 0.1 <= 1000 * share <= 1.1:
            return UnitGuess(f"k{base}", f"unit k{base}: it is {1000 * share:.2f} of voltage times current in k{base}")
    energy = others.get(IMPORT) if base == "W" else None
    rise = energy.per_hour if energy is not None else None
    if energy is not None and energy.unit not in ("", "imp") and rise is not None and series.last:
        watts = rise * UNITS[energy.unit][1]
        best = min((base, f"k{base}"), key=lambda unit: abs(math.log(abs(series.last) * UNITS[unit][1] / watts)))
        if 1 / NEAR <= abs(series.last) * UNITS[best][1] / watts <= NEAR:
            return UnitGuess(best, f"unit {best}: the energy rises by {watts:.4g} Wh per hour")
    if rise is not None and energy is not None and not energy.unit and _is_thousand(series.last, rise):
        return UnitGuess(base, f"unit {base}: it is 1,000 times what the energy rises per hour")
    decimals = len(repr(series.last).partition(".")[2]) if series.last != int(series.last) else 0
    if decimals >= FINE_DECIMALS and abs(series.last) < SMALL_KW:
        text = f"unit k{base}, because the number is small and has {decimals} decimals"
        return UnitGuess(f"k{base}", text, sure=False)
    return UnitGuess(base, f"unit {base}: nothing says that it is not k{base}; compare with the display", sure=False)


def _is_thousand(power: float, rise: float) -> bool:
    """Whether a power is in W where the energy is in kWh; equal prefixes would leave both open."""
    return 1000 / NEAR <= abs(power) / rise <= 1000 * NEAR


def _apparent_va(others: Mapping[str, HeardSeries]) -> float:
    """Voltage times current of all phases that are heard with both; 0 if not all currents have a voltage."""
    total = 0.0
    for n in range(3):
        volts, amperes = others.get(f"{32 + 20 * n}.7.0"), others.get(f"{31 + 20 * n}.7.0")
        if volts is None or amperes is None:
            return 0.0
        total += abs(_value(volts) * _value(amperes))
    return total


def _value(series: HeardSeries) -> float:
    unit = series.unit or _present(series.last, REGISTERS[series.register].unit).unit
    return series.last * UNITS[unit][1]


_PRESENT: Mapping[str, Sequence[tuple[str, float, float]]] = {
    "V": (("kV", 0.0, 2.0), ("V", 2.0, math.inf)),
    "A": (("A", 0.0, 20_000.0), ("mA", 20_000.0, math.inf)),
    "Hz": (("Hz", 0.0, 1000.0), ("mHz", 1000.0, math.inf)),
    "/": (("/", 0.0, 1.01), ("%", 1.01, math.inf)),
}
_KINDS = {"V": "a voltage", "A": "a current", "Hz": "a frequency", "/": "a power factor"}


def _present(value: float, base: str) -> UnitGuess:
    unit = next(unit for unit, low, high in _PRESENT[base] if low <= abs(value) < high)
    return UnitGuess(unit, f"unit {unit}, since {value:g} is {_KINDS[base]} in {unit}")
