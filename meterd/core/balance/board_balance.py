"""The balance of one board: feed side against outgoing side, its residual, its band, its verdict, and what closes it.

One balance cannot tell which meter is wrong, only whether the residual is larger than the instruments explain.
Energies are whole mWh and sum exactly; uncertainties are kept as whole microwatt-hours per interval, so that their sum
over a month is exact too and does not depend on how the month was cut.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from meterd.core.balance.estimate import Bytes, Estimate, of_intervals, of_periods
from meterd.core.balance.uncertainty import (
    COVERAGE,
    Accuracy,
    Floats,
    Ints,
    accuracy_of,
    clock_uncertainty,
    energy_uncertainty,
)
from meterd.core.model.plan import Board, Instrument, Point, PointState, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.row_groups import reduced
from meterd.core.registers.clock_offsets import Clocks, Steps, steps_of
from meterd.core.registers.register_line import Flag

Bools = npt.NDArray[np.bool_]

SIGN: dict[Role, int] = {Role.FEED: 1, Role.PV: 1, Role.BACKUP: 1, Role.STORAGE: 1, Role.FEEDER: -1}
EVER_MS = -(2**62)  # before any date
_UWH = 1000.0  # microwatt-hours in a milliwatt-hour
_HOUR_MS = 3_600_000.0
_NO_SET = -1
_AT_ONCE = 16_384  # numbers of some columns taken together: they stay in the processor's cache
_LACKING = {int(Flag.NO_IMPORT): f" {IMPORT}", int(Flag.NO_EXPORT): f" {EXPORT}"}
_ONE_LACKS = int(Flag.NO_IMPORT | Flag.NO_EXPORT)


class Verdict(IntEnum):
    """What a balance says; the words are those of topics and pages."""

    INSIDE = 0
    OUTSIDE = 1
    NOT_COMPUTABLE = 2

    @property
    def word(self) -> str:
        """`inside`, `outside` or `not computable`."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, slots=True)
class Term:
    """One point in a balance: +1 feed side, -1 outgoing.

    `accuracies` are (from_ms, until_ms or None, accuracy); where two hold, the later entry counts. `clock` says from when on
    the clock of its meter may be off by how many seconds.
    """

    point: str
    sign: int
    accuracies: tuple[tuple[int, int | None, Accuracy], ...]
    clock: Steps = ()

    def accuracy(self, at_ms: int) -> Accuracy:
        """The accuracy in force at a moment."""
        return next(
            accuracy
            for since, until, accuracy in reversed(self.accuracies)
            if since <= at_ms and (until is None or until > at_ms)
        )

    def clock_s(self, at_ms: int) -> int:
        """How far its clock may be off at a moment."""
        return next((off for since, off in reversed(self.clock) if since <= at_ms), 0)


@dataclass(frozen=True, slots=True)
class BoardTerms:
    """The terms of a board's balance and the points that are on it but not live yet."""

    board: str
    terms: tuple[Term, ...]
    uncovered: tuple[str, ...]

    @property
    def covered(self) -> int:
        """Number of points that count."""
        return len(self.terms)

    @property
    def of(self) -> int:
        """Number of points that will count once all are live."""
        return len(self.terms) + len(self.uncovered)


@dataclass(frozen=True, slots=True)
class BalanceInputs:
    """What a balance is computed from, rows by terms: energy in mWh, additive uncertainty parts in whole uWh.

    `ct_set` numbers the CT sets (-1 = none shared). `resolution` is the standard uncertainty in mWh of what happens at the
    two ends, steps of the register and a clock that is off: it does not add over rows.
    """

    energy: Ints
    meter: Ints
    ct: Ints
    ct_set: Ints
    resolution: Floats


