"""What is usually wrong when an instrument reads a certain factor of the truth: the short list of physical causes.

Factors of wiring faults hold for a balanced load; several depend on the power factor, which tells them apart. Each cause
comes with the single look that would settle it. Looking is work for qualified people with the board dead (five safety
rules, EN 50110); a current-transformer secondary is never opened under load.
"""

import math
from dataclasses import dataclass
from itertools import combinations

CAUTION = (
    "only qualified people, with the board dead and secured (five safety rules, EN 50110); "
    "never open a current-transformer secondary under load: short it at the test block first"
)
THIRD = 2 * math.pi / 3
PRIMARIES = (50, 60, 75, 100, 125, 150, 160, 200, 250, 300, 400, 500, 600, 750, 800, 1000, 1250, 1500, 1600, 2000, 2500)
NEAR_STEPS = 3  # a ratio is mistaken for one of the next sizes of the series
PULSE_WEIGHTS = (10.0, 5.0, 2.0, 0.5, 0.2, 0.1)  # neighbouring weights of the 1-2-5 series (common practice)
TOLERANCE = 0.02  # how well a factor is expected to meet its cause: class limits of a meter, its transformers, the load
GROSS = 0.05  # a factor nearer to 1 than this is drift, not a fault of wiring or setting
APART = 0.04  # factors nearer to each other than this are tried once
LIKELY = 9.0  # chi-square below which a cause fits: three standard deviations


@dataclass(frozen=True, slots=True)
class Wiring:
    """A wiring fault: of each phase's current its sign (0 = missing) and the phase it really comes from."""

    name: str
    signs: tuple[int, int, int]
    phases: tuple[int, int, int]
    check: str


WIRINGS = (
    Wiring(
        "one current transformer reversed", (-1, 1, 1), (0, 1, 2), "compare the sign of the power of the three phases"
    ),
    Wiring(
        "two current transformers reversed", (-1, -1, 1), (0, 1, 2), "compare the sign of the power of the three phases"
    ),
    Wiring(
        "all current transformers reversed",
        (-1, -1, -1),
        (0, 1, 2),
        "compare the direction of all three with the arrow",
    ),
    Wiring(
        "currents of two phases swapped", (1, 1, 1), (1, 0, 2), "compare the phase marks of voltage and current wires"
    ),
    Wiring(
        "currents rotated by one phase",
        (1, 1, 1),
        (1, 2, 0),
        "read the angle between voltage and current of each phase",
    ),
    Wiring(
        "currents rotated the other way",
        (1, 1, 1),
        (2, 0, 1),
        "read the angle between voltage and current of each phase",
    ),
    Wiring("one phase missing", (0, 1, 1), (0, 1, 2), "read current and voltage of the three phases on the display"),
    Wiring("two phases missing", (0, 0, 1), (0, 1, 2), "read current and voltage of the three phases on the display"),
)


