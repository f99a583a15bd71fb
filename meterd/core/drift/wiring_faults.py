"""What is usually wrong when an instrument reads a certain factor of the truth: the short list of physical causes.

Factors of wiring faults hold for a balanced load; several depend on the power factor, which tells them apart. An instrument
in error shows a power factor that is in error too: each cause is asked which load would make it show what it shows. Each
comes with the single look that would settle it. Looking is work for qualified people with the board dead (five safety
rules, EN 50110); a current-transformer secondary is never opened under load.
"""

import cmath
import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations

CAUTION = (
    "only qualified people, with the board dead and secured (five safety rules, EN 50110); "
    "never open a current-transformer secondary under load: short it at the test block first"
)
THIRD = 2 * math.pi / 3
PRIMARIES = (50, 60, 75, 100, 125, 150, 160, 200, 250, 300, 400, 500, 600, 750, 800, 1000, 1250, 1500, 1600, 2000, 2500)
NEAR_STEPS = 3  # a ratio is mistaken for one of the next sizes of the series
PULSE_WEIGHTS = tuple(
    Fraction(w) for w in ("10", "5", "2", "1/2", "1/5", "1/10")
)  # neighbouring weights of the 1-2-5 series (common practice)
TOLERANCE = 0.02  # how well a factor is expected to meet its cause: class limits of a meter, its transformers, the load
STEADY = (
    0.005  # of it what changes from one load to another; the rest is common to all. A wrong setting is a mere number,
)
WAVERING = 0.014  # a wiring fault also sees how the load is spread over the phases
GROSS = 0.05  # a factor nearer to 1 than this is drift, not a fault of wiring or setting
APART = 0.04  # factors nearer to each other than this are tried once
LIKELY = (9.0, 11.83, 14.16, 16.25)  # chi-square at three standard deviations (99.73 %) for 1 to 4 degrees of freedom
TWENTY_TO_ONE = 2 * math.log(20)  # of chi-square: below it one cause is not distinguished from another
DEGREES = 15.0  # of phase displacement that a burden, a loose screw or a saturated core may come to (common practice)
DEGREE_STEP = 0.1
UPRIGHT = 0.05  # cosine below which active power is no more than a rest of reactive power


@dataclass(frozen=True, slots=True)
class Wiring:
    """A wiring fault: of each phase's current its sign (0 = missing) and the phase it really comes from.

    `direct` is its name at a meter without current transformers, where it has another one.
    """

    name: str
    signs: tuple[int, int, int]
    phases: tuple[int, int, int]
    check: str
    direct: str = ""

    def named(self, direct: bool) -> str:
        """Its name for a meter with or without current transformers."""
        return self.direct if direct and self.direct else self.name