@dataclass(frozen=True, slots=True)
class Balance:
    """Balances of one board, a row per period, a column per term. Energies in whole mWh.

    Where `computable` is false, `residual`, `band`, `reconciled` and `uncertainty` are 0 and mean nothing; likewise
    `feed` and `outgoing` where their `..._present` is false. `verdict` holds `Verdict` codes; where the sums are known and
    only estimated it is NOT_COMPUTABLE. `missing` marks the terms that were missing, `lacks` holds the flags that say which
    of their registers was. Reconciled flows close the balance to the mWh. `reconciled` and `uncertainty` have no rows where
    they were not asked for.
    """

    points: tuple[str, ...]
    feed: Ints
    feed_present: Bools
    outgoing: Ints
    outgoing_present: Bools
    residual: Ints
    band: Ints
    computable: Bools
    verdict: npt.NDArray[np.int8]
    missing: Bools
    reconciled: Ints
    uncertainty: Ints
    lacks: Bytes

    def word(self, row: int) -> str:
        """The verdict of one row in words."""
        return Verdict(int(self.verdict[row])).word

    def missing_points(self, row: int) -> tuple[str, ...]:
        """Names of the points that make one row not computable, with the register where only one of two is missing."""
        if not self.missing[row].any():
            return ()
        result = zip(self.points, self.missing[row], self.lacks[row].tolist(), strict=True)
        return tuple(f"{name}{_LACKING.get(flags & _ONE_LACKS, '')}" for name, gone, flags in result if gone)


def board_terms(site: Site, board: Board, clocks: Clocks | None = None) -> BoardTerms:
    """Terms of a board: its live and accepted points; retired ones are left out, the others are `uncovered`."""
    points = [point for point in site.on_board(board.name) if point.state is not PointState.RETIRED]
    terms = tuple(term_of(site, p, board, SIGN[p.role], clocks) for p in points if p.counts)
    return BoardTerms(board.name, terms, tuple(p.name for p in points if not p.counts))


def term_of(site: Site, point: Point, board: Board, sign: int, clocks: Clocks | None = None) -> Term:
    """A point as a term of a sum: with its instruments, and how far its clock may be off."""
    accuracies = tuple(_accuracies(site, point, board))
    return Term(point.name, sign, accuracies, steps_of(clocks or {}, point.name, site.limits.meter_clock_s))


def band_of(terms: Sequence[Term], inputs: BalanceInputs) -> Ints:
    """The expanded uncertainty (k = 2) of the signed sum of terms, mWh, row by row."""
    _, _, variance = _covariance_with_residual(terms, inputs)
    return np.ceil(COVERAGE * np.sqrt(variance)).astype(np.int64)


def _accuracies(site: Site, point: Point, board: Board) -> Iterator[tuple[int, int | None, Accuracy]]:
    yield EVER_MS, None, accuracy_of(point, None, board)  # for times no instrument of the plan covers
    secondary = any(row.per_ct for row in site.inputs_of(point.name))
    for instrument in site.instruments_of(point.name):
        factor = _ratio(instrument) if secondary else Fraction(1)
        yield instrument.from_ms, instrument.until_ms, accuracy_of(point, instrument, board, shown_factor=factor)


def _ratio(instrument: Instrument) -> Fraction:
    return instrument.ct_ratio or Fraction(1)


def interval_inputs(terms: Sequence[Term], start_ms: Ints, end_ms: Ints, energy: Ints) -> BalanceInputs:
    """Energies [T, n] with the uncertainty of each, by the instrument in force at the start of the interval."""
    if len(start_ms) == 1:
        return _inputs_of_one(terms, start_ms, end_ms, energy)
    # column by column in memory, since all work runs down the columns: halves the time of a year
    energy = np.asfortranarray(energy)
    meter, ct = np.zeros_like(energy), np.zeros_like(energy)
    resolution, sets = np.zeros(energy.shape, order="F"), np.full_like(energy, _NO_SET)
    number = {name: k for k, name in enumerate(_shared_sets(terms))}
    hours = (end_ms - start_ms) / _HOUR_MS
    for i, term in enumerate(terms):
        for rows, accuracy in _in_force(term, start_ms):
            m, c, q = energy_uncertainty(energy[rows, i], hours[rows], accuracy)
            meter[rows, i], ct[rows, i], resolution[rows, i] = np.rint(m * _UWH), np.rint(c * _UWH), q
            if term.clock:
                off = clock_uncertainty(energy[rows, i], hours[rows], _off_s(term.clock, start_ms[rows]), accuracy)
                resolution[rows, i] = np.sqrt(q * q + off * off)
            sets[rows, i] = number.get(accuracy.ct_set or "", _NO_SET)
    return BalanceInputs(energy, meter, ct, sets, resolution)


