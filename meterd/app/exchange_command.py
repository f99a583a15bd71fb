"""`meterd exchange`: one meter out, another in, as a guided record. Name and history of the point go on."""

import argparse
import json
import sys
import tomllib
import zoneinfo
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.errors import ConfigError
from meterd.exchange import Doubt, Said, Swap, against, usual_energy
from meterd.figure import Channel
from meterd.interval import DAY_MS, HOUR_MS, Period, from_ms, text, to_ms
from meterd.reading import REGISTERS, UNITS

if TYPE_CHECKING:
    from meterd.app.plan.files import PlanFiles
    from meterd.site import Instrument, Site
    from meterd.store.sqlite import SqliteStore

DONE = 0
SHEET = "instruments.csv"
# what the new meter has as the old one unless it is said otherwise
SAME = ("meter_class", "ct_class", "ct_set", "ct_ratio", "pulse_wh", "register_max_wh", "resolution_wh")
# how far before and after the exchange its neighbouring readings are looked for: a month of one a second is millions of them
LOOKS_MS = (HOUR_MS, DAY_MS, 31 * DAY_MS)
USUAL_DAYS = 7
Ask = Callable[[str], str]
Commands = argparse._SubParsersAction


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """The command and its options."""
    words = "record the exchange of a meter: closing and opening reading, the new instrument; asks for what is not said"
    parser = commands.add_parser("exchange", help=words, description=words[0].upper() + words[1:] + ".")
    parser.set_defaults(work=run)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder with instruments.csv")
    parser.add_argument("--point", metavar="NAME", help="the metering point")
    parser.add_argument("--at", metavar="TIME", help="when the old meter was taken out: 2026-05-04T09:30 (local)")
    parser.add_argument("--fitted", metavar="TIME", help="when the new one was put in; default: the same moment")
    shown = "123456 (Wh), 123.4kWh, or per register: import=123.4kWh export=0"
    parser.add_argument("--closing", metavar="SHOWN", help=f"what the old meter showed: {shown}")
    parser.add_argument("--opening", metavar="SHOWN", help="what the new meter showed, likewise")
    parser.add_argument("--gap", metavar="ENERGY", help="what flowed in between (primary), or: estimate")
    parser.add_argument("--serial", metavar="TEXT", help="serial number of the new meter")
    for name in SAME:
        parser.add_argument(
            f"--{name.replace('_', '-')}", metavar="VALUE", help="of the new meter; default: as the old one"
        )
    parser.add_argument("--person", metavar="NAME", help="who exchanged it")
    parser.add_argument("--note", default="", metavar="TEXT", help="why; kept with the record and the new instrument")
    parser.add_argument("--anyway", action="store_true", help="keep it although readings speak against it")
    parser.add_argument("--show", action="store_true", help="only show the rows; nothing is changed")
    parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")


def run(arguments: argparse.Namespace) -> int:
    """`meterd exchange`."""
    from meterd.app.check import render_faults
    from meterd.app.config import PlanError, load_plan
    from meterd.app.daemon import store_path
    from meterd.app.plan.files import PlanFiles

    site = load_plan(arguments.plan).site
    path = arguments.store or store_path(arguments.plan, site)
    said = complete(arguments, site, input if sys.stdin.isatty() else _nobody)
    files = PlanFiles(arguments.plan)
    gap = _gap(arguments, site, path, said)
    edit(files, site, said, gap)
    try:
        _, planned = files.check()
    except PlanError as exc:
        raise ConfigError(f"{render_faults(exc.faults)}\nthe plan would have faults; nothing was changed") from exc
    speaking = doubts_of(planned.site, path, said)
    for words in speaking:
        print(words, file=sys.stderr)
    if speaking and not arguments.anyway:
        raise ConfigError("readings speak against this exchange; correct them, or say --anyway; nothing was changed")
    if arguments.show:
        _say_rows(files, said)
        return DONE
    return _put(files, planned.site, path, said)


def _nobody(question: str) -> str:
    raise ConfigError(
        f"{question.rstrip(': ')} is not said, and nobody is here to ask; `meterd exchange --help` explains"
    )


# -- what is asked -----------------------------------------------------------------------------------------------------


