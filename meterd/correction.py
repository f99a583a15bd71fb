"""Dated corrections of a ratio: what was read stays as it is, the energy made of it is multiplied between two moments.

A correction changes nothing of what a register is believed to have done (rollover, reset, freeze): it enters after that,
where energies are read off the line of knots. Before its beginning and after its end every energy is what it was.

    inside a stretch of factor F    energy(a, b) = g(A + V(b) - V(a)) - g(A),    g(x) = floor(F x + 1/2)

V is the total at a moment, A what the register itself has counted there, both in whole mWh. As A goes on with V, sums
inside a stretch telescope: a month is F times its energy to the mWh, not 2,976 roundings away from it. A rollover or an
exchange inside costs one more rounding, at most 1 mWh. Nothing depends on where a register was begun to be followed, or on
the order in which corrections were entered.
"""

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np

from meterd.errors import ConfigError
from meterd.knots import Edge, Figures, Flag, Knots
from meterd.register import Rule

FOREVER_MS = 2**62
LARGEST = 10_000  # a transformer of 2500/1 A that was left out is 2500; beyond this it is a slip of the keyboard
_DECIMAL = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,12})?\Z")
_RATIO = re.compile(r"[0-9]{1,9}/[0-9]{1,9}\Z")


@dataclass(frozen=True, slots=True)
class Correction:
    """One correction of one register of a point, from `from_ms` until `until_ms` (exclusive; None = for good).

    `factor` is the text as it was entered, true energy over energy as read. A withdrawn correction stays in the books.
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

    @property
    def end_ms(self) -> int:
        """Its end as a moment."""
        return FOREVER_MS if self.until_ms is None else self.until_ms


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time in which one factor applies, from `from_ms` until `until_ms` (exclusive)."""

    from_ms: int
    until_ms: int
    factor: Fraction


def factor_of(words: str) -> Fraction:
    """The exact factor a person wrote, as a decimal number or as a ratio; ConfigError says what would be right.

    >>> factor_of("1.0204"), factor_of("5/3")
    (Fraction(2551, 2500), Fraction(5, 3))
    """
    right = "write true energy over energy as read, such as 1.0204, 3 or 250/200"
    if not (_DECIMAL.match(words) or _RATIO.match(words)) or words.endswith("/0"):
        raise ConfigError(f"{words[:40]!r} is not a factor; {right}")
    try:
        factor = Fraction(words)
    except ZeroDivisionError as exc:
        raise ConfigError(f"{words[:40]!r} divides by zero; {right}") from exc
    if not Fraction(1, LARGEST) <= factor <= LARGEST:
        raise ConfigError(f"factor {words} is not between 1/{LARGEST} and {LARGEST}; {right}")
    if factor == 1:
        raise ConfigError("factor 1 changes nothing")
    return factor


def stretches(corrections: Iterable[Correction]) -> tuple[Stretch, ...]:
    """The times in which the corrections of one register change something, in order. Where several overlap they multiply.

    Withdrawn ones do not count. Times of one factor that follow each other are one stretch.
    """
    active = [(c.from_ms, c.end_ms, factor_of(c.factor)) for c in corrections if c.withdrawn_ms is None]
    moments = sorted({moment for low, high, _ in active for moment in (low, high)})
    found: list[Stretch] = []
    for low, high in pairwise(moments):
        factor = Fraction(1)
        for begin, end, one in active:
            if begin <= low < end:
                factor *= one
        if found and found[-1].until_ms == low and found[-1].factor == factor:
            found[-1] = replace(found[-1], until_ms=high)
        elif factor != 1:
            found.append(Stretch(low, high, factor))
    return tuple(found)


def corrected(
    found: Figures, knots: Knots, rules: Sequence[Rule], stretches: Iterable[Stretch], *, interval_ms: int, gap_ms: int
) -> Figures:
    """The figures of one register with its corrections.

    `knots` must hold what the registers showed (not a `Line`). An interval in which a correction begins or ends between
    readings further apart than `gap_ms` is estimated.
    """
    if not len(found.start_ms):
        return found
    first, count = int(found.start_ms[0]), len(found.start_ms)
    energy, flags = found.energy, found.flags
    for stretch in stretches:
        low = max(0, (stretch.from_ms - first) // interval_ms)
        high = min(count, -((first - stretch.until_ms) // interval_ms))
        if low >= high:
            continue
        energy, flags = energy.copy(), flags.copy()
        edges = [first + i * interval_ms for i in range(low, high + 1)]
        cut = [(max(a, stretch.from_ms), min(b, stretch.until_ms)) for a, b in pairwise(edges)]
        gains = _gains(knots, rules, stretch.factor, cut)
        energy[low:high] += np.where(found.present[low:high], np.array(gains, dtype=np.int64), 0)
        for moment in (stretch.from_ms, stretch.until_ms):
            i, inside = divmod(moment - first, interval_ms)
            if inside and 0 <= i < count and found.present[i] and guessed(knots, moment, gap_ms):
                flags[i] |= Flag.START | Flag.END
    return replace(found, energy=energy, flags=flags)


def gain_between(knots: Knots, rules: Sequence[Rule], stretches: Iterable[Stretch], from_ms: int, until_ms: int) -> int:
    """What the corrections add to the energy between two moments, mWh; nothing where the energy is not known."""
    total = 0
    for stretch in stretches:
        low, high = max(from_ms, stretch.from_ms), min(until_ms, stretch.until_ms)
        if low < high:
            total += _gains(knots, rules, stretch.factor, [(low, high)])[0]
    return total


def guessed(knots: Knots, at_ms: int, gap_ms: int) -> bool:
    """Whether the total at a moment is an estimate: between readings further apart than `gap_ms`, or of unknown shape."""
    index = bisect_right(knots.t, at_ms) - 1
    if index < 0 or index + 1 >= len(knots.t) or knots.t[index] == at_ms:
        return False
    return knots.t[index + 1] - knots.t[index] > gap_ms or knots.edge[index + 1] in (Edge.ESTIMATED, Edge.BOUND)


def _gains(knots: Knots, rules: Sequence[Rule], factor: Fraction, spans: Sequence[tuple[int, int]]) -> list[int]:
    """For each span what the factor adds to its energy; 0 where an end is not known. Spans may share their ends."""
    n, d = factor.numerator, factor.denominator
    known: dict[int, tuple[int, int] | None] = {}
    gains = []
    for low, high in spans:
        for moment in (low, high):
            if moment not in known:
                known[moment] = _counted(knots, rules, moment)
        start, end = known[low], known[high]
        if start is None or end is None:
            gains.append(0)
            continue
        rise, shown = end[0] - start[0], start[1]
        after, before = (2 * n * (shown + rise) + d) // (2 * d), (2 * n * shown + d) // (2 * d)
        gains.append(after - before - rise)
    return gains


def _counted(knots: Knots, rules: Sequence[Rule], at_ms: int) -> tuple[int, int] | None:
    """Total at a moment, and what the register of the instrument fitted then had counted, both mWh; None if not known."""
    total = knots.total_at(at_ms)
    if total is None:
        return None
    index = bisect_right(knots.t, at_ms) - 1
    since = knots.t[index]
    rule = next((rule for rule in reversed(rules) if rule.from_ms <= since), rules[0])
    return total, rule.mwh(knots.raw[index]) + total - knots.total[index]