def _inputs_of_one(terms: Sequence[Term], start_ms: Ints, end_ms: Ints, energy: Ints) -> BalanceInputs:
    """The same of one interval, bit for bit: terms of one accuracy at once, since a call for each takes 1 s for 5,000."""
    at_ms, hours = int(start_ms[0]), (end_ms - start_ms) / _HOUR_MS
    meter, ct, sets = np.zeros_like(energy), np.zeros_like(energy), np.full_like(energy, _NO_SET)
    resolution = np.zeros(energy.shape)
    number = {name: k for k, name in enumerate(_shared_sets(terms))}
    alike: dict[Accuracy, list[int]] = {}
    for i, term in enumerate(terms):
        alike.setdefault(term.accuracy(at_ms), []).append(i)
    for accuracy, places in alike.items():
        mine = energy[0, places]
        m, c, q = energy_uncertainty(mine, hours, accuracy)
        off_s = np.array([terms[i].clock_s(at_ms) for i in places], dtype=np.float64)
        off = clock_uncertainty(mine, hours, off_s, accuracy)
        meter[0, places], ct[0, places] = np.rint(m * _UWH), np.rint(c * _UWH)
        timed = np.array([bool(terms[i].clock) for i in places])
        resolution[0, places] = np.where(timed, np.sqrt(q * q + off * off), q)
        sets[0, places] = number.get(accuracy.ct_set or "", _NO_SET)
    return BalanceInputs(energy, meter, ct, sets, resolution)


def _off_s(clock: Steps, start_ms: Ints) -> Floats:
    """Seconds that a clock may be off, by the step in force at each start."""
    since = np.array([at for at, _ in clock], dtype=np.int64)
    off = np.array([0, *(seconds for _, seconds in clock)], dtype=np.float64)
    result: Floats = off[np.searchsorted(since, start_ms, side="right")]
    return result


def _in_force(term: Term, start_ms: Ints) -> Iterator[tuple[slice | Bools, Accuracy]]:
    """Rows and accuracy of the entries that matter: of those that cover every row, only the last."""
    if not len(start_ms):
        return
    low, high = int(start_ms.min()), int(start_ms.max())
    spans = [(begin, 2**62 if until is None else until, accuracy) for begin, until, accuracy in term.accuracies]
    touching = [span for span in spans if span[0] <= high and span[1] > low]
    whole = [k for k, (begin, until, _) in enumerate(touching) if begin <= low and until > high]
    for k, (begin, until, accuracy) in enumerate(touching):
        if k in whole[-1:]:
            yield slice(None), accuracy
        elif k > max(whole, default=-1):
            yield (start_ms >= begin) & (start_ms < until), accuracy


def _shared_sets(terms: Sequence[Term]) -> list[str]:
    """Names of the CT sets that more than one term ever uses; a set of one needs no covariance."""
    used = Counter(name for term in terms for name in {a.ct_set for _, _, a in term.accuracies if a.ct_set})
    return sorted(name for name, times in used.items() if times > 1)


def period_inputs(inputs: BalanceInputs, first: Ints) -> BalanceInputs:
    """Parts of longer periods: rows from each `first` up to the next are summed.

    Ratio parts add linearly, since a ratio error does not average out; resolution counts once, at the two ends.
    The CT set is that at the start of the period.
    """
    if not len(first) or first[0] != 0 or np.any(np.diff(first) <= 0):
        raise ValueError("periods must begin at row 0 and at rising rows, each with at least one interval")
    return BalanceInputs(
        reduced(np.add, inputs.energy, first),
        reduced(np.add, inputs.meter, first),
        reduced(np.add, inputs.ct, first),
        inputs.ct_set[first],
        reduced(np.maximum, inputs.resolution, first),
    )


def balance(
    terms: Sequence[Term], start_ms: Ints, end_ms: Ints, energy: Ints, present: Bools, *, flags: Bytes | None = None
) -> Balance:
    """Balances of the periods [start, end), one row each, from energies [T, n] (import less export) in mWh.

    What stands in `energy` where `present` is false is ignored. A term that is missing makes its side missing and the
    row not computable, never smaller. With `flags` of the energies an estimated row has no verdict.
    """
    inputs = interval_inputs(terms, start_ms, end_ms, np.where(present, energy, 0))
    return balance_of(terms, inputs, present, None if flags is None else of_intervals(flags), flags)


