"""What a person writes into the forms for corrections: read into a correction, or told at the field what would be right.

It is written as for the command (`meterd correct`), and local times without an offset besides.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from meterd.correction import Correction, factor_of
from meterd.errors import ConfigError
from meterd.finding import LONGEST_NOTE
from meterd.interval import HOUR_MS, Period, bounds, to_ms
from meterd.page import wording
from meterd.page.view import Values
from meterd.reading import REGISTERS
from meterd.site import Point, Site

_DATE = re.compile(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?\Z")
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2})?(Z|[+-][0-9]{2}:[0-9]{2})?\Z")
EARLIEST, LATEST = 1990, 2199  # years: others are slips of the keyboard
MANY = 1000  # characters that reach us: more than may be kept, so that too many can be told at the field
T = TypeVar("T")


class Fault(Values):
    """What is wrong at a field: a stable word for programs, and what would be right in the language of the viewer."""

    field: str
    fault: str
    text: str


class WrongError(Exception):
    """A field that cannot be: a word of the catalogue (`<sheet>.wrong_<word>`) and what is put into it."""

    def __init__(self, word: str, **values: object) -> None:
        super().__init__(word)
        self.word, self.values = word, values


@dataclass(slots=True)
class Form:
    """Reads one field after the other and notes what is wrong, so that all of it is told at once."""

    language: str
    sheet: str = "change"  # whose words are looked for first
    faults: list[Fault] = field(default_factory=list)

    def read(self, name: str, reading: Callable[[], T]) -> T | None:
        """The value of a field, None after noting that it cannot be."""
        try:
            return reading()
        except WrongError as exc:
            self.wrong(name, exc.word, **exc.values)
            return None

    def wrong(self, name: str, word: str, **values: object) -> None:
        """Note what is wrong at a field."""
        own = f"{self.sheet}.wrong_{word}"
        key = own if wording.has(self.language, own) else f"change.wrong_{word}"
        self.faults.append(Fault(field=name, fault=word, text=wording.say(self.language, key, **values)))


@dataclass(frozen=True, slots=True)
class Written:
    """The fields of a correction as they were written."""

    point: str
    register: str
    begin: str
    end: str
    factor: str
    reason: str


def correction_of(written: Written, site: Site, person: str, final_ms: int | None, form: Form) -> Correction | None:
    """The correction that was written; None with the faults in the form. Figures before `final_ms` cannot change any more."""
    zone = ZoneInfo(site.zone)
    point = form.read("point", lambda: point_of(written.point, site))
    register = None if point is None else form.read("register", lambda: register_of(written.register, point, site))
    begin = form.read("from", lambda: _begin(written.begin, zone, final_ms))
    end = form.read("until", lambda: _end(written.end, zone, begin))
    factor = form.read("factor", lambda: _factor(written.factor))
    reason = form.read("reason", lambda: note_of(written.reason))
    if form.faults or point is None or register is None or begin is None or factor is None or reason is None:
        return None
    return Correction(0, point.name, register, begin, end, factor, reason, person, 0)


def point_of(words: str, site: Site) -> Point:
    """The point of a name or a former name."""
    if not words.strip():
        raise WrongError("missing")
    found = next((one for one in site.points if words.strip() in (one.name, *one.aliases)), None)
    if found is None:
        raise WrongError("point", point=words[:60])
    return found


def counted_at(point: str, site: Site) -> list[str]:
    """The OBIS codes of the registers of a point that count energy, as the plan reads them."""
    read = [row.register for row in site.inputs if row.point == point]
    return [code for code in dict.fromkeys(read) if REGISTERS[code].cumulative]


def register_of(words: str, point: Point, site: Site) -> str:
    """The OBIS code of a register, by its name or its code."""
    counted = counted_at(point.name, site)
    found = next((code for code in counted if words in (code, REGISTERS[code].name)), None)
    if found is None:
        known = ", ".join(REGISTERS[code].name for code in counted)
        raise WrongError("register", register=words[:60], point=point.name, known=known or "–")
    return found


def moment_of(words: str, zone: ZoneInfo) -> int:
    """A moment in ms UTC: 2026, 2026-03, 2026-03-29 (their local beginning), 2026-03-29 10:00 local or with its offset."""
    said = words.strip()
    if not said:
        raise WrongError("missing")
    if not (_DATE.match(said) or _TIME.match(said)) or not EARLIEST <= int(said[:4]) <= LATEST:
        raise WrongError("moment", words=said[:60])
    try:
        if _DATE.match(said):
            noon = datetime.fromisoformat(f"{said}{'-01-01'[len(said) - 10 :] if len(said) < 10 else ''}T12:00")
            return bounds(Period.DAY, to_ms(noon.replace(tzinfo=zone)), zone, HOUR_MS)[0]
        found = datetime.fromisoformat(said)
    except ValueError as exc:
        raise WrongError("moment", words=said[:60]) from exc
    if found.tzinfo is not None:
        return to_ms(found)
    first, second = (to_ms(found.replace(tzinfo=zone, fold=fold).astimezone(UTC)) for fold in (0, 1))
    if first != second:
        raise WrongError("twice", words=said)
    return first


def note_of(words: str) -> str:
    """A reason that can be kept."""
    said = words.strip()
    if not said:
        raise WrongError("missing")
    if len(said) > LONGEST_NOTE:
        raise WrongError("long", n=len(said), most=LONGEST_NOTE)
    if not said.isprintable():
        raise WrongError("line_break")
    return said


def _begin(words: str, zone: ZoneInfo, final_ms: int | None) -> int:
    found = moment_of(words, zone)
    if final_ms is not None and found < final_ms:
        raise WrongError("final", time=f"{datetime.fromtimestamp(final_ms / 1000, zone):%Y-%m-%d %H:%M}")
    return found


def _end(words: str, zone: ZoneInfo, begin: int | None) -> int | None:
    if not words.strip():
        return None
    found = moment_of(words, zone)
    if begin is not None and found <= begin:
        raise WrongError("not_after")
    return found


def _factor(words: str) -> str:
    said = words.strip()
    if not said:
        raise WrongError("missing")
    try:
        factor_of(said)
    except ConfigError as exc:
        raise WrongError("factor", factor=said[:40]) from exc
    return said
