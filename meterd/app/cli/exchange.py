"""`meterd exchange`: one meter out, another in, as a guided record. Name and history of the point go on."""

import argparse
import json
import sys
import tomllib
import zoneinfo
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from meterd.adapters.planfile.csv_editor import CsvText
from meterd.adapters.planfile.edit import PlanFiles
from meterd.adapters.planfile.loader import PlanError, load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.app.cli.check import render_faults
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.shown_registers import readings
from meterd.app.operations.meter_exchange import (
    CSV_FILE,
    SAME,
    cells_of,
    closed_cells,
    estimated_gap,
    fitted,
    inconsistencies_of,
    new_cells,
    stamp,
    written,
)
from meterd.app.operations.order_handler import carry_out
from meterd.app.operations.orders import new_order
from meterd.app.operations.question import FIRST_YEAR, LAST_YEAR, some_points
from meterd.core.errors import ConfigError
from meterd.core.model.periods import text, to_ms
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.written import iso_date
from meterd.core.registers.meter_exchange import ExchangeEntry

DONE = 0
Ask = Callable[[str], str]


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "exchange", run, plan="plan folder with instruments.csv", store=True)
    parser.add_argument("--point", metavar="NAME", help="the metering point")
    parser.add_argument("--at", metavar="TIME", help="when the old meter was taken out: 2026-05-04T09:30 (local)")
    parser.add_argument("--fitted", metavar="TIME", help="when the new one was fitted; default: the same time")
    shown = "123456 (Wh), 123.4kWh, or per register: import=123.4kWh export=0"
    parser.add_argument("--closing", metavar="SHOWN", help=f"what the old meter showed: {shown}")
    parser.add_argument("--opening", metavar="SHOWN", help="what the new meter showed, likewise")
    parser.add_argument("--gap", metavar="ENERGY", help="energy in between (primary), or: estimate")
    parser.add_argument("--serial", metavar="TEXT", help="serial number of the new meter")
    for name in SAME:
        parser.add_argument(
            f"--{name.replace('_', '-')}", metavar="VALUE", help="of the new meter; default: as the old one"
        )
    parser.add_argument("--person", metavar="NAME", help="who exchanged it")
    parser.add_argument(
        "--note", default="", metavar="TEXT", help="reason; stored with the record and the new instrument"
    )
    parser.add_argument("--anyway", action="store_true", help="enter it although readings contradict it")
    parser.add_argument("--show", action="store_true", help="only show the rows; nothing is changed")


def run(arguments: argparse.Namespace) -> int:
    """`meterd exchange`."""
    site = load_plan(arguments.plan).site
    path = arguments.store or store_path(arguments.plan, site)
    entry = complete(arguments, site, input if sys.stdin.isatty() else _nobody)
    files = PlanFiles(arguments.plan)
    gap = _gap(arguments, site, path, entry)
    edit_plan(files, site, entry, gap)
    try:
        _, planned = files.check()
    except PlanError as exc:
        raise ConfigError(f"{render_faults(exc.faults)}\nthe plan would have faults; nothing was changed") from exc
    speaking = inconsistencies_of(planned.site, path, entry)
    for message in speaking:
        print(message, file=sys.stderr)
    if speaking and not arguments.anyway:
        raise ConfigError("readings contradict this exchange; correct the notes, or give --anyway; nothing was changed")
    if arguments.show:
        _say_rows(files, entry)
        return DONE
    return _put(files, planned.site, path, entry)


def _nobody(question: str) -> str:
    raise ConfigError(
        f"{question.rstrip(': ')} is missing, and there is no terminal to ask at; see `meterd exchange --help`"
    )


# -- what is asked -----------------------------------------------------------------------------------------------------