def wiring_factor(wiring: Wiring, power_factor: float) -> float:
    """Indicated over true active power of a balanced load at a lagging power factor.

    Mean of sign cos(phi + angle) / cos(phi) over the phases, with the angle between a voltage and the current it meets.

    >>> round(wiring_factor(WIRINGS[0], 0.9), 4)
    0.3333
    """
    phi = math.acos(power_factor)
    powers = (
        sign * math.cos(phi + (source - phase) * THIRD)
        for phase, (sign, source) in enumerate(zip(wiring.signs, wiring.phases, strict=True))
    )
    return sum(powers) / 3 / power_factor


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause that fits: its factor at the observed power factor, how well it fits, and the look that settles it."""

    name: str
    factor: float
    chi_square: float
    check: str

    @property
    def text(self) -> str:
        """A sentence for a finding."""
        return f"{self.name} (factor {self.factor:.3f}): {self.check}"


@dataclass(frozen=True, slots=True)
class Observed:
    """A fitted factor with its standard error at one power factor (None = not measured)."""

    factor: float
    error: float
    power_factor: float | None = None


def match(
    observed: tuple[Observed, ...], *, ct_ratio: tuple[float, float] | None = None, all_ratios: bool = True
) -> tuple[Cause, ...]:
    """Causes that fit all observed factors within three standard deviations, the best first.

    Observations at several power factors tell apart what depends on it. `ct_ratio` is primary and secondary current as
    set: then only steps from that primary are offered. Where no power factor is measured, causes that depend on it are
    judged at every power factor from 0.7 to 1.
    """
    found = []
    if all(abs(o.factor - 1) < GROSS for o in observed):
        return ()
    for wiring in WIRINGS:
        factors, chi = _fit_wiring(wiring, observed)
        found.append(Cause(wiring.name, factors, chi, wiring.check))
    for name, factor, check in _constant(ct_ratio, all_ratios):
        found.append(Cause(name, factor, sum(_misfit(o, factor) for o in observed), check))
    return tuple(
        sorted((c for c in found if c.chi_square < LIKELY * len(observed)), key=lambda c: (c.chi_square, c.name))
    )


def _misfit(o: Observed, factor: float) -> float:
    return (o.factor - factor) ** 2 / (o.error**2 + (TOLERANCE * max(abs(factor), 0.5)) ** 2)


def _fit_wiring(wiring: Wiring, observed: tuple[Observed, ...]) -> tuple[float, float]:
    """Factor of the first observation and chi-square over all; one common power factor is fitted where none is known."""
    best = (0.0, math.inf)
    unknown = any(o.power_factor is None for o in observed)
    for tried in [x / 100 for x in range(70, 101, 2)] if unknown else [1.0]:
        factors = [wiring_factor(wiring, tried if o.power_factor is None else o.power_factor) for o in observed]
        chi = sum(_misfit(o, f) for o, f in zip(observed, factors, strict=True))
        best = min(best, (factors[0], chi), key=lambda pair: pair[1])
    return best


def _constant(ct_ratio: tuple[float, float] | None, all_ratios: bool) -> list[tuple[str, float, str]]:
    """Causes whose factor does not depend on the load."""
    plate = "compare the rating plate of the current transformers with the ratio set in the meter and in the plan"
    found = [(f"ratio {a}/5 fitted but {b}/5 set", b / a, plate) for a, b in _steps(ct_ratio, all_ratios)]
    if ct_ratio is not None:
        ratio = ct_ratio[0] / ct_ratio[1]
        found.append(("secondary value taken as primary, ratio not applied", 1 / ratio, plate))
        found.append(("ratio applied twice", ratio, plate))
        found.append(("transformer of 1 A secondary read as 5 A", 0.2, plate))
        found.append(("transformer of 5 A secondary read as 1 A", 5.0, plate))
    weight = "compare the pulse constant on the meter's face with the plan"
    found += [(f"pulse weight set {w:g} times too {'large' if w > 1 else 'small'}", w, weight) for w in PULSE_WEIGHTS]
    found.append(
        ("each pulse counted twice (bounce)", 2.0, "count pulses beside the meter's own display for ten minutes")
    )
    found.append(("every second pulse missed", 0.5, "count pulses beside the meter's own display for ten minutes"))
    found.append(("one pulse in ten missed", 0.9, "count pulses beside the meter's own display for ten minutes"))
    return found


def _steps(ct_ratio: tuple[float, float] | None, all_ratios: bool) -> list[tuple[int, int]]:
    """(fitted, set) pairs of neighbouring primaries, both ways; only from the one set where it is known."""
    pairs = []
    for i, j in combinations(range(len(PRIMARIES)), 2):
        if j - i <= NEAR_STEPS:
            pairs += [(PRIMARIES[i], PRIMARIES[j]), (PRIMARIES[j], PRIMARIES[i])]
    if ct_ratio is not None:
        return [(a, b) for a, b in pairs if b == round(ct_ratio[0])]
    # without the plan's ratio one pair stands for all with the same factor
    first = {round(b / a, 3): (a, b) for a, b in reversed(pairs)}
    return sorted(first.values()) if all_ratios else []


def plausible_factors(ct_ratio: tuple[float, float] | None = None) -> tuple[float, ...]:
    """Factors worth trying on the first day, before any baseline: wiring at power factors 0.8 to 1, steps, weights."""
    wiring = {round(wiring_factor(w, pf), 4) for w in WIRINGS for pf in (0.8, 0.9, 0.95, 1.0)}
    constant = {round(f, 4) for _, f, _ in _constant(ct_ratio, all_ratios=True)}
    kept: list[float] = []
    for factor in sorted(f for f in wiring | constant if abs(f - 1) >= GROSS and abs(f) >= GROSS):
        if not kept or abs(factor - kept[-1]) > APART * abs(factor):
            kept.append(factor)
    return tuple(kept)
