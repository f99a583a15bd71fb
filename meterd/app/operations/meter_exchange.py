"""The exchange of a meter worked out: the rows of the plan, the energy in between, what readings say against it."""

import zoneinfo
from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np

from meterd.adapters.store.opening import open_to_read
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.engine import begin
from meterd.core.errors import ConfigError
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, from_ms
from meterd.core.model.plan import Instrument, Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import Channel
from meterd.core.registers.meter_exchange import (
    ExchangeEntry,
    Inconsistency,
    RegisterExchange,
    inconsistencies,
    usual_energy,
)
from meterd.core.registers.stored_readings import StoredReadings

CSV_FILE = "instruments.csv"
# what the new meter has as the old one unless it is said otherwise
SAME = ("meter_class", "ct_class", "ct_set", "ct_ratio", "pulse_wh", "register_max_wh", "resolution_wh")
# how far before and after the exchange its neighbouring readings are looked for: a month of one a second is millions of them
SEARCH_SPANS_MS = (HOUR_MS, DAY_MS, 31 * DAY_MS)
USUAL_DAYS = 7


def fitted(site: Site, point: str) -> Instrument:
    """The instrument that is at a point for good; ConfigError if there is none."""
    instruments = [instrument for instrument in site.instruments_of(point) if instrument.until_ms is None]
    if not instruments:
        raise ConfigError(
            f"the plan has no instrument at {point} that is still there; write its row in {CSV_FILE} first"
        )
    return instruments[-1]


def closed_cells(site: Site, entry: ExchangeEntry) -> dict[str, str]:
    """What is written into the row of the instrument that was taken out."""
    return {"until": stamp(entry.out_ms, zoneinfo.ZoneInfo(site.zone)), "closing_wh": written(entry.closing)}


def new_cells(site: Site, entry: ExchangeEntry, gap: Mapping[str, int]) -> dict[str, str]:
    """The row of the new instrument; what is not said it has from the old one."""
    new = {
        "point": entry.point,
        "from": stamp(entry.in_ms, zoneinfo.ZoneInfo(site.zone)),
        "serial": entry.serial,
        **{name: value for name, value in cells_of(fitted(site, entry.point)).items() if name in SAME},
        **entry.new,
        "opening_wh": written(entry.opening),
        "gap_wh": written(gap),
        "note": entry.note,
    }
    return {name: value for name, value in new.items() if value or name in ("point", "from")}


def cells_of(instrument: Instrument) -> dict[str, str]:
    """An instrument as the cells of its row, without dates and readings."""
    ratio = instrument.ct_primary_a is not None and instrument.ct_secondary_a is not None
    results = {
        "serial": instrument.serial,
        "type": instrument.type,
        "meter_class": instrument.meter_class or "",
        "ct_class": instrument.ct_class or "",
        "ct_set": instrument.ct_set or "",
        "ct_ratio": f"{instrument.ct_primary_a:g}/{instrument.ct_secondary_a:g}" if ratio else "",
        "pulse_wh": _exact(instrument.pulse_wh),
        "register_max_wh": _exact(instrument.register_max_wh),
        "resolution_wh": _exact(instrument.resolution_wh) if instrument.resolution_wh else "",
        "opening_wh": written(dict(instrument.opening)),
        "gap_wh": written(dict(instrument.gap)),
        "note": instrument.note,
    }
    return {name: value for name, value in results.items() if value}


def _exact(value: object) -> str:
    if not isinstance(value, Fraction):
        return ""
    return format((Decimal(value.numerator) / Decimal(value.denominator)).normalize(), "f")


def written(shown: Mapping[str, int]) -> str:
    """Registers as the plan writes them: a number for import alone, else `1.8.0=123 2.8.0=4`."""
    figures = {code: format((Decimal(milli) / 1000).normalize(), "f") for code, milli in shown.items()}
    if list(figures) == ["1.8.0"]:
        return figures["1.8.0"]
    return " ".join(f"{code}={figure}" for code, figure in figures.items())


def stamp(ms: int, zone: zoneinfo.ZoneInfo) -> str:
    """A moment as the plan writes it: local, with its offset."""
    when = from_ms(ms).astimezone(zone)
    return when.isoformat(timespec="minutes" if not ms % 60_000 else "seconds")


def estimated_gap(site: Site, path: Path, entry: ExchangeEntry) -> dict[str, int]:
    """What usually flows at that time of day, in mWh by OBIS code; ConfigError if no whole day before is known."""
    with open_to_read(path) as store:
        results = {register: _usual(store, site, (entry.point, register), entry) for register in entry.closing}
    lacking = [REGISTERS[register].name for register, energy in results.items() if energy is None]
    if lacking:
        raise ConfigError(
            f"{', '.join(lacking)}: no whole day before is known, nothing can be estimated; give --gap ENERGY"
        )
    return {register: energy for register, energy in results.items() if energy is not None}


def _usual(store: StoredFigures, site: Site, channel: Channel, entry: ExchangeEntry) -> int | None:
    step, days = site.interval_s * 1000, []
    for back in range(1, USUAL_DAYS + 1):
        low, high = entry.out_ms - back * DAY_MS, entry.in_ms - back * DAY_MS
        grid = np.arange(low - low % step, high, step, dtype=np.int64)
        columns = store.columns([channel], Period.INTERVAL, grid)
        known = zip(grid.tolist(), columns.energy[:, 0].tolist(), columns.present[:, 0].tolist(), strict=True)
        days.append([(start, start + step, energy if there else None) for start, energy, there in known])
    return usual_energy(days, entry.out_ms, entry.in_ms, DAY_MS)


def inconsistencies_of(site: Site, path: Path, entry: ExchangeEntry) -> list[Inconsistency]:
    """What the readings in the store say against the exchange, as the plan would have it."""
    if not path.exists():
        return []
    rules = begin(site, zoneinfo.ZoneInfo(site.zone), None).rules
    results: list[Inconsistency] = []
    with open_to_read(path) as store:
        for register in entry.closing:
            channel = (entry.point, register)
            old = next(rule for rule in rules[channel] if rule.until_ms == entry.out_ms)
            new = next(rule for rule in rules[channel] if rule.from_ms == entry.in_ms)
            last = _neighbour([(entry.out_ms - far, entry.out_ms) for far in SEARCH_SPANS_MS], store, channel, -1)
            first = _neighbour([(entry.in_ms, entry.in_ms + far) for far in SEARCH_SPANS_MS], store, channel, 0)
            results += inconsistencies(RegisterExchange(REGISTERS[register].name, old, new, last, first))
    return results


def _neighbour(
    spans: Sequence[tuple[int, int]], store: StoredReadings, channel: Channel, which: int
) -> tuple[int, int] | None:
    """The last (-1) or first (0) reading of the first span that has any; None if none has."""
    for low, high in spans:
        times, shown = store.history(channel, low, high)
        if len(times):
            return int(times[which]), int(shown[which])
    return None