def complete(arguments: argparse.Namespace, site: Site, ask: Ask) -> ExchangeEntry:
    """Everything that is needed, asked for where it is not said. ConfigError for what cannot be."""
    point = some_points(site, [arguments.point or ask("point: ")])[0]
    old = fitted(site, point)
    registers = [row.register for row in site.inputs if row.point == point and REGISTERS[row.register].cumulative]
    if not registers:
        raise ConfigError(f"the plan reads no register of {point} that counts energy")
    zone = zoneinfo.ZoneInfo(site.zone)
    out = local(
        arguments.at or ask(f"when was meter {old.serial or 'without serial'} taken out (2026-05-04T09:30): "), zone
    )
    into = out if arguments.fitted is None else local(arguments.fitted, zone)
    if not old.from_ms < out <= into:
        message = f"the meter was fitted {text(old.from_ms)}, taken out {text(out)}, the new one fitted {text(into)}"
        raise ConfigError(f"{message}: these times do not follow each other")
    names = ", ".join(REGISTERS[register].name for register in registers)
    closing = readings(
        arguments.closing or ask(f"what did the old meter show ({names}; 123.4kWh): "), registers, "--closing"
    )
    opening = readings(arguments.opening or ask(f"what does the new meter show ({names}): "), registers, "--opening")
    serial = arguments.serial or ask("serial number of the new meter: ").strip()
    person = arguments.person or ask("who exchanged it: ").strip()
    if not serial or not person:
        raise ConfigError("serial number and person are needed: the record is of no use without them")
    new = {name: value for name in SAME if (value := getattr(arguments, name)) is not None}
    return ExchangeEntry(
        point, out, into, closing=closing, opening=opening, serial=serial, person=person, note=arguments.note, new=new
    )


def local(entered: str, zone: zoneinfo.ZoneInfo) -> int:
    """A moment as a person writes it, local to the site unless it has an offset; ConfigError for one that is none."""
    try:
        result = datetime.fromisoformat(iso_date(entered).strip())
    except ValueError as exc:
        raise ConfigError(
            f"{entered!r} is not a time: write 2026-05-04T09:30 or 04.05.2026 09:30, or with offset 2026-05-04T09:30+02:00"
        ) from exc
    if not FIRST_YEAR <= result.year <= LAST_YEAR:
        raise ConfigError(f"{entered!r} is not a time: the year is not one of {FIRST_YEAR} to {LAST_YEAR}")
    if result.tzinfo is not None:
        return to_ms(result.astimezone(UTC))
    if len(iso_date(entered).strip()) <= len("2026-05-04"):
        raise ConfigError(f"{entered!r} has no time of day: write 2026-05-04T09:30")
    item, other = (to_ms(result.replace(tzinfo=zone, fold=fold).astimezone(UTC)) for fold in (0, 1))
    if item != other:
        raise ConfigError(f"{entered} occurs twice or not at all when the clocks change: write it with its offset")
    return item


# -- the plan ----------------------------------------------------------------------------------------------------------


def edit_plan(files: PlanFiles, site: Site, entry: ExchangeEntry, gap: Mapping[str, int]) -> None:
    """Close the row of the old instrument and add one for the new. ConfigError where the plan has it in a TOML file."""
    old, closes, new = fitted(site, entry.point), closed_cells(site, entry), new_cells(site, entry, gap)
    if CSV_FILE not in files.texts:
        _refuse_toml(files, entry.point, closes, new)
        files.texts[CSV_FILE] = (
            ",".join(["point", "from", "until", "serial", *SAME, "opening_wh", "closing_wh", "note"]) + "\n"
        )
    csv_file = CsvText(files.texts[CSV_FILE])
    own = [i for i, row in enumerate(csv_file.rows) if row.get("point") == entry.point and not row.get("until")]
    if own:
        row = own[-1]
        new = {**new, **{n: v for n in SAME if n not in entry.new and (v := csv_file.rows[row].get(n))}}
    else:  # it is there by a pattern or a row for every point: from now on the point has rows of its own
        _refuse_toml(files, entry.point, closes, new)
        start = {} if old.from_ms == 0 else {"from": stamp(old.from_ms, zoneinfo.ZoneInfo(site.zone))}
        csv_file = csv_file.with_row({"point": entry.point, **start, **cells_of(old)})
        row = len(csv_file.rows) - 1
    for column, value in closes.items():
        csv_file = csv_file.with_value(row, column, value)
    files.texts[CSV_FILE] = csv_file.with_row(new, after=row).text