WIRINGS = (
    Wiring(
        "one current transformer reversed",
        (-1, 1, 1),
        (0, 1, 2),
        "compare the sign of the power of the three phases",
        "one phase connected backwards",
    ),
    Wiring(
        "two current transformers reversed",
        (-1, -1, 1),
        (0, 1, 2),
        "compare the sign of the power of the three phases",
        "two phases connected backwards",
    ),
    Wiring(
        "all current transformers reversed",
        (-1, -1, -1),
        (0, 1, 2),
        "compare the direction of all three with the arrow",
        "all phases connected backwards",
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


def shown_factor(phasor: complex, angle: float) -> float | None:
    """Indicated over true active power from the angle that the instrument itself shows, under a fault that multiplies the
    true complex power by `phasor`. None where that load would have no active power to speak of.

    The load then has the angle shown less that of the phasor: factor = |F| cos(shown) / cos(shown - arg F).
    """
    true = math.cos(angle - cmath.phase(phasor))
    return None if abs(true) < UPRIGHT else abs(phasor) * math.cos(angle) / true


def wiring_phasor(wiring: Wiring) -> complex:
    """By what a wiring fault multiplies the complex power of a balanced load: mean of sign exp(j angle) over the phases.

    >>> round(abs(wiring_phasor(WIRINGS[3])), 12), round(math.degrees(cmath.phase(wiring_phasor(WIRINGS[4]))))
    (0.0, 120)
    """
    turned = (
        sign * cmath.exp(1j * (source - phase) * THIRD)
        for phase, (sign, source) in enumerate(zip(wiring.signs, wiring.phases, strict=True))
    )
    return sum(turned) / 3


@dataclass(frozen=True, slots=True)
class Cause:
    """A cause that fits: its factor at the first observation, how well it fits, and the look that settles it.

    `undo` is the factor that corrects the stored figures, where the cause is a wrong setting: a ratio of whole numbers.
    """

    name: str
    factor: float
    chi_square: float
    check: str
    undo: str = ""

    @property
    def text(self) -> str:
        """A sentence for a finding."""
        return f"{self.name} (factor {self.factor:.3f}): {self.check}"


@dataclass(frozen=True, slots=True)
class Observed:
    """A fitted factor with its standard error, at one kind of load.

    `power_factor` is that of the load where something else has measured it; `shown_angle` (radians, positive = inductive) that
    of the complex power as the suspect instrument shows it. Neither: not measured. `common` is the standard error that
    all observations share by what else is wrong in the balance; None = not known, then the tolerance stands for it.
    """

    factor: float
    error: float
    power_factor: float | None = None
    shown_angle: float | None = None
    common: float | None = None


def match(
    observed: tuple[Observed, ...],
    *,
    ct_ratio: tuple[float, float] | None = None,
    all_ratios: bool = True,
    direct: bool = False,
) -> tuple[Cause, ...]:
    """Causes that fit all observed factors (at most four) within three standard deviations, the best first.

    Observations at several power factors tell apart what depends on it; with two or more an error that changes with the load
    may be a phase displacement, the only cause that is offered for small steps. `ct_ratio` is primary and secondary current of
    the plan: then only steps from or to that primary are offered. Where no power factor is measured, causes that depend on it
    are judged at every power factor from 0.7 to 1. A `direct` meter has no current transformers: none of theirs is offered.
    """
    causes = [] if direct else [*_displaced(observed)]
    if any(abs(o.factor - 1) >= GROSS for o in observed):
        for wiring in WIRINGS:
            factor, chi = _fit_wiring(wiring, observed)
            causes.append(Cause(wiring.named(direct), factor, chi, wiring.check))
        for name, factor, check, undo in _constant(ct_ratio, all_ratios, direct=direct):
            chi = _misfit(observed, [factor] * len(observed), STEADY)
            causes.append(Cause(name, factor, chi, check, undo))
    limit = LIKELY[len(observed) - 1]
    return tuple(sorted((c for c in causes if c.chi_square < limit), key=lambda c: (c.chi_square, c.name)))


def _misfit(observed: tuple[Observed, ...], factors: list[float], wavering: float) -> float:
    """Chi-square of factors foretold. `wavering` is the part of the tolerance that each load has for itself."""
    tolerance = math.sqrt(TOLERANCE**2 - wavering**2)
    plain = mixed = shared = 0.0
    for o, factor in zip(observed, factors, strict=True):
        scale, gap = max(abs(factor), 0.5), o.factor - factor
        own = o.error**2 + (wavering * scale) ** 2
        # what the baseline says of a wrong setting is in its own error; wiring still meets a load that is not balanced
        known = o.common is not None and wavering == STEADY
        c = math.copysign(math.hypot(0.0 if known else tolerance * scale, o.common or 0.0), factor)
        plain, mixed, shared = plain + gap * gap / own, mixed + gap * c / own, shared + c * c / own
    # inverse of diag(own) + cc' (Sherman and Morrison)
    return plain - mixed * mixed / (1 + shared)


def _fit_wiring(wiring: Wiring, observed: tuple[Observed, ...]) -> tuple[float, float]:
    """Factor of the first observation and chi-square over all; one common power factor is fitted where none is known."""
    best = (0.0, math.inf)
    unknown = any(o.power_factor is None and o.shown_angle is None for o in observed)
    for tried in [x / 100 for x in range(70, 101, 2)] if unknown else [1.0]:
        factors = [_predicted(wiring, o, tried) for o in observed]
        known = [f for f in factors if f is not None]
        if len(known) == len(observed):
            best = min(best, (known[0], _misfit(observed, known, WAVERING)), key=lambda pair: pair[1])
    return best


def _predicted(wiring: Wiring, o: Observed, tried: float) -> float | None:
    if o.power_factor is None and o.shown_angle is not None:
        return shown_factor(wiring_phasor(wiring), o.shown_angle)
    return wiring_factor(wiring, tried if o.power_factor is None else o.power_factor)


def _displaced(observed: tuple[Observed, ...]) -> list[Cause]:
    """A phase displacement of the transformers: factor cos(phi - d) / cos(phi); free d, so only where the factor changes."""
    if len(observed) < 2 or not changes(observed):
        return []
    best = (math.inf, 0.0, 1.0)
    for step in range(-round(DEGREES / DEGREE_STEP), round(DEGREES / DEGREE_STEP) + 1):
        turned = cmath.exp(-1j * math.radians(step * DEGREE_STEP))
        factors = [_turned(turned, o) for o in observed]
        known = [f for f in factors if f is not None]
        if len(known) == len(observed):
            best = min(best, (_misfit(observed, known, STEADY), step * DEGREE_STEP, known[0]))
    name = f"phase displacement of {best[1]:+.1f} degrees"
    look = "measure burden and connections of the current transformers, and the angle of each current against a clamp"
    return [Cause(name, best[2], best[0], look)]


def changes(observed: tuple[Observed, ...]) -> bool:
    """Whether the factor of some two loads differs by three standard errors and more."""
    pairs = combinations(observed, 2)
    return any(abs(a.factor - b.factor) > 3 * math.hypot(a.error, b.error, STEADY) for a, b in pairs)


def _turned(turned: complex, o: Observed) -> float | None:
    if o.shown_angle is not None:
        return shown_factor(turned, o.shown_angle)
    if o.power_factor is None:
        return None
    return (turned * cmath.exp(1j * math.acos(o.power_factor))).real / o.power_factor


def undoing(causes: tuple[Cause, ...]) -> str:
    """The factor that undoes the best cause, if it is a wrong setting and no cause of another factor is within 20:1 of it."""
    if not causes or not causes[0].undo:
        return ""
    others = (c for c in causes[1:] if c.undo != causes[0].undo)
    return causes[0].undo if all(c.chi_square - causes[0].chi_square > TWENTY_TO_ONE for c in others) else ""


def dependence(observed: tuple[Observed, ...]) -> str:
    """What was seen at which load, in words; says so where no power factor is measured."""
    if not observed or all(o.shown_angle is None and o.power_factor is None for o in observed):
        return "power factor not measured: causes that depend on it cannot be told apart"
    rows = [f"{o.factor:.3f} +- {math.hypot(o.error, o.common or 0.0):.3f} {_where(o)}" for o in observed]
    if len(rows) == 1:
        return f"reads {rows[0]}; seen at this power factor only: causes that depend on it cannot be told apart"
    return f"reads {', '.join(rows)}: {'depends' if changes(observed) else 'does not depend'} on the power factor"


def _where(o: Observed) -> str:
    if o.shown_angle is not None:
        side = "inductive" if math.sin(o.shown_angle) >= 0 else "capacitive"
        return f"where it shows a power factor of {math.cos(o.shown_angle):.2f} {side}"
    return "where none is shown" if o.power_factor is None else f"at a power factor of {o.power_factor:.2f}"


def _constant(
    ct_ratio: tuple[float, float] | None, all_ratios: bool, *, direct: bool = False
) -> list[tuple[str, float, str, str]]:
    """Causes whose factor does not depend on the load: name, factor, the look that settles it, what undoes it exactly."""
    plate = "compare the rating plate of the current transformers with the ratio set in the meter and in the plan"
    side = 5.0 if ct_ratio is None else ct_ratio[1]
    results = [
        (f"ratio {a}/{side:g} fitted but {b}/{side:g} set", b / a, plate, f"{a}/{b}")
        for a, b in ([] if direct else _steps(ct_ratio, all_ratios))
    ]
    if ct_ratio is not None:
        ratio = Fraction(ct_ratio[0] / ct_ratio[1]).limit_denominator(1000)
        results.append(("secondary value taken as primary, ratio not applied", float(1 / ratio), plate, str(ratio)))
        results.append(("ratio applied twice", float(ratio), plate, str(1 / ratio)))
        results.append(("transformer of 1 A secondary read as 5 A", 0.2, plate, "5"))
        results.append(("transformer of 5 A secondary read as 1 A", 5.0, plate, "1/5"))
    weight = "compare the pulse constant on the meter's face with the plan"
    for w in PULSE_WEIGHTS:
        text = f"pulse weight set {float(w):g} times too {'large' if w > 1 else 'small'}"
        results.append((text, float(w), weight, str(1 / w)))
    display = "read current and voltage of the three phases on the display"
    shorted = "" if direct else "transformers shorted at the test block, "
    results.append((f"nothing counted: {shorted}no voltage, or a stopped register", 0.0, display, ""))
    count = "count pulses beside the meter's own display for ten minutes"
    results.append(("each pulse counted twice (bounce)", 2.0, count, ""))
    results.append(("every second pulse missed", 0.5, count, ""))
    results.append(("one pulse in ten missed", 0.9, count, ""))
    return results


def _steps(ct_ratio: tuple[float, float] | None, all_ratios: bool) -> list[tuple[int, int]]:
    """(fitted, set) pairs of neighbouring primaries, both ways; only those with the one of the plan where it is known."""
    pairs: list[tuple[int, int]] = []
    for i, j in combinations(range(len(PRIMARIES)), 2):
        if j - i <= NEAR_STEPS:
            pairs += [(PRIMARIES[i], PRIMARIES[j]), (PRIMARIES[j], PRIMARIES[i])]
    if ct_ratio is not None:
        return [pair for pair in pairs if round(ct_ratio[0]) in pair]
    # without the plan's ratio one pair stands for all with the same factor
    first = {round(b / a, 3): (a, b) for a, b in reversed(pairs)}
    return sorted(first.values()) if all_ratios else []


def plausible_factors(ct_ratio: tuple[float, float] | None = None) -> tuple[float, ...]:
    """Factors worth trying on the first day, before any baseline: wiring at power factors 0.8 to 1, steps, weights."""
    wiring = {round(wiring_factor(w, pf), 4) for w in WIRINGS for pf in (0.8, 0.9, 0.95, 1.0)}
    constant = {round(f, 4) for _, f, *_ in _constant(ct_ratio, all_ratios=True)}
    stored: list[float] = []
    for factor in sorted(f for f in wiring | constant if abs(f - 1) >= GROSS and abs(f) >= GROSS):
        if not stored or abs(factor - stored[-1]) > APART * abs(factor):
            stored.append(factor)
    return tuple(stored)
