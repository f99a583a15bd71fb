"""The exchange of a meter as the page tells it: checked against the readings, and the command that enters it.

The page writes no plan: it says what is to be written, and the command does it where the plan is at home.
"""

import shlex
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.build import instrument_of
from meterd.adapters.planfile.fault import Notes, Place
from meterd.adapters.planfile.row import Cell, Row
from meterd.adapters.planfile.schema import InstrumentRow, check, csv_columns
from meterd.app.operations.meter_exchange import (
    CSV_FILE,
    cells_of,
    closed_cells,
    estimated_gap,
    fitted,
    inconsistencies_of,
    new_cells,
    stamp,
)
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.registers.meter_exchange import ExchangeEntry, ExchangeRecord, Fitted


def fitted_meter(site: Site, point: str) -> Fitted | None:
    """The instrument that is at a point for good, with the cells of its row; None if there is none."""
    try:
        instrument = fitted(site, point)
    except ConfigError:
        return None
    return Fitted(instrument.serial, instrument.from_ms, cells_of(instrument))


def record_of(path: Path, site: Site, exchange_entry: ExchangeEntry, gap: Mapping[str, int] | None) -> ExchangeRecord:
    """What speaks against an exchange, its rows and its command; `gap` None: what usually flows at that time of day.

    ConfigError where the point has no instrument that is still there.
    """
    energy = gap
    if energy is None:
        try:
            energy = estimated_gap(site, path, exchange_entry)
        except ConfigError:
            return ExchangeRecord(no_estimate=True)
    zone, notes = ZoneInfo(site.zone), Notes()
    cells = new_cells(site, exchange_entry, energy)
    entry = check(InstrumentRow, Row({name: Cell(value) for name, value in cells.items()}, Place(CSV_FILE)), notes)
    if entry is None or entry.faulty:
        return ExchangeRecord(faulty=tuple(sorted(entry.faulty if entry else ())))
    old = fitted(site, exchange_entry.point)
    closed = replace(old, until_ms=exchange_entry.out_ms, closing=tuple(exchange_entry.closing.items()))
    others = tuple(instrument for instrument in site.instruments if instrument is not old)
    planned = replace(site, instruments=(*others, closed, instrument_of(entry.data, zone)))
    before = {
        "point": exchange_entry.point,
        **({"from": stamp(old.from_ms, zone)} if old.from_ms else {}),
        **cells_of(old),
    }
    return ExchangeRecord(
        inconsistencies=tuple(inconsistencies_of(planned, path, exchange_entry)),
        gap_mwh=dict(energy),
        columns=csv_columns(InstrumentRow),
        old={**before, **closed_cells(site, exchange_entry)},
        new=cells,
        command=command_of(site, exchange_entry, gap),
    )


def command_of(site: Site, entry: ExchangeEntry, gap: Mapping[str, int] | None) -> str:
    """The line that enters it, quoted for a shell; `PLAN` stands for the folder of the plan."""
    zone = ZoneInfo(site.zone)
    texts = {"point": entry.point, "at": stamp(entry.out_ms, zone)}
    if entry.in_ms != entry.out_ms:
        texts |= {"fitted": stamp(entry.in_ms, zone), "gap": "estimate" if gap is None else _readings(gap)}
    texts |= {"closing": _readings(entry.closing), "opening": _readings(entry.opening), "serial": entry.serial}
    texts |= {name.replace("_", "-"): value for name, value in entry.new.items()}
    texts |= {"person": entry.person} | ({"note": entry.note} if entry.note else {})
    return " ".join(["meterd exchange PLAN", *(f"--{name}={shlex.quote(value)}" for name, value in texts.items())])


def _readings(shown: Mapping[str, int]) -> str:
    """Registers by their names, in their base unit, as the command reads them."""
    return " ".join(
        f"{REGISTERS[code].name}={format((Decimal(milli) / 1000).normalize(), 'f')}" for code, milli in shown.items()
    )
