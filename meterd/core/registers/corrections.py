"""Dated corrections of a ratio: what was read stays as it is, the energy made of it is multiplied between two moments.

A correction changes nothing of what a register is believed to have done (rollover, reset, freeze): it enters after that,
where energies are read off the line of breakpoints. Before its beginning and after its end every energy is what it was.

    inside a stretch of factor F    energy(a, b) = g(A + V(b) - V(a)) - g(A),    g(x) = floor(F x + 1/2)

V is the total at a moment, A what the register itself has counted there, both in whole mWh. As A goes on with V, sums
inside a stretch telescope: a month is F times its energy to the mWh, not 2,976 roundings away from it. A rollover or an
exchange inside costs one more rounding, at most 1 mWh. Nothing depends on where a register was begun to be followed, or on
the order in which corrections were entered.
"""

import re
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np

from meterd.core.errors import ConfigError
from meterd.core.model.distinct import distinct
from meterd.core.model.written import plain_number
from meterd.core.registers.register_line import Breakpoints, Edge, Figures, Flag, Ints
from meterd.core.registers.tracker import Rule

FOREVER_MS = 2**62
# facts of a store: corrections whose closed figures are still to be recalculated, as JSON; and from when figures can be made
# again at all, because before it not all of their readings are in the journal any more
CORRECTING, FIGURES_FROM = "correcting", "figures_from_ms"
LARGEST = 10_000  # a transformer of 2500/1 A that was left out is 2500; beyond this it is a slip of the keyboard
_DECIMAL = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,12})?\Z")
_RATIO = re.compile(r"[0-9]{1,9}/[0-9]{1,9}\Z")
_SHOWN = re.compile(r"[0-9]{1,15}(?:\.[0-9]{1,3})?\Z")
STRUCK = "strike"  # said of a reading that is to be left out
Edits = Mapping[int, int | None]  # moment of a reading -> what it reads (milli-units as shown), None = left out


@dataclass(frozen=True, slots=True)
class Correction:
    """One correction of one register of a point, from `from_ms` until `until_ms` (exclusive; None = for good).

    `factor` is the text as it was entered, true energy over energy as read. With `reads` it is instead the reading of the
    moment `from_ms` that is corrected: what it should have shown (in the base unit, as shown), or `STRUCK`. A withdrawn
    correction stays in the stored figures.
    """

    id: int
    point: str
    register: str
    from_ms: int
    until_ms: int | None
    factor: str
    reason: str
    person: str
    made_ms: int
    withdrawn_ms: int | None = None
    withdrawn_by: str = ""
    withdrawn_reason: str = ""
    reads: str = ""

    @property
    def end_ms(self) -> int:
        """Its end as a moment."""
        return FOREVER_MS if self.until_ms is None else self.until_ms

    @property
    def reach_ms(self) -> int:
        """Up to when energies may change: a reading can decide how every later one is understood."""
        return FOREVER_MS if self.reads else self.end_ms


@dataclass(frozen=True, slots=True)
class ChangedFigure:
    """Something that a correction makes different: what it is, its period, whose; before and after in mWh or words.

    None is missing. `what` is energy, balance, pv, pv-shares, cost-allocation, finding or issued (a document).
    """

    what: str
    period: str
    subject: str
    before: int | str | None
    after: int | str | None


@dataclass(frozen=True, slots=True)
class CorrectionPreview:
    """What a correction would change. `doubtful_ms` are those of its ends that lie between readings far apart."""

    figures: tuple[ChangedFigure, ...]
    doubtful_ms: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CorrectionSegment:
    """A time in which one factor applies, from `from_ms` until `until_ms` (exclusive)."""

    from_ms: int
    until_ms: int
    factor: Fraction


def written_factor(text: str) -> str:
    """A factor as it is stored, from one with a decimal comma too; ConfigError for what fits two readings or is none.

    >>> written_factor(" 1,05 "), written_factor("250/200")
    ('1.05', '250/200')
    """
    try:
        factor = plain_number(text.strip())
    except ValueError as exc:
        raise ConfigError(f"factor {exc}") from exc
    factor_of(factor)
    return factor