def _refuse_toml(files: PlanFiles, point: str, closes: Mapping[str, str], new: Mapping[str, str]) -> None:
    """A row that stands in a TOML file is changed by hand: what to write is said."""
    rows = tomllib.loads(files.texts[files.main].removeprefix("\ufeff")).get("instrument", [])
    if files.is_folder and not any(row.get("point") == point for row in rows):
        return
    lines = [f"the instrument of {point} stands in {files.main}; change it there, nothing was changed"]
    lines += [f"  in its table: {', '.join(f'{k} = {json.dumps(v)}' for k, v in closes.items())}"]
    lines += ["  and a new one: [[instrument]]", *(f"  {k} = {json.dumps(v)}" for k, v in new.items())]
    raise ConfigError("\n".join(lines))


# -- what the readings say ---------------------------------------------------------------------------------------------


def _gap(arguments: argparse.Namespace, site: Site, path: Path, entry: ExchangeEntry) -> dict[str, int]:
    """Energy between the two meters in mWh, by OBIS code: as it was said, or as it usually is at that time of day."""
    if entry.in_ms == entry.out_ms:
        if arguments.gap is not None:
            raise ConfigError("--gap needs --fitted: the one meter followed the other at the same moment")
        return {}
    registers = list(entry.closing)
    if arguments.gap not in (None, "estimate"):
        return readings(arguments.gap, registers, "--gap")
    if arguments.gap is None:
        minutes = (entry.in_ms - entry.out_ms) / 60_000
        raise ConfigError(f"no meter was fitted for {minutes:.0f} minutes: give --gap ENERGY, or --gap estimate")
    return estimated_gap(site, path, entry)


# -- what is stored ----------------------------------------------------------------------------------------------------


def _say_rows(files: PlanFiles, entry: ExchangeEntry) -> None:
    print(f"{CSV_FILE} would have; nothing was changed")
    for row in CsvText(files.texts[CSV_FILE]).rows:
        if row.get("point") == entry.point:
            print("  " + ", ".join(f"{name} {value}" for name, value in row.items() if value))


def _put(files: PlanFiles, site: Site, path: Path, entry: ExchangeEntry) -> int:
    """Write the plan, and the record into the store if there is one."""
    old = next(instrument for instrument in site.instruments_of(entry.point) if instrument.until_ms == entry.out_ms)
    new = next(instrument for instrument in site.instruments_of(entry.point) if instrument.from_ms == entry.in_ms)
    details = {
        "old serial": old.serial, "new serial": new.serial, "closing_wh": written(entry.closing),
        "opening_wh": written(entry.opening), "fitted": text(entry.in_ms), "gap_wh": written(dict(new.gap)),
    }  # fmt: skip
    note = entry.note or f"meter {old.serial or 'without serial'} exchanged for {new.serial}"
    stored = json.dumps({"kind": "exchange", "details": details}, ensure_ascii=False)
    order = new_order("record", entry.point, entry.person, note, details=stored, from_ms=entry.out_ms)
    aside = files.put(f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    print(
        f"{CSV_FILE}: {entry.point} has meter {new.serial} from {stamp(entry.in_ms, zoneinfo.ZoneInfo(site.zone))} on"
    )
    print(f"the old file is stored in {aside}")
    if path.exists():
        done, message = carry_out(order, path, site, WallClock().now_ms())
        print(message, file=sys.stdout if done else sys.stderr)
    print("a running daemon applies the plan by itself; closed figures since the exchange are recalculated")
    return DONE