def complete(arguments: argparse.Namespace, site: "Site", ask: Ask) -> Said:
    """Everything that is needed, asked for where it is not said. ConfigError for what cannot be."""
    from meterd.app.query import some_points

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
        words = f"the meter was fitted {text(old.from_ms)}, taken out {text(out)}, the new one fitted {text(into)}"
        raise ConfigError(f"{words}: these times do not follow each other")
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
    return Said(point, out, into, closing, opening, serial, person, arguments.note, new)


def fitted(site: "Site", point: str) -> "Instrument":
    """The instrument that is at a point for good; ConfigError if there is none."""
    found = [one for one in site.instruments_of(point) if one.until_ms is None]
    if not found:
        raise ConfigError(f"the plan has no instrument at {point} that is still there; write its row in {SHEET} first")
    return found[-1]


def local(words: str, zone: zoneinfo.ZoneInfo) -> int:
    """A moment as a person writes it, local to the site unless it has an offset; ConfigError for one that is none."""
    try:
        found = datetime.fromisoformat(words.strip())
    except ValueError as exc:
        raise ConfigError(
            f"{words!r} is not a time: write 2026-05-04T09:30, or with offset 2026-05-04T09:30+02:00"
        ) from exc
    if found.tzinfo is not None:
        return to_ms(found.astimezone(UTC))
    if len(words.strip()) <= len("2026-05-04"):
        raise ConfigError(f"{words!r} has no time of day: write 2026-05-04T09:30")
    one, other = (to_ms(found.replace(tzinfo=zone, fold=fold).astimezone(UTC)) for fold in (0, 1))
    if one != other:
        raise ConfigError(f"{words} is there twice or not at all when clocks change: write it with its offset")
    return one


def readings(words: str, registers: list[str], option: str) -> dict[str, int]:
    """What registers showed, in thousandths, by OBIS code: `123.4kWh` or `import=123.4kWh export=0`."""
    codes = {kind.name: kind.obis for kind in REGISTERS.values()} | {obis: obis for obis in REGISTERS}
    found: dict[str, int] = {}
    for part in words.split():
        name, sign, figure = part.rpartition("=")
        register = codes.get(name) if sign else registers[0]
        if register not in registers or register in found:
            raise ConfigError(f"{option} {part}: the plan reads here, once each, {', '.join(registers)}")
        found[register] = _milli(figure, option)
    missing = [REGISTERS[r].name for r in registers if r not in found]
    if missing:
        raise ConfigError(
            f"{option} lacks {', '.join(missing)}: without it the energy across the exchange is not known"
        )
    return found


def _milli(figure: str, option: str) -> int:
    unit = next((unit for unit in ("MWh", "kWh", "Wh", "Mvarh", "kvarh", "varh", "imp") if figure.endswith(unit)), "")
    try:
        exact = Decimal(figure.removesuffix(unit)) * 1000 * Decimal(UNITS[unit or "Wh"][1])
        if exact < 0 or exact != exact.to_integral_value():
            raise ConfigError(f"{option} {figure}: write 0 or more, down to a thousandth of Wh")
        return int(exact)
    except ArithmeticError as exc:  # also what is no number at all
        raise ConfigError(
            f"{option} {figure}: write a number with a decimal point, such as 123456 or 123.4kWh"
        ) from exc


# -- the plan ----------------------------------------------------------------------------------------------------------


def edit(files: "PlanFiles", site: "Site", said: Said, gap: Mapping[str, int]) -> None:
    """Close the row of the old instrument and add one for the new. ConfigError where the plan has it in a TOML file."""
    from meterd.app.plan.sheet_text import SheetText

    old, closes, new = fitted(site, said.point), closed_cells(site, said), new_cells(site, said, gap)
    if SHEET not in files.texts:
        _refuse_toml(files, said.point, closes, new)
        files.texts[SHEET] = (
            ",".join(["point", "from", "until", "serial", *SAME, "opening_wh", "closing_wh", "note"]) + "\n"
        )
    sheet = SheetText(files.texts[SHEET])
    own = [i for i, row in enumerate(sheet.rows) if row.get("point") == said.point and not row.get("until")]
    if own:
        row = own[-1]
        new = {**new, **{n: v for n in SAME if n not in said.new and (v := sheet.rows[row].get(n))}}
    else:  # it is there by a pattern or a row for every point: from now on the point has rows of its own
        _refuse_toml(files, said.point, closes, new)
        start = {} if old.from_ms == 0 else {"from": stamp(old.from_ms, zoneinfo.ZoneInfo(site.zone))}
        sheet = sheet.with_row({"point": said.point, **start, **cells_of(old)})
        row = len(sheet.rows) - 1
    for column, value in closes.items():
        sheet = sheet.with_value(row, column, value)
    files.texts[SHEET] = sheet.with_row(new, after=row).text