def period_balance(
    terms: Sequence[Term], start_ms: Ints, end_ms: Ints, energy: Ints, present: Bools, *, first: Ints | None = None,
    flags: Bytes | None = None,
) -> Balance:  # fmt: skip
    """Balances of longer periods from the rows of all their intervals; `first` are the rows where periods begin.

    Without `first` all rows are one period. The rows must hold every interval of a period, missing ones included. With
    `flags` of the energies the band holds what estimated ends may hide, or there is no verdict.
    """
    begin = np.zeros(1, dtype=np.int64) if first is None else first
    known = np.where(present, energy, 0)
    inputs = period_inputs(interval_inputs(terms, start_ms, end_ms, known), begin)
    estimate = None if flags is None else of_periods(known, flags, begin, start_ms, end_ms)
    lacks = None if flags is None else np.bitwise_or.reduceat(np.where(present, 0, flags), begin, axis=0)
    return balance_of(terms, inputs, np.logical_and.reduceat(present, begin, axis=0), estimate, lacks)


def balance_of(
    terms: Sequence[Term],
    inputs: BalanceInputs,
    present: Bools,
    estimate: Estimate | None = None,
    lacks: Bytes | None = None,
    *,
    flows: bool = True,
    uncertainty: bool = True,
) -> Balance:
    """Balances from parts already made, of intervals or of longer periods; missing terms must stand there with 0.

    Reconciled flows and their uncertainty are made where asked for.
    """
    feed, feed_present = _side(terms, 1, inputs.energy, present)
    outgoing, outgoing_present = _side(terms, -1, inputs.energy, present)
    computable = feed_present & outgoing_present
    residual = np.where(computable, feed - outgoing, 0)
    gains, own, variance = _covariance_with_residual(terms, inputs)
    band = np.where(computable, np.ceil(COVERAGE * np.sqrt(variance)), 0).astype(np.int64)
    judged = computable
    if estimate is not None:
        band = np.where(computable, band + estimate.allowance, 0)
        judged = computable & ~estimate.open
    verdict = np.where(np.abs(residual) <= band, np.int8(Verdict.INSIDE), np.int8(Verdict.OUTSIDE))
    reconciled = left = np.zeros((0, len(terms)), dtype=np.int64)
    if flows:
        reconciled = _reconciled(terms, inputs.energy, residual, gains=gains, variance=variance) * computable[:, None]
    if uncertainty:
        left = _uncertainty(gains, own, variance) * computable[:, None]
    return Balance(
        points=tuple(term.point for term in terms),
        feed=feed,
        feed_present=feed_present,
        outgoing=outgoing,
        outgoing_present=outgoing_present,
        residual=residual,
        band=band,
        computable=computable,
        verdict=np.where(judged, verdict, np.int8(Verdict.NOT_COMPUTABLE)),
        missing=~present,
        reconciled=reconciled,
        uncertainty=left,
        lacks=np.zeros(present.shape, dtype=np.uint8) if lacks is None else lacks,
    )


def _side(terms: Sequence[Term], sign: int, energy: Ints, present: Bools) -> tuple[Ints, Bools]:
    """Sum of one side and whether it is complete; a side without any term is not."""
    columns = [i for i, term in enumerate(terms) if term.sign == sign]
    total = np.zeros(len(energy), dtype=np.int64)
    complete: Bools = np.full(len(energy), bool(columns))
    for i in columns:
        total = total + energy[:, i]
        complete = complete & present[:, i]
    return np.where(complete, total, 0), complete


