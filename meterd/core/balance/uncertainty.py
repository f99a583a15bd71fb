"""How far a metered energy may be off: limits of class and current transformer at the actual current, and resolution.

The limits are taken as rectangular bounds, u = limit / sqrt(3) (JCGM 100:2008, 4.3.7). Ratio errors belong to the
instrument and do not average out over time; resolution belongs to the two readings at the ends. Every operation is
elementwise along time, and sums run in a fixed order, so that a row gives the same bits alone and among 35,136.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from meterd.core.model.plan import Board, Instrument, Point

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Connection = Literal["transformer", "direct"]
Steps = tuple[tuple[float, float], ...]  # (from this fraction of the base current on, limit as a ratio), rising

ASSUMED_METER_CLASS = "2"  # the widest class of IEC 62053-21: an unknown meter is not trusted further
ASSUMED_CT_CLASS = "1"  # the widest class with limits down to 5 % of rated current
ASSUMED_LOAD = 0.2  # of rated current where the rating is unknown: common practice for lightly used feeders
ASSUMED_POWER_FACTOR = 0.9  # lagging, where none is measured; the budget in tests/vectors uses the same
UNITY_ABOVE = 0.8  # the standards state limits at 1, 0.5 inductive and 0.8 capacitive; between, the nearer row
DIRECT_BASE = 0.1  # base current Ib of a direct meter over its rating: 10(100) A, 5(60) A and the like
COVERAGE = 2.0  # k of the expanded uncertainty
_SHARE_OF_LIMIT = 1 / math.sqrt(3)
_ARC_MINUTE = math.pi / 10_800


class MeterLimits(NamedTuple):
    """Limits of one meter class: steps over In (by transformer) or Ib (direct), at unity and at low power factor."""

    transformer: Steps
    transformer_low: Steps
    direct: Steps
    direct_low: Steps


def _percent(*steps: tuple[float, float]) -> Steps:
    return tuple((start, limit / 100) for start, limit in steps)


def _sensor(unity: Steps, low: Steps) -> MeterLimits:
    # S classes and sensor classes exist only with transformers; connected directly, In is read as the base current
    return MeterLimits(unity, low, unity, low)


def _mid(start: float, start_direct: float, below: float, above: float) -> MeterLimits:
    # Itr is In / 20 by transformer and Ib / 10 direct; one limit from 0.5 inductive to 0.8 capacitive
    transformer, direct = (
        _percent((start, below), (0.05, above)),
        _percent((start_direct, below), (0.1, above)),
    )
    return MeterLimits(transformer, transformer, direct, direct)


# IEC 62053-21:2003, IEC 62053-22:2003 and :2020, IEC 61557-12:2007 for classes 0.2 and 0.5 without S, Directive
# 2014/32/EU (MID) Annex V table 2 at +5..+30 C (operating conditions, wider than reference conditions of EN 50470-3).
# tests/vectors/meter_error_limits.csv says which cell was verified where; currents of the MID classes are from memory.
METER_CLASSES: dict[str, MeterLimits] = {
    "1": MeterLimits(
        _percent((0.02, 1.5), (0.05, 1.0)),
        _percent((0.05, 1.5), (0.1, 1.0)),
        _percent((0.05, 1.5), (0.1, 1.0)),
        _percent((0.1, 1.5), (0.2, 1.0)),
    ),
    "2": MeterLimits(
        _percent((0.02, 2.5), (0.05, 2.0)),
        _percent((0.05, 2.5), (0.1, 2.0)),
        _percent((0.05, 2.5), (0.1, 2.0)),
        _percent((0.1, 2.5), (0.2, 2.0)),
    ),
    "0.5S": _sensor(_percent((0.01, 1.0), (0.05, 0.5)), _percent((0.02, 1.0), (0.1, 0.6))),
    "0.2S": _sensor(_percent((0.01, 0.4), (0.05, 0.2)), _percent((0.02, 0.5), (0.1, 0.3))),
    # only the unity limit of 0.1S is known, with low confidence; 1.5 times at low power factor as in class 0.2S
    "0.1S": _sensor(_percent((0.05, 0.1)), _percent((0.1, 0.15))),
    "0.5": _sensor(_percent((0.01, 1.0), (0.05, 0.5)), _percent((0.02, 1.0), (0.1, 0.6))),
    "0.2": _sensor(_percent((0.01, 0.4), (0.05, 0.2)), _percent((0.02, 0.5), (0.1, 0.3))),
    "A": _mid(0.02, 0.05, 3.5, 3.5),
    "B": _mid(0.01, 0.05, 2.0, 2.0),
    "C": _mid(0.01, 0.03, 1.0, 0.7),
}

# IEC 61869-2: fraction of rated primary current, ratio error in percent, phase displacement in minutes. Classes 3 and 5
# have no phase limit; 180 minutes, the largest of any class, stands in so that their band is not too narrow.
CtTable = tuple[tuple[float, float, float], ...]
CT_CLASSES: dict[str, CtTable] = {
    "0.1": ((0.05, 0.4, 15), (0.2, 0.2, 8), (1.0, 0.1, 5), (1.2, 0.1, 5)),
    "0.2": ((0.05, 0.75, 30), (0.2, 0.35, 15), (1.0, 0.2, 10), (1.2, 0.2, 10)),
    "0.2S": ((0.01, 0.75, 30), (0.05, 0.35, 15), (0.2, 0.2, 10), (1.0, 0.2, 10), (1.2, 0.2, 10)),
    "0.5": ((0.05, 1.5, 90), (0.2, 0.75, 45), (1.0, 0.5, 30), (1.2, 0.5, 30)),
    "0.5S": ((0.01, 1.5, 90), (0.05, 0.75, 45), (0.2, 0.5, 30), (1.0, 0.5, 30), (1.2, 0.5, 30)),
    "1": ((0.05, 3.0, 180), (0.2, 1.5, 90), (1.0, 1.0, 60), (1.2, 1.0, 60)),
    "3": ((0.5, 3.0, 180), (1.2, 3.0, 180)),
    "5": ((0.5, 5.0, 180), (1.2, 5.0, 180)),
}


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What is known of one fitted instrument's accuracy.

    `ct_class` None is direct connection. `rated_a` is the primary current of the transformers, or the rating of a
    direct meter; None = unknown, then `ASSUMED_LOAD` is taken. `resolution_mwh` is one step of the register on the
    primary side. `nominal_v` is line to line. `assumed` marks that a default stands in for something the plan lacks.
    """

    meter_class: str | None
    ct_class: str | None
    ct_set: str | None
    rated_a: float | None
    resolution_mwh: int
    nominal_v: float
    assumed: bool = False