def closed_cells(site: "Site", said: Said) -> dict[str, str]:
    """What is written into the row of the instrument that was taken out."""
    return {"until": stamp(said.out_ms, zoneinfo.ZoneInfo(site.zone)), "closing_wh": written(said.closing)}


def new_cells(site: "Site", said: Said, gap: Mapping[str, int]) -> dict[str, str]:
    """The row of the new instrument; what is not said it has from the old one."""
    new = {
        "point": said.point,
        "from": stamp(said.in_ms, zoneinfo.ZoneInfo(site.zone)),
        "serial": said.serial,
        **{name: value for name, value in cells_of(fitted(site, said.point)).items() if name in SAME},
        **said.new,
        "opening_wh": written(said.opening),
        "gap_wh": written(gap),
        "note": said.note,
    }
    return {name: value for name, value in new.items() if value or name in ("point", "from")}


def _refuse_toml(files: "PlanFiles", point: str, closes: Mapping[str, str], new: Mapping[str, str]) -> None:
    """A row that stands in a TOML file is changed by hand: what to write is said."""
    rows = tomllib.loads(files.texts[files.main].removeprefix("\ufeff")).get("instrument", [])
    if files.is_folder and not any(row.get("point") == point for row in rows):
        return
    lines = [f"the instrument of {point} stands in {files.main}; change it there, nothing was changed"]
    lines += [f"  in its table: {', '.join(f'{k} = {json.dumps(v)}' for k, v in closes.items())}"]
    lines += ["  and a new one: [[instrument]]", *(f"  {k} = {json.dumps(v)}" for k, v in new.items())]
    raise ConfigError("\n".join(lines))


def cells_of(one: "Instrument") -> dict[str, str]:
    """An instrument as the cells of its row, without dates and readings."""
    ratio = one.ct_primary_a is not None and one.ct_secondary_a is not None
    found = {
        "serial": one.serial,
        "meter_class": one.meter_class or "",
        "ct_class": one.ct_class or "",
        "ct_set": one.ct_set or "",
        "ct_ratio": f"{one.ct_primary_a:g}/{one.ct_secondary_a:g}" if ratio else "",
        "pulse_wh": _exact(one.pulse_wh),
        "register_max_wh": _exact(one.register_max_wh),
        "resolution_wh": _exact(one.resolution_wh) if one.resolution_wh else "",
        "opening_wh": written(dict(one.opening)),
        "gap_wh": written(dict(one.gap)),
        "note": one.note,
    }
    return {name: value for name, value in found.items() if value}


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


# -- what the readings say ---------------------------------------------------------------------------------------------


def _gap(arguments: argparse.Namespace, site: "Site", path: Path, said: Said) -> dict[str, int]:
    """Energy between the two meters in mWh, by OBIS code: as it was said, or as it usually is at that time of day."""
    if said.in_ms == said.out_ms:
        if arguments.gap is not None:
            raise ConfigError("--gap needs --fitted: the one meter followed the other at the same moment")
        return {}
    registers = list(said.closing)
    if arguments.gap not in (None, "estimate"):
        return readings(arguments.gap, registers, "--gap")
    if arguments.gap is None:
        minutes = (said.in_ms - said.out_ms) / 60_000
        raise ConfigError(f"no meter was fitted for {minutes:.0f} minutes: say --gap ENERGY, or --gap estimate")
    return estimated_gap(site, path, said)


def estimated_gap(site: "Site", path: Path, said: Said) -> dict[str, int]:
    """What usually flows at that time of day, in mWh by OBIS code; ConfigError if no whole day before is known."""
    from meterd.store.sqlite import SqliteStore

    with closing(SqliteStore.reader(path)) as store:
        found = {register: _usual(store, site, (said.point, register), said) for register in said.closing}
    lacking = [REGISTERS[register].name for register, energy in found.items() if energy is None]
    if lacking:
        raise ConfigError(
            f"{', '.join(lacking)}: no whole day before is known, nothing can be estimated; say --gap ENERGY"
        )
    return {register: energy for register, energy in found.items() if energy is not None}


