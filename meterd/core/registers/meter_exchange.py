"""The exchange of a meter as a person enters it: what speaks against the readings, and what flowed while none was fitted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from meterd.core.registers.tracker import Rule

Shown = tuple[int, int]  # time and shown milli-units of a reading


@dataclass(frozen=True, slots=True)
class RegisterExchange:
    """One register across an exchange: the rules of both instruments, the last reading before and the first one after."""

    register: str
    old: Rule
    new: Rule
    last: Shown | None = None
    first: Shown | None = None


@dataclass(frozen=True, slots=True)
class ExchangeEntry:
    """What a person said about an exchange. Readings and gap are in thousandths, by OBIS code.

    `new` are cells of the new instrument that are not as those of the old one.
    """

    point: str
    out_ms: int
    in_ms: int
    closing: Mapping[str, int]
    opening: Mapping[str, int]
    serial: str
    person: str
    note: str
    new: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Inconsistency:
    """One thing that speaks against an exchange: a word for programs, and what was shown, as a person writes it."""

    register: str
    kind: str
    values: Mapping[str, str] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.register}: {_WORDS[self.kind].format(**self.values)}"


_THEN = " in that time"
_WORDS = {
    "no-closing": "there is no closing reading",
    "no-opening": "there is no opening reading",
    "closing-below": "the closing reading {shown} is below the last reading {other}",
    "closing-above": "the closing reading {shown} is {rise} above the last reading, the point can draw {most}" + _THEN,
    "first-below": "the first reading of the new meter {shown} is below its opening {other}",
    "first-above": "the first reading of the new meter {shown} is {rise} above its opening, the point can draw {most}"
    + _THEN,
    "closing-too-large": "the closing reading {shown} is more than the register can show",
    "opening-too-large": "the opening reading {shown} is more than the register can show",
    "no-gap": "what flowed between the two meters is not known",
}


def inconsistencies(exchange: RegisterExchange) -> list[Inconsistency]:
    """What makes the energy across the exchange unknown; empty if it telescopes. Shown values in thousandths."""
    old, new, name = exchange.old, exchange.new, exchange.register
    results = []
    if old.closing is None:
        results.append(Inconsistency(name, "no-closing"))
    elif exchange.last is not None:
        results += _after(exchange.last, (old.until_ms, old.closing), old, (name, "closing"))
    if new.opening is None:
        results.append(Inconsistency(name, "no-opening"))
    elif exchange.first is not None:
        results += _after((new.from_ms, new.opening), exchange.first, new, (name, "first"))
    for text, shown, rule in (("closing", old.closing, old), ("opening", new.opening, new)):
        if shown is not None and rule.capacity is not None and shown >= rule.capacity:
            results.append(Inconsistency(name, f"{text}-too-large", {"shown": _shown(shown)}))
    if new.from_ms > old.until_ms and new.gap is None:
        results.append(Inconsistency(name, "no-gap"))
    return results


def _after(before: Shown, after: Shown, rule: Rule, about: tuple[str, str]) -> list[Inconsistency]:
    """Whether one reading can follow another of the same instrument; `about` is the register and which reading it is."""
    name, which = about
    rise, shown = after[1] - before[1], _shown(after[1])
    if rise < -rule.resolution:
        return [Inconsistency(name, f"{which}-below", {"shown": shown, "other": _shown(before[1])})]
    most = rule.limit(max(0, after[0] - before[0]))
    if rise > most:
        return [Inconsistency(name, f"{which}-above", {"shown": shown, "rise": _shown(rise), "most": _shown(most)})]
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


@dataclass(frozen=True, slots=True)
class Fitted:
    """The instrument that is at a point: serial, since when, and the cells of its row in the plan."""

    serial: str
    from_ms: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ExchangeRecord:
    """An exchange of meters as it would be entered: what the readings say against it, both rows of the plan, the command.

    `faulty` are columns of the new instrument that cannot be as they are; `no_estimate`: no whole day before is known, so
    that nobody can say what usually flows. With either of them nothing else is reported.
    """

    inconsistencies: tuple[Inconsistency, ...] = ()
    gap_mwh: Mapping[str, int] = field(default_factory=dict)
    columns: tuple[str, ...] = ()
    old: Mapping[str, str] = field(default_factory=dict)
    new: Mapping[str, str] = field(default_factory=dict)
    command: str = ""
    faulty: tuple[str, ...] = ()
    no_estimate: bool = False
