"""Faults that can be planted in the simulated site, by name: what they do, to whom, when, and for how long.

On the command line a fault is NAME:POINT[:VALUE][@START[+LASTS]]; both are simulated seconds, or 5m, 2h, 10d. START counts
from the beginning, in a demo from its start; LASTS says how long the fault lasts. A START below zero lies in the history
before the beginning.
"""

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterd.adapters.simulator.physics import Happening
from meterd.core.errors import ConfigError
from meterd.core.model.plan import PointState, Role, Site

FOREVER_MS = 2**62
FORM = "NAME:POINT[:VALUE][@START[+LASTS]]"
DAY_S = 86_400
UNITS_S = {"s": 1, "m": 60, "h": 3600, "d": DAY_S}
DEFAULT_START_S = 20.0  # some healthy readings come first, so that the change can be seen


class Place(StrEnum):
    """What a fault's second word must name."""

    METER = "a point with an instrument"
    LOAD = "a point that is not yet live, or a board"
    PV = "a pv point"
    CONSUMER = "a consumer with a meter of its own"
    SITE = "the site"


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the table: effect in words, default value with its meaning, how long it lasts (None = to the end)."""

    about: str
    place: Place = Place.METER
    value: float = 0.0
    meaning: str = ""
    lasts_s: float | None = None


FAULTS: dict[str, Kind] = {
    "drift": Kind("the instrument's ratio changes permanently", value=-0.02, meaning="relative change"),
    "reversed-ct": Kind("one current transformer of three reversed: 1/3 of the power", value=1 / 3, meaning="factor"),
    "missing-phase": Kind("one phase without current or voltage: 2/3 of the power", value=2 / 3, meaning="factor"),
    "swapped": Kind("currents of two phases swapped: nothing on a balanced load", value=0.0, meaning="factor"),
    "rotated": Kind("all currents one phase on: half the power, backwards", value=-0.5, meaning="factor"),
    "wrong-ratio": Kind("another transformer ratio set, such as 200/5 for 250/5", value=0.8, meaning="factor"),
    "bounce": Kind("each pulse counted twice", value=2.0, meaning="factor"),
    "stuck": Kind("the registers stand still while power still flows, then catch up"),
    "reset": Kind("the registers start again at a value", value=0.0, meaning="Wh"),
    "rollover-soon": Kind("the import register starts just below its largest value", value=200.0, meaning="Wh below"),
    "zero": Kind("one message with registers at zero"),
    "spike": Kind("one message with all values too large", value=10.0, meaning="factor"),
    "silent": Kind("no messages any more"),
    "late": Kind("messages arrive late, with their own time", value=120.0, meaning="seconds"),
    "duplicate": Kind("every message comes twice"),
    "clock": Kind("the instrument's clock is ahead", value=300.0, meaning="seconds"),
    "unmetered": Kind("a load where nothing is metered yet", Place.LOAD, 15_000.0, "W"),
    "noon-cloud": Kind("a thick cloud over the roof", Place.PV, 0.15, "share of clear-sky light", 600.0),
    "overdraw": Kind("a consumer ignores its share", Place.CONSUMER, 1.5, "part of its largest power that it draws"),
    "outage": Kind(
        "no supply from the transformers; a backup supply carries the essential loads", Place.SITE, 0, "", 600
    ),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """A planted fault. `lasts_s` None = to the end."""

    name: str
    target: str
    value: float
    start_s: float = DEFAULT_START_S
    lasts_s: float | None = None

    def span(self, begin_ms: int) -> tuple[int, int]:
        """Start and exclusive end in milliseconds since 1970 UTC, for a simulation that begins at `begin_ms`."""
        start = begin_ms + round(self.start_s * 1000.0)
        return start, FOREVER_MS if self.lasts_s is None else start + round(self.lasts_s * 1000.0)


def fault(name: str, target: str, value: float | None = None, start_s: float = DEFAULT_START_S) -> Fault:
    """A fault with the defaults of its kind; ConfigError for an unknown name."""
    kind = FAULTS.get(name)
    if kind is None:
        near = difflib.get_close_matches(name, FAULTS, n=1)
        hint = f"; did you mean {near[0]}?" if near else f"; known: {', '.join(FAULTS)}"
        raise ConfigError(f"unknown fault {name!r}{hint}")
    return Fault(name, target, kind.value if value is None else value, start_s, kind.lasts_s)


def parse_fault(text: str) -> Fault:
    """The fault of a command-line word NAME:POINT[:VALUE][@START[+LASTS]]; ConfigError with what would be right.

    >>> parse_fault("drift:bakery-ovens:-0.03@60")
    Fault(name='drift', target='bakery-ovens', value=-0.03, start_s=60.0, lasts_s=None)
    """
    what, at, when = text.partition("@")
    start, plus, lasts = when.partition("+")
    parts = what.split(":")
    if not 2 <= len(parts) <= 3 or not parts[1] or (at and not start) or (plus and not lasts):
        raise ConfigError(f"cannot read fault {text!r}; write {FORM}")
    plain = fault(parts[0], parts[1])
    return Fault(
        plain.name,
        plain.target,
        _number(parts[2], text) if len(parts) == 3 else plain.value,
        _seconds(start, text) if at else plain.start_s,
        _seconds(lasts, text) if plus else plain.lasts_s,
    )


def _number(word: str, text: str) -> float:
    try:
        number = float(word)
    except ValueError:
        number = float("nan")
    if not abs(number) < 1e12:
        raise ConfigError(f"cannot read fault {text!r}: {word!r} is not a number; write {FORM}")
    return number


def _seconds(word: str, text: str) -> float:
    """90, 90s, 5m, 2h or -10d."""
    unit = UNITS_S.get(word[-1:])
    return _number(word, text) if unit is None else _number(word[:-1], text) * unit


def check_faults(site: Site, faults: Sequence[Fault]) -> None:
    """ConfigError that names every fault whose target does not fit, all at once."""
    wrong = [line for planted in faults if (line := _misfit(site, planted))]
    if wrong:
        raise ConfigError("\n".join(wrong))


def _misfit(site: Site, planted: Fault) -> str:
    kind = FAULTS[planted.name]
    fitting = _targets(site, planted.name, kind.place)
    if planted.target in fitting:
        return ""
    near = difflib.get_close_matches(planted.target, fitting, n=3) or fitting[:6]
    choice = f"one of {', '.join(near)}" if near else "nothing in this plan fits"
    return f"fault {planted.name}:{planted.target}: needs {kind.place.value}; {choice}"


def _targets(site: Site, name: str, place: Place) -> list[str]:
    if place is Place.SITE:
        return [site.name]
    if place is Place.PV:
        return [p.name for p in site.points if p.role is Role.PV]
    if place is Place.LOAD:
        early = [p.name for p in site.points if p.state in (PointState.PLANNED, PointState.FITTED)]
        return early + [board.name for board in site.boards]
    if place is Place.CONSUMER:
        # behind a meter with other loads nobody would see it
        return [c.name for c in site.consumers if c.alone and c.point is not None]
    if name == "rollover-soon":
        return sorted({i.point for i in site.instruments if i.register_max_wh is not None})
    return [p.name for p in site.points if p.state not in (PointState.PLANNED, PointState.RETIRED)]


def in_history(faults: Sequence[Fault], days: int) -> tuple[Fault, ...]:
    """Those that begin before the beginning; ConfigError for one that begins before the history of so many days.

    And for a register that is to start at some level, where a history has already said at which it stands.
    """
    for planted in faults:
        if planted.name == "rollover-soon" and days:
            raise ConfigError(
                "fault rollover-soon needs --days 0: after a history the register stands where that left it"
            )
        if planted.start_s < -days * DAY_S:
            needed = math.ceil(-planted.start_s / DAY_S)
            raise ConfigError(
                f"fault {planted.name}:{planted.target} begins {needed} days back, the history has {days};"
                f" write --days {needed + 1} or a later start"
            )
    return tuple(planted for planted in faults if planted.start_s < 0)


def happenings(faults: Sequence[Fault], begin_ms: int) -> tuple[Happening, ...]:
    """Those faults that change the true powers rather than what an instrument says."""
    names = {Place.LOAD: "load", Place.PV: "cloud", Place.CONSUMER: "overdraw", Place.SITE: "outage"}
    results = []
    for planted in faults:
        name = names.get(FAULTS[planted.name].place)
        if name is not None:
            results.append(Happening(name, planted.target, *planted.span(begin_ms), planted.value))
    return tuple(results)


def fault_table() -> str:
    """The table for --help, one line per fault."""
    lines = []
    for name, kind in FAULTS.items():
        value = f" (VALUE: {kind.meaning}, default {kind.value:.4g})" if kind.meaning else ""
        lasts = f", for {kind.lasts_s:.0f} s" if kind.lasts_s else ""
        lines.append(f"  {name:<14} {kind.about}{value}{lasts}")
    return "\n".join(lines)