def _usual(store: "SqliteStore", site: "Site", channel: Channel, said: Said) -> int | None:
    import numpy as np

    step, days = site.interval_s * 1000, []
    for back in range(1, USUAL_DAYS + 1):
        low, high = said.out_ms - back * DAY_MS, said.in_ms - back * DAY_MS
        grid = np.arange(low - low % step, high, step, dtype=np.int64)
        columns = store.columns([channel], Period.INTERVAL, grid)
        known = zip(grid.tolist(), columns.energy[:, 0].tolist(), columns.present[:, 0].tolist(), strict=True)
        days.append([(start, start + step, energy if there else None) for start, energy, there in known])
    return usual_energy(days, said.out_ms, said.in_ms, DAY_MS)


def doubts_of(site: "Site", path: Path, said: Said) -> list[Doubt]:
    """What the readings in the store say against the exchange, as the plan would have it."""
    from meterd.pipeline import begin
    from meterd.store.sqlite import SqliteStore

    if not path.exists():
        return []
    rules = begin(site, zoneinfo.ZoneInfo(site.zone), None).rules
    found: list[Doubt] = []
    with closing(SqliteStore.reader(path)) as store:
        for register in said.closing:
            channel = (said.point, register)
            old = next(rule for rule in rules[channel] if rule.until_ms == said.out_ms)
            new = next(rule for rule in rules[channel] if rule.from_ms == said.in_ms)
            last = _neighbour([(said.out_ms - far, said.out_ms) for far in LOOKS_MS], store, channel, -1)
            first = _neighbour([(said.in_ms, said.in_ms + far) for far in LOOKS_MS], store, channel, 0)
            found += against(Swap(REGISTERS[register].name, old, new, last, first))
    return found


def _neighbour(
    spans: Sequence[tuple[int, int]], store: "SqliteStore", channel: Channel, which: int
) -> tuple[int, int] | None:
    """The last (-1) or first (0) reading of the first span that has any; None if none has."""
    for low, high in spans:
        times, shown = store.history(channel, low, high)
        if len(times):
            return int(times[which]), int(shown[which])
    return None


# -- what is kept ------------------------------------------------------------------------------------------------------


def _say_rows(files: "PlanFiles", said: Said) -> None:
    from meterd.app.plan.sheet_text import SheetText

    print(f"{SHEET} would have; nothing was changed")
    for row in SheetText(files.texts[SHEET]).rows:
        if row.get("point") == said.point:
            print("  " + ", ".join(f"{name} {value}" for name, value in row.items() if value))


def _put(files: "PlanFiles", site: "Site", path: Path, said: Said) -> int:
    """Write the plan, and the record into the store if there is one."""
    from meterd.app.corrector import carry_out
    from meterd.app.orders import new_order

    old = next(one for one in site.instruments_of(said.point) if one.until_ms == said.out_ms)
    new = next(one for one in site.instruments_of(said.point) if one.from_ms == said.in_ms)
    details = {
        "old serial": old.serial, "new serial": new.serial, "closing_wh": written(said.closing),
        "opening_wh": written(said.opening), "fitted": text(said.in_ms), "gap_wh": written(dict(new.gap)),
    }  # fmt: skip
    note = said.note or f"meter {old.serial or 'without serial'} exchanged for {new.serial}"
    kept = json.dumps({"kind": "exchange", "details": details}, ensure_ascii=False)
    order = new_order("record", said.point, said.person, note, details=kept, from_ms=said.out_ms)
    aside = files.put(f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    print(f"{SHEET}: {said.point} has meter {new.serial} from {stamp(said.in_ms, zoneinfo.ZoneInfo(site.zone))} on")
    print(f"the file as it was is kept in {aside}")
    if path.exists():
        done, words = carry_out(order, path, site, _now_ms())
        print(words, file=sys.stdout if done else sys.stderr)
    print("a running daemon takes the plan over by itself; closed figures since the exchange are made again")
    return DONE


def _now_ms() -> int:
    from meterd.app.clock import WallClock

    return WallClock().now_ms()
