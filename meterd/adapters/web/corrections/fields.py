"""What a person writes into the forms for corrections: read into a correction, or reported at the field what would be right.

It is written as for the command (`meterd correct`), and local times without an offset besides.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from meterd.adapters.texts import wording
from meterd.adapters.web.common import Values
from meterd.core.errors import ConfigError
from meterd.core.model.finding import LONGEST_NOTE
from meterd.core.model.periods import HOUR_MS, Period, bounds, to_ms
from meterd.core.model.plan import Point, Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.written import AmbiguousNumberError, iso_date
from meterd.core.registers.corrections import Correction, written_factor

_DATE = re.compile(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?\Z")
_TIME = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2})?(Z|[+-][0-9]{2}:[0-9]{2})?\Z")
EARLIEST, LATEST = 1990, 2199  # years: others are slips of the keyboard
MANY = 1000  # characters that reach us: more than may be stored, so that too many can be reported at the field
T = TypeVar("T")


class Fault(Values):
    """What is wrong at a field: a stable word for programs, and what would be right in the language of the viewer."""

    field: str
    fault: str
    text: str


class WrongError(Exception):
    """A field that cannot be: a word of the catalogue (`<page>.wrong_<word>`) and what is put into it."""

    def __init__(self, word: str, **values: object) -> None:
        super().__init__(word)
        self.word, self.values = word, values


@dataclass(slots=True)
class Form:
    """Reads one field after the other and notes what is wrong, so that all of it is reported at once."""

    language: str
    page: str = "change"  # whose words are looked for first
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
        own = f"{self.page}.wrong_{word}"
        key = own if wording.has(self.language, own) else f"change.wrong_{word}"
        self.faults.append(Fault(field=name, fault=word, text=wording.say(self.language, key, **values)))


@dataclass(frozen=True, slots=True)
class CorrectionFields:
    """The fields of a correction as they were written."""

    point: str
    register: str
    begin: str
    end: str
    factor: str
    reason: str


def correction_of(
    written: CorrectionFields, site: Site, person: str, final_ms: int | None, form: Form
) -> Correction | None:
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
    return Correction(
        0, point.name, register, from_ms=begin, until_ms=end, factor=factor, reason=reason, person=person, made_ms=0
    )


def point_of(text: str, site: Site) -> Point:
    """The point of a name or a former name."""
    if not text.strip():
        raise WrongError("missing")
    point = next((point for point in site.points if text.strip() in (point.name, *point.aliases)), None)
    if point is None:
        raise WrongError("point", point=text[:60])
    return point


def counted_at(point: str, site: Site) -> list[str]:
    """The OBIS codes of the registers of a point that count energy, as the plan reads them."""
    read = [row.register for row in site.inputs_of(point)]
    return [code for code in dict.fromkeys(read) if REGISTERS[code].cumulative]


def register_of(text: str, point: Point, site: Site) -> str:
    """The OBIS code of a register, by its name or its code."""
    counted = counted_at(point.name, site)
    result = next((code for code in counted if text in (code, REGISTERS[code].name)), None)
    if result is None:
        known = ", ".join(REGISTERS[code].name for code in counted)
        raise WrongError("register", register=text[:60], point=point.name, known=known or "–")
    return result


def moment_of(entered: str, zone: ZoneInfo) -> int:
    """A moment in ms UTC: 2026, 2026-03, 2026-03-29 (their local beginning), 2026-03-29 10:00 local or with its offset."""
    text = iso_date(entered.strip())
    if not text:
        raise WrongError("missing")
    if not (_DATE.match(text) or _TIME.match(text)) or not EARLIEST <= int(text[:4]) <= LATEST:
        raise WrongError("moment", words=entered.strip()[:60])
    try:
        if _DATE.match(text):
            noon = datetime.fromisoformat(f"{text}{'-01-01'[len(text) - 10 :] if len(text) < 10 else ''}T12:00")
            return bounds(Period.DAY, to_ms(noon.replace(tzinfo=zone)), zone, HOUR_MS)[0]
        result = datetime.fromisoformat(text)
    except ValueError as exc:
        raise WrongError("moment", words=entered.strip()[:60]) from exc
    if result.tzinfo is not None:
        return to_ms(result)
    first, second = (to_ms(result.replace(tzinfo=zone, fold=fold).astimezone(UTC)) for fold in (0, 1))
    if first != second:
        raise WrongError("twice", words=text)
    return first


def note_of(entered: str) -> str:
    """A reason that can be stored."""
    text = entered.strip()
    if not text:
        raise WrongError("missing")
    if len(text) > LONGEST_NOTE:
        raise WrongError("long", n=len(text), most=LONGEST_NOTE)
    if not text.isprintable():
        raise WrongError("line_break")
    return text


def _begin(text: str, zone: ZoneInfo, final_ms: int | None) -> int:
    result = moment_of(text, zone)
    if final_ms is not None and result < final_ms:
        raise WrongError("final", time=f"{datetime.fromtimestamp(final_ms / 1000, zone):%Y-%m-%d %H:%M}")
    return result


def _end(text: str, zone: ZoneInfo, begin: int | None) -> int | None:
    if not text.strip():
        return None
    result = moment_of(text, zone)
    if begin is not None and result <= begin:
        raise WrongError("not_after")
    return result


def _factor(entered: str) -> str:
    text = entered.strip()
    if not text:
        raise WrongError("missing")
    try:
        return written_factor(text)
    except ConfigError as exc:
        if isinstance(both := exc.__cause__, AmbiguousNumberError):
            raise WrongError("two_readings", words=text[:40], whole=both.whole, part=both.part) from exc
        raise WrongError("factor", factor=text[:40]) from exc