def accuracy_of(
    point: Point, instrument: Instrument | None, board: Board, *, shown_factor: Fraction = Fraction(1)
) -> Accuracy:
    """The accuracy of an instrument at a point; what the plan does not say is replaced by the stated defaults.

    `shown_factor` turns what the register shows into primary energy (the CT ratio where the meter counts the
    secondary side). A resolution of 0 with a pulse weight means one pulse is the step.
    """
    if instrument is None:
        return Accuracy(ASSUMED_METER_CLASS, ASSUMED_CT_CLASS, None, point.rating_a, 0, board.nominal_v, True)
    meter = _spelling(instrument.meter_class)
    transformer = _spelling(instrument.ct_class)
    known_meter, direct = meter in METER_CLASSES, transformer is None and instrument.ct_primary_a is None
    known_ct = direct or transformer in CT_CLASSES
    rated = instrument.ct_primary_a if instrument.ct_primary_a is not None else point.rating_a
    step = (instrument.resolution_wh or instrument.pulse_wh or Fraction(0)) * shown_factor
    return Accuracy(
        meter if known_meter else ASSUMED_METER_CLASS,
        transformer if known_ct else ASSUMED_CT_CLASS,
        instrument.ct_set,
        rated,
        math.ceil(step * 1000),
        board.nominal_v,
        not (known_meter and known_ct and rated is not None),
    )


def _spelling(name: str | None) -> str | None:
    return name.strip().upper() if name and name.strip() else None


def class_uncertainty(limit: float) -> float:
    """Standard uncertainty of an error limit taken as a rectangular bound, u = limit / sqrt(3).

    Zero gives zero; a negative limit is refused. Source: JCGM 100:2008, 4.3.7.

    >>> round(class_uncertainty(0.01), 6)
    0.005774
    """
    if limit < 0:
        raise ValueError(f"limit must not be negative, got {limit}")
    return limit * _SHARE_OF_LIMIT


def resolution_uncertainty(step: float) -> float:
    """Standard uncertainty of the difference of two readings with the same step: triangular, u = step / sqrt(6).

    Each reading is rectangular over one step (JCGM 100:2008, F.2.2.1); their difference is triangular over two.

    >>> round(resolution_uncertainty(1000.0), 3)
    408.248
    """
    return step / math.sqrt(6)