def _covariance_with_residual(terms: Sequence[Term], inputs: BalanceInputs) -> tuple[Floats, Floats, Floats]:
    """(V a [T, n], diagonal of V [T, n], a' V a [T]) in mWh^2, with a the signs: all a single balance needs of V."""
    rows, n = inputs.energy.shape
    gains, own, variance = np.empty((rows, n), order="F"), np.empty((rows, n), order="F"), np.zeros(rows)
    signed = np.where(inputs.energy < 0, -inputs.ct, inputs.ct) / _UWH
    highest = int(inputs.ct_set.max(initial=_NO_SET))
    used = [{k for k in range(highest + 1) if (inputs.ct_set[:, i] == k).any()} for i in range(n)]
    shared = {k: _shared_sum(k, terms, inputs, signed=signed, used=used) for k in sorted(set().union(*used))}
    signs = np.array([term.sign for term in terms], dtype=np.float64)
    width = max(1, _AT_ONCE // rows) if rows else n
    for low in range(0, n, width):
        part = slice(low, low + width)
        sign, ct, step = signs[part], signed[:, part], inputs.resolution[:, part]
        meter = inputs.meter[:, part] / _UWH
        alone = meter * meter + step * step
        with_set = sign * ct
        for k, total in shared.items():
            if any(k in item for item in used[part]):
                with_set = np.where(inputs.ct_set[:, part] == k, total[:, None], with_set)
        own[:, part] = alone + ct * ct
        gains[:, part] = sign * alone + ct * with_set
    for i, term in enumerate(terms):  # one after the other: the same bits for one row and many
        variance = variance + term.sign * gains[:, i]
    return gains, own, np.maximum(variance, 0.0)


def _shared_sum(
    k: int, terms: Sequence[Term], inputs: BalanceInputs, *, signed: Floats, used: Sequence[set[int]]
) -> Floats:
    """Signed sum [T] of the CT parts of one shared set."""
    total = np.zeros(len(signed))
    for i, term in enumerate(terms):
        if k in used[i]:
            total = total + np.where(inputs.ct_set[:, i] == k, term.sign * signed[:, i], 0.0)
    return total


def _uncertainty(gains: Floats, own: Floats, variance: Floats) -> Ints:
    """Standard uncertainty of the reconciled flows, sqrt(V_ii - (V a)_i^2 / (a' V a)), up to whole mWh."""
    divisor = np.where(variance > 0, variance, 1.0)[:, None]
    left = np.maximum(own - gains * gains / divisor, 0.0)
    return np.ceil(np.sqrt(left)).astype(np.int64)


def _reconciled(terms: Sequence[Term], energy: Ints, residual: Ints, *, gains: Floats, variance: Floats) -> Ints:
    """Least-squares flows y - V a r / (a' V a) in whole mWh, so rounded that their balance is exactly zero."""
    if not terms:
        return energy.copy()
    signs = np.array([term.sign for term in terms], dtype=np.int64)
    weight = np.where(variance > 0, variance, 1.0)[:, None]
    wanted = (signs * gains / weight) * (-residual)[:, None]
    order = np.array(sorted(range(len(terms)), key=lambda i: terms[i].point))
    return energy + signs * round_to_sum(wanted, -residual, order)


def round_to_sum(wanted: Floats, total: Ints, order: Ints) -> Ints:
    """Whole numbers near `wanted` [T, n] that sum to `total` [T]: largest remainder, ties in the given column order.

    >>> round_to_sum(np.array([[100 / 3] * 3]), np.array([100]), np.arange(3)).tolist()
    [[34, 33, 33]]
    """
    low = np.floor(wanted)
    whole = low.astype(np.int64)
    rest = total - whole.sum(axis=1)  # integers: exact in any order
    everyone, some = np.divmod(rest, wanted.shape[1])
    nearest: Ints = whole + everyone[:, None]
    rows = np.flatnonzero(some)
    if len(rows):
        nearest[rows] += _largest((wanted - low)[rows], some[rows], order)
    return nearest


def _largest(parts: Floats, count: Ints, order: Ints) -> Bools:
    """The `count` [T] largest of each row, at least one; of equal ones the first in the given order.

    Values are sorted, not places: only where some of several equal ones are taken does their order matter.
    """
    ordered = np.sort(parts, axis=1)
    least = ordered[np.arange(len(parts)), parts.shape[1] - count][:, None]
    above, equal = parts > least, parts == least
    left = count - above.sum(axis=1)
    tied = np.flatnonzero(equal.sum(axis=1) > left)
    if len(tied):
        several = equal[tied][:, order]
        equal[tied[:, None], order] = several & (np.cumsum(several, axis=1) <= left[tied][:, None])
    return np.asarray(above | equal)
