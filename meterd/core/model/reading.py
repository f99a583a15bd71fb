"""A reading: one register of one metering point at one moment.

Values of cumulative registers are whole milli-units of what the instrument shows (mWh, mvarh, thousandths of a pulse):
integers, so that differences telescope exactly. Values of instantaneous registers (W, V, A, ...) are floats in the base
unit. The dated factor of the instrument (CT ratio, pulse weight, correction) is applied later, in `register`, so that a
meter exchange entered days afterwards needs no change of what was read.
"""

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple


class Quality(StrEnum):
    """What is known about a reading or a derived value (design.md 6)."""

    GOOD = "good"
    PARTIAL = "partial"
    ESTIMATED = "estimated"
    INVALID = "invalid"


@dataclass(frozen=True, slots=True)
class RegisterKind:
    """What one OBIS code means here: trade name (also the topic), base unit, and whether it counts up."""

    obis: str
    name: str
    unit: str
    cumulative: bool


# Value group C.D.E of the codes of IEC 62056-6-1 for electricity. Positive is along the arrow on the drawing:
# 1.8.0 counts energy along it, 2.8.0 against it.
REGISTERS: dict[str, RegisterKind] = {
    kind.obis: kind
    for kind in (
        RegisterKind("1.8.0", "import", "Wh", True),
        RegisterKind("2.8.0", "export", "Wh", True),
        RegisterKind("3.8.0", "reactive-import", "varh", True),
        RegisterKind("4.8.0", "reactive-export", "varh", True),
        RegisterKind("16.7.0", "power", "W", False),
        RegisterKind("36.7.0", "power-l1", "W", False),
        RegisterKind("56.7.0", "power-l2", "W", False),
        RegisterKind("76.7.0", "power-l3", "W", False),
        RegisterKind("131.7.0", "reactive-power", "var", False),
        RegisterKind("32.7.0", "voltage-l1", "V", False),
        RegisterKind("52.7.0", "voltage-l2", "V", False),
        RegisterKind("72.7.0", "voltage-l3", "V", False),
        RegisterKind("31.7.0", "current-l1", "A", False),
        RegisterKind("51.7.0", "current-l2", "A", False),
        RegisterKind("71.7.0", "current-l3", "A", False),
        RegisterKind("13.7.0", "power-factor", "/", False),
        RegisterKind("14.7.0", "frequency", "Hz", False),
        RegisterKind("irradiance", "irradiance", "W/m2", False),  # of the plane of a PV array; no code of the standard
        RegisterKind("0.4.2", "ct-primary", "A", False),
        RegisterKind("0.4.5", "ct-secondary", "A", False),
    )
}
IMPORT, EXPORT, POWER = "1.8.0", "2.8.0", "16.7.0"
IRRADIANCE = "irradiance"
# What a consumer says it could take now (consumers.csv): no register of a meter, so not among those that a point may have.
CAN_TAKE = "can-take"
# A forecast from outside ([forecast] of site.toml), for what is counted of it.
OUTSIDE_FORECAST = "outside-forecast"
_REPORTED = RegisterKind(CAN_TAKE, CAN_TAKE, "W", False)
CT_PRIMARY, CT_SECONDARY = "0.4.2", "0.4.5"  # what the meter is set to: no present value of the point

# What a value may be shown in: base unit of the register, and the factor to it. A pulse count stays a count here;
# the dated pulse weight of the instrument is applied in `register`.
UNITS: dict[str, tuple[tuple[str, ...], float]] = {
    "Wh": (("Wh",), 1.0),
    "kWh": (("Wh",), 1e3),
    "MWh": (("Wh",), 1e6),
    "varh": (("varh",), 1.0),
    "kvarh": (("varh",), 1e3),
    "Mvarh": (("varh",), 1e6),
    "imp": (("Wh", "varh"), 1.0),
    "W": (("W",), 1.0),
    "kW": (("W",), 1e3),
    "MW": (("W",), 1e6),
    "var": (("var",), 1.0),
    "kvar": (("var",), 1e3),
    "Mvar": (("var",), 1e6),
    "V": (("V",), 1.0),
    "kV": (("V",), 1e3),
    "A": (("A",), 1.0),
    "mA": (("A",), 1e-3),
    "kA": (("A",), 1e3),
    "/": (("/",), 1.0),
    "%": (("/",), 1e-2),
    "Hz": (("Hz",), 1.0),
    "mHz": (("Hz",), 1e-3),
    "W/m2": (("W/m2",), 1.0),
    "kW/m2": (("W/m2",), 1e3),
}


def kind_of(register: str) -> RegisterKind:
    """What a code means: a register of a meter, or what a consumer says."""
    return _REPORTED if register == CAN_TAKE else REGISTERS[register]


# Largest shown value kept exactly through one float64 multiplication and one rounding: 2^53 milli-units = 9 TWh.
LARGEST_MILLI = 2**53


class Reading(NamedTuple):
    """One value of one register, at the time it was true (`at_ms`) and the time it came in (`received_ms`).

    A named tuple, since it is made and taken apart for every value that comes: a third of the time of a frozen class.

    Times are whole milliseconds since 1970 UTC. `value` is an int (milli-units) for cumulative registers and a finite
    float for the others. `device_time` tells whether `at_ms` came with the value or is the time of arrival.
    `old` marks a retained message seen at start: last known, never "now".
    """

    point: str
    register: str
    at_ms: int
    value: int | float
    received_ms: int
    device_time: bool = True
    old: bool = False


def milli(value: float, scale: float) -> int:
    """Whole milli-units of a shown value times `scale`, rounded once, half to even.

    Raises ValueError for values that are not finite or too large to be exact.

    >>> milli(123.4567, 1000.0)
    123456700
    """
    scaled = value * (scale * 1000.0)
    if not math.isfinite(scaled) or abs(scaled) > LARGEST_MILLI:
        raise ValueError(f"register value {value!r} times {scale!r} is outside the exact range of 2^53 milli-units")
    return round(scaled)


@dataclass(frozen=True, slots=True)
class Refusal:
    """One value that was not believed: for which input, why, and the beginning of what came, escaped."""

    point: str
    register: str
    reason: str
    sample: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A cell of a file that is not read, or with an empty column a whole row: where it stands, what it shows and why."""

    file: str
    row: int
    column: str
    value: str
    reason: str
    point: str = ""
    register: str = ""


@dataclass(slots=True)
class Refusals:
    """What was refused of one channel: how many cells, and some of them with file, row, column and reason."""

    count: int = 0
    samples: list[Refusal] = field(default_factory=list)
    cells: list[LeftOut] = field(default_factory=list)  # all of them, where they are listed in a file
