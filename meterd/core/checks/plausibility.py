"""What one point says about itself: register against power, sign against role, balance of phases, power factor. Pure.

None of it is a verdict on the instrument: it compares what the point sends with itself and with what the plan says.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

import numpy as np

from meterd.core.balance.uncertainty import COVERAGE, Accuracy, Floats, Ints, accuracy_of, energy_uncertainty
from meterd.core.model.periods import HOUR_MS
from meterd.core.model.plan import Board, Point, Role, Site

LONGEST_GAP_MS = 120_000  # between two powers further apart than this nothing is summed
COVERED = 0.9  # share of an interval that must be summed before it is compared
NOTHING = (
    0.01  # of the energy along the arrow: less against it is the standby of an inverter or the noise of an idle feeder
)
IDLE_W = 50.0  # a negative power up to this is the noise of an idle meter
_LIMIT = math.sqrt(3)  # limit of a rectangular bound over its standard uncertainty


@dataclass(frozen=True, slots=True)
class PowerSum:
    """Power summed over a stretch of time: energy, standard uncertainty of the sampling, both mWh, and the share covered."""

    energy_mwh: int
    sampling_mwh: float
    covered: float


def summed_power(times: Ints, watts: Floats, start_ms: int, end_ms: int) -> PowerSum | None:
    """Sum of sampled power from start to end, by the trapezoids between samples no further apart than `LONGEST_GAP_MS`.

    Between two samples the power may have changed at any moment: the error of a trapezoid is then rectangular with half
    width |w2 - w1| dt / 2, its standard uncertainty |w2 - w1| dt / sqrt(12). Samples just outside are used for the ends.
    None without a single stretch. Samples are sorted by time; two of the same moment are taken as they come.

    >>> flat = summed_power(np.arange(0, 910_000, 10_000), np.full(91, 4000.0), 0, 900_000)
    >>> flat.energy_mwh, flat.sampling_mwh, flat.covered
    (1000000, 0.0, 1.0)
    """
    if len(times) < 2:
        return None
    t0, t1, w0, w1 = times[:-1], times[1:], watts[:-1], watts[1:]
    used = (t1 > t0) & (t1 - t0 <= LONGEST_GAP_MS) & (t1 > start_ms) & (t0 < end_ms)
    if not bool(used.any()):
        return None
    t0, t1, w0, w1 = t0[used], t1[used], w0[used], w1[used]
    low, high = np.maximum(t0, start_ms), np.minimum(t1, end_ms)
    slope = (w1 - w0) / (t1 - t0)
    middle = w0 + slope * ((low + high) / 2 - t0)
    length = (high - low).astype(np.float64)
    energy = math.fsum((middle * length).tolist()) * 1000 / HOUR_MS
    scatter = np.abs(w1 - w0) * length / math.sqrt(12)
    return PowerSum(
        round(energy),
        math.sqrt(math.fsum((scatter * scatter).tolist())) * 1000 / HOUR_MS,
        float(length.sum() / (end_ms - start_ms)),
    )


class ComparisonVerdict(StrEnum):
    """What the comparison of one interval says."""

    AGREES = "agrees"
    DIFFERS = "differs"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Register against power in one interval: energies along the arrow, their difference and what is allowed, mWh."""

    start_ms: int
    end_ms: int
    register_mwh: int | None
    power_mwh: int | None
    allowed_mwh: int | None
    covered: float
    word: ComparisonVerdict

    @property
    def difference_mwh(self) -> int | None:
        """Register less power."""
        if self.register_mwh is None or self.power_mwh is None:
            return None
        return self.register_mwh - self.power_mwh


def compare(register_mwh: int | None, power: PowerSum | None, span: tuple[int, int], accuracy: Accuracy) -> Comparison:
    """One interval of a register against the power summed over it.

    Both come from one instrument, so its current transformers cancel. Allowed are the class limit of the meter at that
    energy, two steps of its register, and `COVERAGE` times the uncertainty of the sampling.
    """
    start, end = span
    if register_mwh is None or power is None or power.covered < COVERED:
        covered = 0.0 if power is None else power.covered
        return Comparison(start, end, register_mwh, None, None, covered, ComparisonVerdict.UNKNOWN)
    # what was not summed is taken to be like the rest; it is a tenth at most
    whole = round(power.energy_mwh / power.covered)
    meter, _, _ = energy_uncertainty(np.array([register_mwh]), (end - start) / HOUR_MS, accuracy)
    allowed = _LIMIT * float(meter[0]) + 2 * accuracy.resolution_mwh + COVERAGE * power.sampling_mwh / power.covered
    word = ComparisonVerdict.AGREES if abs(register_mwh - whole) <= allowed else ComparisonVerdict.DIFFERS
    return Comparison(start, end, register_mwh, whole, math.ceil(allowed), power.covered, word)


