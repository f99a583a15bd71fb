"""Cells about the plan: instruments, inputs and points, as acceptance forms, schedules and labels show them."""

from decimal import Decimal
from fractions import Fraction

from meterd.adapters.documents.model import Cell, Moment, Number
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts import wording
from meterd.core.model.periods import HOUR_MS
from meterd.core.model.plan import Input, Instrument, Point, Role, Site
from meterd.core.model.reading import REGISTERS

RATIO = "/"  # the unit of what has none
PULSES = "imp"


def ratio(instrument: Instrument, texts: Texts) -> str:
    """The rated currents of the transformers as on their plate."""
    if instrument.ct_primary_a is None or instrument.ct_secondary_a is None:
        return texts("direct")
    return f"{instrument.ct_primary_a:g}/{instrument.ct_secondary_a:g} A"


def or_unknown(text: str | None, texts: Texts) -> str:
    """The text, or that the plan does not have it."""
    return text or texts("unknown")


def energy_wh(value: Fraction | None) -> Cell:
    """An exact energy in Wh as shown; empty without one."""
    if value is None or value == 0:
        return ""
    if value >= 1_000_000 and value % 1000 == 0:
        return Number(float(value / 1000), 0, "kWh")
    decimals = next(places for places in range(7) if places == 6 or (value * 10**places) % 1 == 0)
    return Number(float(value), decimals, "Wh")


def fitted_since(instrument: Instrument) -> Cell:
    """The date from which an instrument is there; empty for always."""
    return "" if instrument.from_ms <= HOUR_MS * 24 else Moment(instrument.from_ms, date_only=True)


def opening_readings(instrument: Instrument, texts: Texts) -> str:
    """The readings an instrument began with, as it showed them and with their unit: kWh, or the pulses of a counter."""
    return "; ".join(f"{code} = {_shown(code, milli, instrument, texts)}" for code, milli in instrument.opening)


def _shown(code: str, milli: int, instrument: Instrument, texts: Texts) -> str:
    if instrument.pulse_wh:
        return f"{wording.number(texts.lang, Decimal(milli) / 1000)} {wording.say(texts.lang, 'point.pulses')}"
    unit = REGISTERS[code].unit if code in REGISTERS else "Wh"
    places = 6 if milli % 1000 else 3  # no digit of a display is rounded away
    return f"{wording.number(texts.lang, Decimal(milli) / 1_000_000, places)} k{unit}"


def register_name(code: str, texts: Texts) -> str:
    """The name of a register in the language of the document, with its code."""
    return f"{wording.say(texts.lang, f'point.r_{REGISTERS[code].name}')} ({code})" if code in REGISTERS else code


def unit_of(meter_input: Input, texts: Texts) -> str:
    """Unit, factor, and whether the transformer ratio comes on top; what has no unit is called a ratio."""
    scale = "" if meter_input.scale == 1 else f" × {_plain(meter_input.scale, texts)}"
    names = {RATIO: texts("unit-ratio"), PULSES: wording.say(texts.lang, "point.pulses")}
    transformer = f" × {texts('per-ct')}" if meter_input.per_ct else ""
    return f"{names.get(meter_input.unit, meter_input.unit)}{scale}{transformer}"


def _plain(factor: float, texts: Texts) -> str:
    """A factor with as many places as the plan gives it."""
    exact = Decimal(f"{factor:.12g}")
    return wording.number(texts.lang, exact, max(0, -int(exact.normalize().as_tuple().exponent)))


def arrow(point: Point, texts: Texts) -> str:
    """Which way counts positive."""
    into = point.role in (Role.FEED, Role.PV, Role.BACKUP, Role.STORAGE)
    return texts("arrow-in" if into else "arrow-out")


def fitted_now(site: Site, point: str, at_ms: int | None = None) -> Instrument | None:
    """The instrument in force: the newest one that is not taken out, at a moment or at the end of the plan's dates."""
    there = [
        instrument
        for instrument in site.instruments_of(point)
        if (instrument.until_ms is None or (at_ms is not None and instrument.from_ms <= at_ms < instrument.until_ms))
        and (at_ms is None or instrument.from_ms <= at_ms)
    ]
    return there[-1] if there else None


def topic(site: Site, point: Point) -> str:
    """The topic below which all values of a point stand."""
    return f"{site.prefix}/{site.name}/point/{point.name}"
