"""`meterd correct`, `meterd exchange` and `meterd rename`: what happens to the metering of a site in ten years."""

import argparse
import json
import sys
import time
import zoneinfo
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from rich.table import Table

from meterd.correction import STRUCK, ChangedFigure, Correction, factor_of, shown_of
from meterd.errors import ConfigError, StoreError
from meterd.interval import from_ms, text
from meterd.reading import REGISTERS

if TYPE_CHECKING:
    from meterd.figure import Channel
    from meterd.site import Site

DONE, FAILED = 0, 1
FIGURES_LIMIT_S = 900.0  # for the figures of many years: each takes the daemon some seconds
LOOK_S = 0.2
NEAR, NEAR_MS = 3, 3_600_000  # readings that are named where the one that is meant is not there
Line = dict[str, object]
Commands = argparse._SubParsersAction


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """The commands and their options."""
    from meterd.app.exchange_command import add as add_exchange
    from meterd.app.rename_command import add as add_rename

    _add_correct(commands)
    add_exchange(commands)
    add_rename(commands)


def _add_correct(commands: "Commands[argparse.ArgumentParser]") -> None:
    words = "correct the energy of a register between two moments by a factor, or one reading; what was read is never changed"
    parser = commands.add_parser("correct", help=words, description=words[0].upper() + words[1:] + ".")
    parser.set_defaults(work=run)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
    parser.add_argument("--point", metavar="NAME", help="the metering point, by its name or a former one")
    parser.add_argument("--register", default="import", metavar="NAME", help="import (default), export or an OBIS code")
    parser.add_argument("--from", metavar="WHEN", help="2026, 2026-03, 2026-03-29 (local) or 2026-03-29T10:00:00Z")
    parser.add_argument("--to", metavar="WHEN", help="the same, exclusive; default: for good")
    parser.add_argument("--factor", metavar="F", help="true energy over energy as read: 1.0204, 3 or 250/200")
    parser.add_argument("--at", metavar="TIME", help="the one reading that is wrong: 2026-05-04T09:30 (local)")
    single = parser.add_mutually_exclusive_group()
    single.add_argument("--reads", metavar="SHOWN", help="with --at: what the meter showed: 123456 (Wh) or 123.4kWh")
    single.add_argument("--strike", action="store_true", help="with --at: leave that reading out")
    parser.add_argument("--reason", metavar="TEXT", help="why; kept with the correction")
    parser.add_argument("--person", metavar="NAME", help="who says so")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--show", action="store_true", help="only show what would become different; nothing is changed")
    what.add_argument("--list", action="store_true", help="list all corrections, withdrawn ones too")
    parser.add_argument("--withdraw", type=int, metavar="NUMBER", help="take a correction back (--reason, --person)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
    parser.add_argument("--format", choices=("table", "csv", "json"), default="table", help="default: table, in kWh")


def run(arguments: argparse.Namespace) -> int:
    """`meterd correct`."""
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path

    site = load_plan(arguments.plan).site
    path = arguments.store or store_path(arguments.plan, site)
    if arguments.list:
        return _list(arguments, path, site)
    if arguments.withdraw is not None:
        one = _withdrawn(arguments, path)
    elif arguments.at is not None:
        one = _asked_reading(arguments, path, site)
    else:
        one = _asked(arguments, site)
    if arguments.show:
        return _show(arguments, path, site, one)
    return _order(arguments, path, site, one)


def _needed(arguments: argparse.Namespace, *names: str) -> dict[str, str]:
    """Options that must be said; who and why only if something is changed. ConfigError names those that are not."""
    options = {name: getattr(arguments, name) or "" for name in (*names, "reason", "person")}
    missing = [
        name for name, value in options.items() if not value and not (arguments.show and name in ("reason", "person"))
    ]
    if missing:
        raise ConfigError(f"say {', '.join('--' + name for name in missing)}; `meterd correct --help` explains")
    return options


def _asked_reading(arguments: argparse.Namespace, path: Path, site: "Site") -> Correction:
    """The correction of one reading; ConfigError for what is missing or cannot be."""
    from meterd.app.exchange_command import local, readings
    from meterd.app.query import some_points

    options = _needed(arguments, "point", "at")
    if arguments.factor or getattr(arguments, "from") or arguments.to:
        raise ConfigError("--at is for one reading; --from, --to and --factor are for the energy of a time")
    if not (arguments.reads or arguments.strike):
        raise ConfigError("say --reads with what the meter showed, or --strike; `meterd correct --help` explains")
    point = some_points(site, [options["point"]])[0]
    register = _register(arguments.register, point, site)
    at_ms = _reading_at(path, (point, register), local(options["at"], zoneinfo.ZoneInfo(site.zone)))
    reads = STRUCK
    if not arguments.strike:
        reads = f"{Decimal(readings(arguments.reads, [register], '--reads')[register]) / 1000:f}"
        shown_of(reads)
    return Correction(0, point, register, at_ms, at_ms + 1, "", options["reason"], options["person"], 0, reads=reads)


def _reading_at(path: Path, channel: "Channel", at_ms: int) -> int:
    """The moment of the reading that is meant: that very one, else the only one within its second."""
    from meterd.store.sqlite import SqliteStore

    with closing(SqliteStore.reader(path)) as store:
        for until in (at_ms + 1, at_ms + 1000):
            found = sorted({r.at_ms for r in store.readings_between(channel, at_ms, until, most=100)})
            if len(found) == 1:
                return found[0]
        near = {r.at_ms for r in store.readings_between(channel, at_ms, 2**62, most=NEAR)}
        near |= {r.at_ms for r in store.readings_between(channel, at_ms - NEAR_MS, at_ms, most=10_000)[-NEAR:]}
    said = ", ".join(text(ms) for ms in sorted(near)) or "none"
    raise ConfigError(f"{'none' if not found else 'more than one'} is kept of {text(at_ms)}; readings near it: {said}")


def _asked(arguments: argparse.Namespace, site: "Site") -> Correction:
    """The correction of the options; ConfigError for what is missing or cannot be."""
    from meterd.app.query import moment, some_points

    if arguments.reads or arguments.strike:
        raise ConfigError("say --at: the moment of the reading that is wrong")
    options = _needed(arguments, "point", "from", "factor")
    zone = zoneinfo.ZoneInfo(site.zone)
    point = some_points(site, [options["point"]])[0]
    low = moment(options["from"], zone, "--from")
    high = None if arguments.to is None else moment(arguments.to, zone, "--to")
    if high is not None and high <= low:
        raise ConfigError(f"--from {text(low)} is not before --to {text(high)}")
    register = _register(arguments.register, point, site)
    factor_of(options["factor"])
    return Correction(0, point, register, low, high, options["factor"], options["reason"], options["person"], 0)


def _register(words: str, point: str, site: "Site") -> str:
    """The OBIS code of a register that counts and that the plan reads at the point."""
    known = {name: kind.obis for kind in REGISTERS.values() if kind.cumulative for name in (kind.name, kind.obis)}
    if words not in known:
        raise ConfigError(f"{words} is no register that counts energy; known: {', '.join(known)}")
    if not any(row.point == point and row.register == known[words] for row in site.inputs):
        raise ConfigError(f"the plan reads no {words} at {point}")
    return known[words]


def _withdrawn(arguments: argparse.Namespace, path: Path) -> Correction:
    """The correction that is to be taken back."""
    from meterd.app.foreseen import corrections

    needed = [name for name in ("reason", "person") if not getattr(arguments, name) and not arguments.show]
    if needed:
        raise ConfigError(f"say {', '.join('--' + name for name in needed)}: who withdraws it, and why")
    one = next((c for c in corrections(path) if c.id == arguments.withdraw), None)
    if one is None or one.withdrawn_ms is not None:
        said = "there is no correction" if one is None else "withdrawn already: correction"
        raise ConfigError(f"{said} {arguments.withdraw}; --list lists them")
    return one


# -- what is listed ----------------------------------------------------------------------------------------------------


def _list(arguments: argparse.Namespace, path: Path, site: "Site") -> int:
    from meterd.app.cli import _console
    from meterd.app.foreseen import corrections
    from meterd.app.query import write

    lines: list[Line] = [
        {
            "number": one.id,
            "point": one.point,
            "register": REGISTERS[one.register].name,
            "from": text(one.from_ms),
            "until": "" if one.until_ms is None else text(one.until_ms),
            "factor": one.factor,
            "reads": one.reads,
            "reason": one.reason,
            "person": one.person,
            "entered": text(one.made_ms),
            "withdrawn": "" if one.withdrawn_ms is None else text(one.withdrawn_ms),
            "withdrawn by": one.withdrawn_by,
            "withdrawn because": one.withdrawn_reason,
        }
        for one in corrections(path)
        if arguments.point is None or one.point in _names(site, arguments.point)
    ]
    write(lines, arguments.format, _console(), title=f"Corrections ({site.name})", empty="no corrections")
    return DONE


def _names(site: "Site", wanted: str) -> set[str]:
    return next(({p.name, *p.aliases} for p in site.points if wanted in (p.name, *p.aliases)), {wanted})


def _show(arguments: argparse.Namespace, path: Path, site: "Site", one: Correction) -> int:
    """What would become different."""
    from meterd.app.foreseen import foresee

    found = foresee(path, site, one)
    _warn(found.doubtful_ms)
    lines = [_line(figure) for figure in found.figures]
    _write(arguments, lines, f"What {_words(one)} would change; nothing was changed")
    return DONE


def _words(one: Correction) -> str:
    from meterd.app.corrector import described

    return f"withdrawing correction {one.id} ({described(one)})" if one.id else described(one)


# -- what is ordered ---------------------------------------------------------------------------------------------------


def _order(arguments: argparse.Namespace, path: Path, site: "Site", one: Correction) -> int:
    """Enter or withdraw it, wait for the figures, and list what has become different."""
    from meterd.app.corrector import carry_out, order_of
    from meterd.app.foreseen import changed, doubtful, findings_changed, papers_changed, touch_of
    from meterd.app.touched import findings_of, picture
    from meterd.store.sqlite import SqliteStore

    if not path.exists():
        raise StoreError(f"there is no store at {path}; has the daemon written one yet?")
    with closing(SqliteStore.reader(path)) as store:
        touch = touch_of(one, store)
        before, found = picture(store, site, touch), findings_of(store, site, touch)
    said = replace(one, person=arguments.person, reason=arguments.reason)
    done, words = carry_out(order_of(said), path, site, _now_ms())
    print(words, file=sys.stdout if done and arguments.format == "table" else sys.stderr)
    if not done:
        return FAILED
    _await_figures(path)
    with closing(SqliteStore.reader(path)) as store:
        states = {row.finding.id: str(row.state) for row in found}
        figures = changed(before, picture(store, site, touch)) + findings_changed(store, site, touch, states)
        figures += papers_changed(store, site, touch)
        _warn(doubtful(store, site, touch))
    _write(arguments, [_line(figure) for figure in figures], "What has become different")
    return DONE


def _await_figures(path: Path) -> None:
    """Wait until the daemon has made all figures of all corrections again."""
    from meterd.correction import CORRECTING
    from meterd.store.sqlite import SqliteStore

    deadline = time.monotonic() + FIGURES_LIMIT_S
    with closing(SqliteStore.reader(path)) as store:
        while json.loads(store.fact(CORRECTING) or "[]"):
            if time.monotonic() > deadline:
                raise StoreError(
                    "the correction is entered; its figures are not all made again yet, the daemon goes on"
                )
            time.sleep(LOOK_S)


def _now_ms() -> int:
    from meterd.app.clock import WallClock

    return WallClock().now_ms()


# -- before and after --------------------------------------------------------------------------------------------------


def _line(one: ChangedFigure) -> Line:
    figures = not isinstance(one.before, str) and not isinstance(one.after, str)
    return {
        "what": one.what,
        "period": one.period,
        "subject": one.subject,
        "unit": "Wh" if figures else "",
        "before": one.before / 1000 if isinstance(one.before, int) else one.before,
        "after": one.after / 1000 if isinstance(one.after, int) else one.after,
    }


def _warn(doubtful_ms: Sequence[int]) -> None:
    for moment in doubtful_ms:
        words = "the energy of the gap is split there by an estimate"
        print(f"{text(moment)} lies between readings far apart: {words}", file=sys.stderr)


def _write(arguments: argparse.Namespace, lines: Sequence[Line], title: str) -> None:
    """For people in kWh with the difference; for programs in Wh."""
    from meterd.app.cli import _console
    from meterd.app.query import write

    console = _console()
    if arguments.format != "table" or not lines:
        write(lines, arguments.format, console, title=title, empty="nothing becomes different")
        return
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for name in ("what", "period", "subject", "before", "after", "difference"):
        table.add_column(
            name, justify="right" if name in ("before", "after", "difference") else "left", overflow="fold"
        )
    for line in lines:
        before, after = line["before"], line["after"]
        both = isinstance(before, float) and isinstance(after, float)
        difference = f"{(after - before) / 1000:+.3f} kWh" if both else ""  # type: ignore[operator]
        cells = [str(line[name]) for name in ("what", "period", "subject")]
        table.add_row(*cells, _cell(before), _cell(after), difference)
    console.print(table)


def _cell(value: object) -> str:
    if value is None:
        return "missing"
    return f"{value / 1000:.3f} kWh" if isinstance(value, float) else str(value)


def when(ms: int, zone: zoneinfo.ZoneInfo) -> str:
    """A moment for the plan: with the offset of the site's zone."""
    return from_ms(ms).astimezone(zone).isoformat()