def imbalance(values: Sequence[float]) -> float | None:
    """Largest deviation of a phase from the mean of the three, as a ratio of the mean; None without three or at zero.

    Of magnitudes, without angles (common practice; the unbalance factor of IEC 61000-4-30 needs the angles too).

    >>> round(imbalance([10.0, 10.0, 13.0]), 3)
    0.182
    """
    mean = math.fsum(values) / 3
    if len(values) != 3 or mean <= 0:
        return None
    return max(abs(value - mean) for value in values) / mean


def power_factor(active: float, reactive: float) -> float | None:
    """Power factor of summed active and reactive energies (or powers of one moment): P / sqrt(P^2 + Q^2), None at zero.

    Never the mean of several power factors.

    >>> power_factor(3.0, 4.0)
    0.6
    """
    apparent = math.hypot(active, reactive)
    return active / apparent if apparent else None


class DirectionVerdict(StrEnum):
    """What the direction of energy and power says beside the role of a point."""

    AS_DRAWN = "as-drawn"
    EXPLAINED = "explained"  # a feeder exports, and the plan has a source below it
    FEEDER_EXPORTS = "feeder-exports"
    FEED_EXPORTS = "feed-exports"  # the site feeds in, without any PV in the plan
    SOURCE_CONSUMES = "source-consumes"
    DISAGREES = "disagrees"  # power and register point in opposite directions
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Flow:
    """Energies of some days along and against the arrow, mWh (None = not read or not known), and the power now in W.

    `opposed` says that register and power of the same interval point in opposite directions (`opposed`).
    """

    along_mwh: int | None
    against_mwh: int | None
    power_w: float | None
    opposed: bool = False


def opposed(comparisons: Sequence[Comparison]) -> bool:
    """Whether the newest comparison that says something has register and power in opposite directions."""
    for comparison in reversed(comparisons):
        if (
            comparison.word is not ComparisonVerdict.UNKNOWN
            and comparison.register_mwh is not None
            and comparison.power_mwh is not None
        ):
            return comparison.word is ComparisonVerdict.DIFFERS and comparison.register_mwh * comparison.power_mwh < 0
    return False


def sign(role: Role, flow: Flow, *, source_below: bool, site_has_pv: bool) -> DirectionVerdict:
    """Whether the directions fit the role. `source_below`: the plan has PV, storage or another source below this point."""
    if flow.opposed:
        return DirectionVerdict.DISAGREES
    along, against = flow.along_mwh or 0, flow.against_mwh or 0
    if not along and not against and not flow.power_w:
        return DirectionVerdict.UNKNOWN
    if role in (Role.PV, Role.BACKUP):
        return DirectionVerdict.SOURCE_CONSUMES if against > along else DirectionVerdict.AS_DRAWN
    backwards = against > NOTHING * (along + against) or (flow.power_w is not None and flow.power_w < -IDLE_W)
    if role is Role.STORAGE or not backwards:
        return DirectionVerdict.AS_DRAWN
    if role is Role.FEED:
        return DirectionVerdict.AS_DRAWN if site_has_pv else DirectionVerdict.FEED_EXPORTS
    return DirectionVerdict.EXPLAINED if source_below else DirectionVerdict.FEEDER_EXPORTS


def accuracy_at(site: Site, point: Point, at_ms: int) -> Accuracy:
    """The accuracy of the instrument fitted at a moment; the stated defaults where the plan has none then."""
    began = (instrument for instrument in site.instruments_of(point.name) if instrument.from_ms <= at_ms)
    instrument = next(
        (instrument for instrument in began if instrument.until_ms is None or at_ms < instrument.until_ms), None
    )
    board = next((board for board in site.boards if board.name == point.board), Board(point.board))
    secondary = any(row.per_ct for row in site.inputs_of(point.name))
    ratio = instrument.ct_ratio if instrument is not None and secondary else None
    return accuracy_of(point, instrument, board, shown_factor=ratio or Fraction(1))


def has_source_below(site: Site, point: Point) -> bool:
    """Whether the plan has PV, storage or another source behind a point: below it, or on a board that it feeds."""
    sources = (Role.PV, Role.STORAGE, Role.BACKUP)
    fed = {board.name for board in site.boards if board.fed_by == point.name}
    return any(item.role in sources and (item.below == point.name or item.board in fed) for item in site.points)
