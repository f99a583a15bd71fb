"""What a person writes about the exchange of a meter: read into what was said, or reported at the field what would be right."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from zoneinfo import ZoneInfo

from meterd.adapters.web.corrections.fields import Form, WrongError, moment_of, note_of
from meterd.core.model.reading import REGISTERS, UNITS
from meterd.core.model.written import AmbiguousNumberError, iso_date, plain_number
from meterd.core.registers.meter_exchange import ExchangeEntry, Fitted

# a display shows kWh mostly, and a forgotten unit would be a thousandfold error: it has to be written
ENERGIES = ("MWh", "kWh", "Wh", "Mvarh", "kvarh", "varh", "imp")
LARGEST_MILLI = 10**15  # 10^12 Wh: more than any register of ten digits in kWh shows


@dataclass(frozen=True, slots=True)
class ExchangeFields:
    """The fields as they were written. `closing`, `opening` and `gap` are in the order of the registers of the point."""

    out: str
    into: str
    closing: Sequence[str]
    opening: Sequence[str]
    gap: Sequence[str]
    serial: str
    note: str
    new: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ExchangeContext:
    """At which point, with which registers (OBIS codes), what is fitted there, who says so, and what time it is."""

    point: str
    registers: Sequence[str]
    fitted: Fitted
    person: str
    now_ms: int


def entry_of(
    fields: ExchangeFields, context: ExchangeContext, zone: ZoneInfo, form: Form
) -> tuple[ExchangeEntry, Mapping[str, int] | None] | None:
    """What was said, and the energy between both meters (None: to be estimated); None with the faults in the form."""
    out = form.read("out", lambda: _out(fields.out, context, zone))
    into = form.read("into", lambda: _into(fields.into, zone, out, context.now_ms))
    closing = _readings("closing", fields.closing, context, form)
    opening = _readings("opening", fields.opening, context, form)
    serial = form.read("serial", lambda: note_of(fields.serial))
    note = form.read("note", lambda: note_of(fields.note)) if fields.note.strip() else ""
    gap = _gap(fields, context, (out, into), form)
    if form.faults or out is None or into is None or serial is None or note is None:
        return None
    cells = context.fitted.cells
    new = {name: value.strip() for name, value in fields.new.items() if value.strip() != cells.get(name, "")}
    return ExchangeEntry(
        context.point,
        out,
        into,
        closing=closing,
        opening=opening,
        serial=serial,
        person=context.person,
        note=note,
        new=new,
    ), gap


def _out(text: str, context: ExchangeContext, zone: ZoneInfo) -> int:
    result = _moment(text, zone)
    if result > context.now_ms:
        raise WrongError("future")
    if result <= context.fitted.from_ms:
        raise WrongError("before_fitted", time=_local(context.fitted.from_ms, zone))
    return result


def _into(text: str, zone: ZoneInfo, out: int | None, now_ms: int) -> int | None:
    if not text.strip():
        return out
    result = _moment(text, zone)
    if result > now_ms:
        raise WrongError("future")
    if out is not None and result < out:
        raise WrongError("before_out")
    return result


def _moment(text: str, zone: ZoneInfo) -> int:
    """A moment with its time of day: an exchange takes minutes."""
    result = moment_of(text, zone)
    if len(iso_date(text.strip())) <= len("2026-05-04"):
        raise WrongError("no_time", words=text.strip())
    return result


def _local(ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(ms / 1000, zone):%Y-%m-%d %H:%M}"


def _readings(name: str, written: Sequence[str], context: ExchangeContext, form: Form) -> dict[str, int]:
    """What each register showed, in thousandths; the fields are `closing-0`, `closing-1`, ..."""
    results = {}
    for i, register in enumerate(context.registers):
        text = written[i] if i < len(written) else ""
        milli = form.read(f"{name}-{i}", lambda text=text, register=register: shown_milli(text, register))  # type: ignore[misc]
        if milli is not None:
            results[register] = milli
    return results


def _gap(
    fields: ExchangeFields, context: ExchangeContext, when: tuple[int | None, int | None], form: Form
) -> Mapping[str, int] | None:
    """What flowed while no meter was fitted, in mWh: nothing without such a time, None if it is to be estimated."""
    if when[0] == when[1] or None in when:
        return {}
    if not any(text.strip() for text in fields.gap):
        return None
    return _readings("gap", fields.gap, context, form)


def shown_milli(entered: str, register: str) -> int:
    """What a display shows, in thousandths of the base unit: `123456.7 kWh`."""
    text = entered.strip()
    if not text:
        raise WrongError("missing")
    unit = next((unit for unit in ENERGIES if text.endswith(unit)), "")
    if not unit or REGISTERS[register].unit not in UNITS[unit][0]:
        raise WrongError("unit", shown=text[:40], unit=f"k{REGISTERS[register].unit}")
    try:
        figure = plain_number(text.removesuffix(unit).strip())
    except AmbiguousNumberError as exc:
        raise WrongError("two_readings", words=text[:40], whole=exc.whole, part=exc.part) from exc
    except ValueError as exc:
        raise WrongError("reading", shown=text[:40], unit=unit) from exc
    try:
        exact = Decimal(figure) * 1000 * Decimal(UNITS[unit][1])
    except InvalidOperation as exc:
        raise WrongError("reading", shown=text[:40], unit=unit) from exc
    if not figure.replace(".", "", 1).isdecimal() or not figure.isascii():
        raise WrongError("reading", shown=text[:40], unit=unit)
    if exact != exact.to_integral_value() or exact > LARGEST_MILLI:
        raise WrongError("too_fine", shown=text[:40])
    return int(exact)
