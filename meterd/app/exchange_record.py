"""The exchange of a meter as the page tells it: checked against the readings, and the command that enters it.

The page writes no plan: it says what is to be written, and the command does it where the plan is at home.
"""

import shlex
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.app.exchange_command import (
    SHEET,
    cells_of,
    closed_cells,
    doubts_of,
    estimated_gap,
    fitted,
    new_cells,
    stamp,
)
from meterd.app.plan.build import instrument_of
from meterd.app.plan.fault import Notes, Place
from meterd.app.plan.rows import InstrumentRow, check, sheet_columns
from meterd.app.plan.table import Cell, Row
from meterd.errors import ConfigError
from meterd.exchange import Said
from meterd.page import ExchangeRecord, Fitted
from meterd.reading import REGISTERS
from meterd.site import Site


def fitted_at(site: Site, point: str) -> Fitted | None:
    """The instrument that is at a point for good, with the cells of its row; None if there is none."""
    try:
        one = fitted(site, point)
    except ConfigError:
        return None
    return Fitted(one.serial, one.from_ms, cells_of(one))


def record_of(path: Path, site: Site, said: Said, gap: Mapping[str, int] | None) -> ExchangeRecord:
    """What speaks against an exchange, its rows and its command; `gap` None: what usually flows at that time of day.

    ConfigError where the point has no instrument that is still there.
    """
    energy = gap
    if energy is None:
        try:
            energy = estimated_gap(site, path, said)
        except ConfigError:
            return ExchangeRecord(no_estimate=True)
    zone, notes = ZoneInfo(site.zone), Notes()
    cells = new_cells(site, said, energy)
    entry = check(InstrumentRow, Row({name: Cell(value) for name, value in cells.items()}, Place(SHEET)), notes)
    if entry is None or entry.faulty:
        return ExchangeRecord(faulty=tuple(sorted(entry.faulty if entry else ())))
    old = fitted(site, said.point)
    closed = replace(old, until_ms=said.out_ms, closing=tuple(said.closing.items()))
    others = tuple(one for one in site.instruments if one is not old)
    planned = replace(site, instruments=(*others, closed, instrument_of(entry.data, zone)))
    before = {"point": said.point, **({"from": stamp(old.from_ms, zone)} if old.from_ms else {}), **cells_of(old)}
    return ExchangeRecord(
        doubts=tuple(doubts_of(planned, path, said)),
        gap_mwh=dict(energy),
        columns=sheet_columns(InstrumentRow),
        old={**before, **closed_cells(site, said)},
        new=cells,
        command=command_of(site, said, gap),
    )


def command_of(site: Site, said: Said, gap: Mapping[str, int] | None) -> str:
    """The line that enters it, quoted for a shell; `PLAN` stands for the folder of the plan."""
    zone = ZoneInfo(site.zone)
    words = {"point": said.point, "at": stamp(said.out_ms, zone)}
    if said.in_ms != said.out_ms:
        words |= {"fitted": stamp(said.in_ms, zone), "gap": "estimate" if gap is None else _readings(gap)}
    words |= {"closing": _readings(said.closing), "opening": _readings(said.opening), "serial": said.serial}
    words |= {name.replace("_", "-"): value for name, value in said.new.items()}
    words |= {"person": said.person} | ({"note": said.note} if said.note else {})
    return " ".join(["meterd exchange PLAN", *(f"--{name}={shlex.quote(value)}" for name, value in words.items())])


def _readings(shown: Mapping[str, int]) -> str:
    """Registers by their names, in their base unit, as the command reads them."""
    return " ".join(
        f"{REGISTERS[code].name}={format((Decimal(milli) / 1000).normalize(), 'f')}" for code, milli in shown.items()
    )