def clock_uncertainty(energy_mwh: Ints, hours: Floats, off_s: Floats, accuracy: Accuracy) -> Floats:
    """Standard uncertainty in mWh of energies of intervals whose ends are shifted by a clock that is off by up to `off_s`.

    A shifted interval gains at one end what it loses at the other, so the powers at its ends decide. They differ by the
    power at rated current at most; where no rating is known, twice the mean power stands in, which is a load switched in the
    middle. Limit = that power times the shift, the whole interval at most; u = limit / sqrt(3). Zero shift gives zero.

    >>> rated = Accuracy("1", None, None, 63.0, 0, 400.0)
    >>> clock_uncertainty(np.array([0]), np.array([0.25]), np.array([10.0]), rated).round().tolist()
    [70000.0]

    Source: JCGM 100:2008, 4.3.7 (rectangular limits).
    """
    length = np.broadcast_to(np.asarray(hours, dtype=np.float64), energy_mwh.shape)
    full = _full_load_mwh(length, accuracy, 1.0)
    most = 2 * np.abs(energy_mwh).astype(np.float64) if full is None else full
    return most * np.minimum(off_s / (length * 3600), 1.0) * _SHARE_OF_LIMIT


def meter_steps(meter_class: str | None, connection: Connection, power_factor: float) -> Steps:
    """Limits of a meter class as steps over the fraction of In (transformer) or Ib (direct).

    Limits at unity hold above a power factor of 0.8, those at 0.5 inductive and 0.8 capacitive from there down
    (the standards state nothing between). An unknown class is read as class 2.
    """
    limits = METER_CLASSES.get(meter_class or ASSUMED_METER_CLASS, METER_CLASSES[ASSUMED_METER_CLASS])
    if connection == "transformer":
        return limits.transformer if power_factor > UNITY_ABOVE else limits.transformer_low
    return limits.direct if power_factor > UNITY_ABOVE else limits.direct_low


def step_limit(steps: Steps, load: Floats) -> Floats:
    """Limit (ratio) at each load (fraction of the base current); below the first step the first limit."""
    limit = np.full(load.shape, steps[0][1])
    for start, value in steps[1:]:
        limit = np.where(load >= start, value, limit)
    return limit


def ct_limits(ct_class: str, load: Floats) -> tuple[Floats, Floats]:
    """Ratio error (ratio) and phase displacement (rad) limits at each load (fraction of rated primary current).

    Linear in current between the tabulated points of IEC 61869-2, constant outside them. (The standard tabulates
    points only; the line between two is the usual reading.)

    >>> ratio, phase = ct_limits("0.5", np.array([0.2, 0.6]))
    >>> ratio.round(5).tolist()
    [0.0075, 0.00625]
    """
    table = CT_CLASSES.get(ct_class, CT_CLASSES[ASSUMED_CT_CLASS])
    ratio = _piecewise(load, [(point, percent / 100) for point, percent, _ in table])
    phase = _piecewise(load, [(point, minutes * _ARC_MINUTE) for point, _, minutes in table])
    return ratio, phase


def _piecewise(load: Floats, table: Sequence[tuple[float, float]]) -> Floats:
    # numpy.interp takes another path when there are more points than values; this has one path for any length
    value = np.full(load.shape, table[0][1])
    for (low, at_low), (high, at_high) in itertools.pairwise(table):
        slope = (at_high - at_low) / (high - low)
        value = np.where(load >= low, at_low + (load - low) * slope, value)
    return np.where(load >= table[-1][0], table[-1][1], value)


def phase_error(displacement: float, power_factor: float) -> float:
    """Relative active-power error of a phase displacement (rad) at a lagging power factor: delta * tan(phi).

    First order in delta: at 1 degree and power factor 0.5 it gives 3.023 % where the exact error is 3.008 %.

    >>> round(100 * phase_error(math.radians(1), 0.5), 3)
    3.023
    """
    return displacement * math.tan(math.acos(power_factor))


def energy_uncertainty(
    energy_mwh: Ints, hours: Floats | float, accuracy: Accuracy, *, power_factor: float = ASSUMED_POWER_FACTOR
) -> tuple[Floats, Floats, float]:
    """Standard uncertainties of energies of one instrument: (meter[T], CT[T], resolution), all in mWh.

    The current follows from the mean power, the nominal voltage and the power factor. The CT part joins ratio error
    and phase displacement times tan(phi); a power factor of 1 leaves the phase part out. Below the lowest current of a
    table the limit is assumed to grow inversely with current: the error in mWh then stays what it is at that current.
    Where the rating is unknown, 20 % load is assumed and nothing holds the error up towards zero.

    Raises ValueError for an hour count that is not positive.

    >>> main = Accuracy("0.5S", "0.5", None, 1000.0, 0, 400.0)
    >>> meter, ct, step = energy_uncertainty(np.array([120_000_000]), 1.0, main)
    >>> [round(float(part[0]) / 1e6, 4) for part in (meter, ct)]
    [0.3464, 0.7146]
    """
    length = np.broadcast_to(np.asarray(hours, dtype=np.float64), energy_mwh.shape)
    if not np.all(length > 0):
        raise ValueError("the duration of an interval must be positive")
    size = np.abs(energy_mwh).astype(np.float64)
    full = _full_load_mwh(length, accuracy, power_factor)
    resolution = resolution_uncertainty(accuracy.resolution_mwh)
    return (
        _meter_part(size, full, accuracy, power_factor),
        _ct_part(size, full, accuracy.ct_class, power_factor),
        resolution,
    )


