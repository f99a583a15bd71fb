"""The exchange of a meter as a person enters it: what speaks against the readings, and what flowed while none was fitted."""

from collections.abc import Sequence
from dataclasses import dataclass

from meterd.register import Rule

Shown = tuple[int, int]  # time and shown milli-units of a reading


@dataclass(frozen=True, slots=True)
class Swap:
    """One register across an exchange: the rules of both instruments, the last reading before and the first one after."""

    register: str
    old: Rule
    new: Rule
    last: Shown | None = None
    first: Shown | None = None


def doubts(swap: Swap) -> list[str]:
    """What makes the energy across the exchange unknown, in words; empty if it telescopes. Shown values in thousandths."""
    old, new = swap.old, swap.new
    found = []
    if old.closing is None:
        found.append("there is no closing reading")
    elif swap.last is not None:
        found += _after(swap.last, (old.until_ms, old.closing), old, "the closing reading", "the last reading")
    if new.opening is None:
        found.append("there is no opening reading")
    elif swap.first is not None:
        found += _after(
            (new.from_ms, new.opening), swap.first, new, "the first reading of the new meter", "its opening"
        )
    for words, shown, rule in (("closing", old.closing, old), ("opening", new.opening, new)):
        if shown is not None and rule.capacity is not None and shown >= rule.capacity:
            found.append(f"the {words} reading {_shown(shown)} is more than the register can show")
    if new.from_ms > old.until_ms and new.gap is None:
        found.append("what flowed between the two meters is not known")
    return [f"{swap.register}: {words}" for words in found]


def _after(before: Shown, after: Shown, rule: Rule, what: str, than: str) -> list[str]:
    """Whether one reading can follow another of the same instrument."""
    rise = after[1] - before[1]
    if rise < -rule.resolution:
        return [f"{what} {_shown(after[1])} is below {than} {_shown(before[1])}"]
    most = rule.limit(max(0, after[0] - before[0]))
    if rise > most:
        return [
            f"{what} {_shown(after[1])} is {_shown(rise)} above {than}, the point can draw {_shown(most)} in that time"
        ]
    return []


def _shown(milli: int) -> str:
    return f"{milli / 1000:.3f}".rstrip("0").rstrip(".")


def usual_energy(days: Sequence[Sequence[tuple[int, int, int | None]]], low: int, high: int, day_ms: int) -> int | None:
    """What flows between two moments on an ordinary day: the mean over days before, in mWh; None without a whole one.

    `days` holds for each day, the latest first, its intervals as (begin, end, energy) around the same time of that day;
    energies are shared out by time. Day k lies k + 1 times `day_ms` before the gap.
    """
    known = []
    for k, intervals in enumerate(days):
        back = (k + 1) * day_ms
        parts = [
            (energy, min(high - back, end) - max(low - back, begin), end - begin)
            for begin, end, energy in intervals
            if begin < high - back and end > low - back
        ]
        covered = sum(part for _, part, _ in parts)
        if covered == high - low and all(energy is not None for energy, _, _ in parts):
            known.append(sum((energy or 0) * part / whole for energy, part, whole in parts))
    return round(sum(known) / len(known)) if known else None