def factor_of(text: str) -> Fraction:
    """The exact factor a person wrote, as a decimal number or as a ratio; ConfigError says what would be right.

    >>> factor_of("1.0204"), factor_of("5/3")
    (Fraction(2551, 2500), Fraction(5, 3))
    """
    right = "write true energy over energy as read, such as 1.0204, 3 or 250/200"
    if not (_DECIMAL.match(text) or _RATIO.match(text)) or text.endswith("/0"):
        raise ConfigError(f"{text[:40]!r} is not a factor; {right}")
    try:
        factor = Fraction(text)
    except ZeroDivisionError as exc:
        raise ConfigError(f"{text[:40]!r} divides by zero; {right}") from exc
    if not Fraction(1, LARGEST) <= factor <= LARGEST:
        raise ConfigError(f"factor {text} is not between 1/{LARGEST} and {LARGEST}; {right}")
    if factor == 1:
        raise ConfigError("factor 1 changes nothing")
    return factor


def shown_of(text: str) -> int | None:
    """What a corrected reading shows, in milli-units; None if it is left out. ConfigError for what is no reading.

    >>> shown_of("12000.5"), shown_of("strike")
    (12000500, None)
    """
    if text == STRUCK:
        return None
    if not _SHOWN.match(text):
        raise ConfigError(f"{text[:40]!r} is not what a register shows; write it in its base unit, such as 12000.5")
    return int(Fraction(text) * 1000)


def edits(corrections: Iterable[Correction]) -> dict[int, int | None]:
    """The readings of one register that are corrected, by their moment. Of several corrections of one the newest decides.

    Withdrawn ones do not count: with the newest withdrawn the one before it decides again.
    """
    some = (c for c in corrections if c.reads and c.withdrawn_ms is None)
    return {c.from_ms: shown_of(c.reads) for c in sorted(some, key=lambda c: c.id)}


def edited(times: Ints, shown: Ints, edits: Edits) -> tuple[Ints, Ints]:
    """Readings sorted by (time, value), with the corrected ones in the place of all that are stored of their moments."""
    hit = np.isin(times, np.array(list(edits), dtype=np.int64)) if edits else np.zeros(0, dtype=np.bool_)
    if not hit.any():
        return times, shown
    wanted = [(t, value) for t in distinct(times[hit]).tolist() if (value := edits[t]) is not None]
    table = np.array(wanted, dtype=np.int64).reshape(-1, 2)
    at, values = np.concatenate([times[~hit], table[:, 0]]), np.concatenate([shown[~hit], table[:, 1]])
    order = np.argsort(at, kind="stable")  # a corrected moment has one value only
    return at[order], values[order]


def edited_pairs(pairs: Iterable[tuple[int, int]], edits: Edits) -> list[tuple[int, int]]:
    """The same for a few readings (time, value) in any order; sorted."""
    if not edits:
        return sorted(pairs)
    results = {(t, edits.get(t, value)) for t, value in pairs}
    return sorted((t, value) for t, value in results if value is not None)


def correction_segments(corrections: Iterable[Correction]) -> tuple[CorrectionSegment, ...]:
    """The times in which the corrections of one register change something, in order. Where several overlap they multiply.

    Withdrawn ones and those of single readings do not count. Times of one factor that follow each other are one stretch.
    """
    active = [(c.from_ms, c.end_ms, factor_of(c.factor)) for c in corrections if c.withdrawn_ms is None and not c.reads]
    moments = sorted({moment for low, high, _ in active for moment in (low, high)})
    results: list[CorrectionSegment] = []
    for low, high in pairwise(moments):
        factor = Fraction(1)
        for begin, end, item in active:
            if begin <= low < end:
                factor *= item
        if results and results[-1].until_ms == low and results[-1].factor == factor:
            results[-1] = replace(results[-1], until_ms=high)
        elif factor != 1:
            results.append(CorrectionSegment(low, high, factor))
    return tuple(results)