def _full_load_mwh(hours: Floats, accuracy: Accuracy, power_factor: float) -> Floats | None:
    """Energy at rated current, sqrt(3) U I cos(phi) t, in mWh."""
    if not accuracy.rated_a:
        return None
    return hours * (1000 * math.sqrt(3) * accuracy.nominal_v * accuracy.rated_a * power_factor)


def _base(size: Floats, full: Floats | None, lowest: float) -> tuple[Floats, Floats]:
    """The energy a limit applies to, not below that at the lowest tabulated current, and its load fraction."""
    if full is None:
        return size, np.full(size.shape, max(ASSUMED_LOAD, lowest))
    energy = np.maximum(size, full * lowest)
    return energy, energy / full


def _meter_part(size: Floats, full: Floats | None, accuracy: Accuracy, power_factor: float) -> Floats:
    connection: Connection = "transformer" if accuracy.ct_class is not None else "direct"
    if full is not None and connection == "direct":
        full = full * DIRECT_BASE
    steps = meter_steps(accuracy.meter_class, connection, power_factor)
    energy, load = _base(size, full, steps[0][0])
    return energy * step_limit(steps, load) * _SHARE_OF_LIMIT


def _ct_part(size: Floats, full: Floats | None, ct_class: str | None, power_factor: float) -> Floats:
    if ct_class is None:
        return np.zeros(size.shape)
    lowest = CT_CLASSES.get(ct_class, CT_CLASSES[ASSUMED_CT_CLASS])[0][0]
    energy, load = _base(size, full, lowest)
    ratio, phase = ct_limits(ct_class, load)
    phase = phase * phase_error(1.0, power_factor)
    return energy * np.sqrt(ratio * ratio + phase * phase) * _SHARE_OF_LIMIT


def product(left: Floats, right: Floats) -> Floats:
    """Matrix product over the last two axes, [..., a, b] by [..., b, c], summed over b in rising order.

    A library product may split the sum by the shape of the whole batch; this gives the same bits for one row and many.
    """
    total = left[..., :, 0, None] * right[..., None, 0, :]
    for k in range(1, left.shape[-1]):
        total = total + left[..., :, k, None] * right[..., None, k, :]
    return total


def propagate(sensitivity: Floats, covariance: Floats) -> Floats:
    """Covariance of linear combinations: C V C' with C [k, n] and V [..., n, n], giving [..., k, k].

    Source: JCGM 100:2008, 5.2.2 and H.2.

    >>> shared = np.full((2, 2), 0.01)  # two resistors with the same reference
    >>> round(float(propagate(np.ones((1, 2)), shared)[0, 0]) ** 0.5, 3)
    0.2
    """
    return product(product(sensitivity, covariance), np.swapaxes(sensitivity, -1, -2))


def covariance(
    accuracies: Sequence[Accuracy],
    energy_mwh: Ints,
    hours: Floats | float,
    *,
    power_factor: float = ASSUMED_POWER_FACTOR,
) -> Floats:
    """Covariance V[T, n, n] in mWh^2 of the energies [T, n] of n instruments; `hours` is one number or [T].

    Instruments on one CT set share its error: their covariance is the product of their CT parts, with the sign of
    the product of the energies. Everything else is independent (JCGM 100:2008, F.1.2.3).
    """
    rows, n = energy_mwh.shape
    V = np.zeros((rows, n, n))
    signed = np.empty((rows, n))
    for i, accuracy in enumerate(accuracies):
        meter, ct, step = energy_uncertainty(energy_mwh[:, i], hours, accuracy, power_factor=power_factor)
        V[:, i, i] = meter * meter + ct * ct + step * step
        signed[:, i] = np.where(energy_mwh[:, i] < 0, -ct, ct)
    for i, first in enumerate(accuracies):
        for j, second in enumerate(accuracies):
            if i != j and first.ct_set is not None and first.ct_set == second.ct_set:
                V[:, i, j] = signed[:, i] * signed[:, j]
    return V
