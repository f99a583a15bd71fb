"""What a scan of a line found: units that answer, the meters in them, and their values at that moment."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ScannedValue:
    """A value of a unit with its address as the plan writes it; None: a counter that shows nothing yet."""

    address: str
    register: str
    value: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class ScannedMeter:
    """One meter of a unit, with the values that it has now. `produces`: an inverter, which counts what it generates."""

    title: str
    nth: int
    values: tuple[ScannedValue, ...]
    produces: bool = False


@dataclass(frozen=True, slots=True)
class ScannedUnit:
    """A unit that answers: its meters, or `words` about what it says instead."""

    unit: int
    meters: tuple[ScannedMeter, ...] = ()
    words: str = ""