def corrected(
    figures: Figures,
    breakpoints: Breakpoints,
    rules: Sequence[Rule],
    segments: Iterable[CorrectionSegment],
    *,
    interval_ms: int,
    gap_ms: int,
) -> Figures:
    """The figures of one register with its corrections.

    `breakpoints` must hold what the registers showed (not a `RegisterLine`). An interval in which a correction begins or
    ends between
    readings further apart than `gap_ms` is estimated.
    """
    if not len(figures.start_ms):
        return figures
    first, count = int(figures.start_ms[0]), len(figures.start_ms)
    energy, flags = figures.energy, figures.flags
    for segment in segments:
        low = max(0, (segment.from_ms - first) // interval_ms)
        high = min(count, -((first - segment.until_ms) // interval_ms))
        if low >= high:
            continue
        energy, flags = energy.copy(), flags.copy()
        edges = [first + i * interval_ms for i in range(low, high + 1)]
        cut = [(max(a, segment.from_ms), min(b, segment.until_ms)) for a, b in pairwise(edges)]
        gains = _gains(breakpoints, rules, segment.factor, cut)
        energy[low:high] += np.where(figures.present[low:high], np.array(gains, dtype=np.int64), 0)
        for moment in (segment.from_ms, segment.until_ms):
            i, inside = divmod(moment - first, interval_ms)
            if inside and 0 <= i < count and figures.present[i] and is_estimated(breakpoints, moment, gap_ms):
                flags[i] |= Flag.START | Flag.END
    return replace(figures, energy=energy, flags=flags)


def gain_between(
    breakpoints: Breakpoints, rules: Sequence[Rule], segments: Iterable[CorrectionSegment], from_ms: int, until_ms: int
) -> int:
    """What the corrections add to the energy between two moments, mWh; nothing where the energy is not known."""
    total = 0
    for segment in segments:
        low, high = max(from_ms, segment.from_ms), min(until_ms, segment.until_ms)
        if low < high:
            total += _gains(breakpoints, rules, segment.factor, [(low, high)])[0]
    return total


def is_estimated(breakpoints: Breakpoints, at_ms: int, gap_ms: int) -> bool:
    """Whether the total at a moment is an estimate: between readings further apart than `gap_ms`, or of unknown shape."""
    index = bisect_right(breakpoints.t, at_ms) - 1
    if index < 0 or index + 1 >= len(breakpoints.t) or breakpoints.t[index] == at_ms:
        return False
    return breakpoints.t[index + 1] - breakpoints.t[index] > gap_ms or breakpoints.edge[index + 1] in (
        Edge.ESTIMATED,
        Edge.BOUND,
    )


def _gains(
    breakpoints: Breakpoints, rules: Sequence[Rule], factor: Fraction, spans: Sequence[tuple[int, int]]
) -> list[int]:
    """For each span what the factor adds to its energy; 0 where an end is not known. Spans may share their ends."""
    n, d = factor.numerator, factor.denominator
    known: dict[int, tuple[int, int] | None] = {}
    gains = []
    for low, high in spans:
        for moment in (low, high):
            if moment not in known:
                known[moment] = _counted(breakpoints, rules, moment)
        start, end = known[low], known[high]
        if start is None or end is None:
            gains.append(0)
            continue
        rise, shown = end[0] - start[0], start[1]
        after, before = (2 * n * (shown + rise) + d) // (2 * d), (2 * n * shown + d) // (2 * d)
        gains.append(after - before - rise)
    return gains


def _counted(breakpoints: Breakpoints, rules: Sequence[Rule], at_ms: int) -> tuple[int, int] | None:
    """Total at a moment, and what the register of the instrument fitted then had counted, both mWh; None if not known."""
    total = breakpoints.total_at(at_ms)
    if total is None:
        return None
    index = bisect_right(breakpoints.t, at_ms) - 1
    since = breakpoints.t[index]
    rule = next((rule for rule in reversed(rules) if rule.from_ms <= since), rules[0])
    return total, rule.mwh(breakpoints.raw[index]) + total - breakpoints.total[index]
