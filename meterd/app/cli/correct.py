"""`meterd correct`: the energy of a register by a factor, or one reading; what was read is never changed."""

import argparse
import json
import sys
import time
import zoneinfo
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from rich.table import Table

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.exchange import local
from meterd.app.cli.output import Line, terminal, write
from meterd.app.cli.shown_registers import readings
from meterd.app.operations.impact import affected_figures, findings_of
from meterd.app.operations.order_handler import carry_out, described, order_of
from meterd.app.operations.preview import (
    changed,
    corrections,
    documents_changed,
    doubtful,
    findings_changed,
    impact_of,
    preview_correction,
)
from meterd.app.operations.question import moment, some_points
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import from_ms, text
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.results import Channel
from meterd.core.registers.corrections import CORRECTING, STRUCK, ChangedFigure, Correction, shown_of, written_factor

DONE, FAILED = 0, 1
FIGURES_LIMIT_S = 900.0  # for the figures of many years: each takes the daemon some seconds
LOOK_S = 0.2
NEAR, NEAR_MS = 3, 3_600_000  # readings that are named where the one that is meant is not there


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "correct", run, store=True, formats=("table", "csv", "json"))
    parser.add_argument("--point", metavar="NAME", help="the metering point, by its name or a former one")
    parser.add_argument("--register", default="import", metavar="NAME", help="import (default), export or an OBIS code")
    parser.add_argument(
        "--from", metavar="WHEN", help="2026, 2026-03, 2026-03-29 or 29.03.2026 (local), or 2026-03-29T10:00:00Z"
    )
    parser.add_argument("--to", metavar="WHEN", help="the same, exclusive; default: no end")
    parser.add_argument(
        "--factor", metavar="F", help="true energy over energy as read: 1.0204 (or 1,0204), 3 or 250/200"
    )
    parser.add_argument(
        "--at", metavar="TIME", help="the one reading that is wrong: 2026-05-04T09:30, 04.05.2026 09:30"
    )
    single = parser.add_mutually_exclusive_group()
    single.add_argument(
        "--reads", metavar="SHOWN", help="with --at: what the meter showed: 123456 (Wh), 123.4kWh or 123,4kWh"
    )
    single.add_argument("--strike", action="store_true", help="with --at: leave that reading out")
    parser.add_argument("--reason", metavar="TEXT", help="reason; stored with the correction")
    parser.add_argument("--person", metavar="NAME", help="who enters it")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--show", action="store_true", help="only show the effect; nothing is changed")
    what.add_argument("--list", action="store_true", help="list all corrections, withdrawn ones too")
    parser.add_argument("--withdraw", type=int, metavar="NUMBER", help="withdraw a correction (--reason, --person)")


def run(arguments: argparse.Namespace) -> int:
    """`meterd correct`."""
    site = load_plan(arguments.plan).site
    path = arguments.store or store_path(arguments.plan, site)
    if arguments.list:
        return _list(arguments, path, site)
    if arguments.withdraw is not None:
        correction = _withdrawn(arguments, path)
    elif arguments.at is not None:
        correction = _asked_reading(arguments, path, site)
    else:
        correction = _asked(arguments, site)
    if arguments.show:
        return _show(arguments, path, site, correction)
    return _order(arguments, path, site, correction)


def _needed(arguments: argparse.Namespace, *names: str) -> dict[str, str]:
    """Options that must be said; who and why only if something is changed. ConfigError names those that are not."""
    options = {name: getattr(arguments, name) or "" for name in (*names, "reason", "person")}
    missing = [
        name for name, value in options.items() if not value and not (arguments.show and name in ("reason", "person"))
    ]
    if missing:
        raise ConfigError(f"give {', '.join('--' + name for name in missing)}; `meterd correct --help` explains")
    return options


def _asked_reading(arguments: argparse.Namespace, path: Path, site: Site) -> Correction:
    """The correction of one reading; ConfigError for what is missing or cannot be."""
    options = _needed(arguments, "point", "at")
    if arguments.factor or getattr(arguments, "from") or arguments.to:
        raise ConfigError("--at is for one reading; --from, --to and --factor are for the energy of a time")
    if not (arguments.reads or arguments.strike):
        raise ConfigError("give --reads with what the meter showed, or --strike; `meterd correct --help` explains")
    point = some_points(site, [options["point"]])[0]
    register = _register(arguments.register, point, site)
    at_ms = _reading_at(path, (point, register), local(options["at"], zoneinfo.ZoneInfo(site.zone)))
    reads = STRUCK
    if not arguments.strike:
        reads = f"{Decimal(readings(arguments.reads, [register], '--reads')[register]) / 1000:f}"
        shown_of(reads)
    return Correction(
        0,
        point,
        register,
        from_ms=at_ms,
        until_ms=at_ms + 1,
        factor="",
        reason=options["reason"],
        person=options["person"],
        made_ms=0,
        reads=reads,
    )


def _reading_at(path: Path, channel: Channel, at_ms: int) -> int:
    """The moment of the reading that is meant: that very one, else the only one within its second."""
    with open_to_read(path) as store:
        for until in (at_ms + 1, at_ms + 1000):
            results = sorted({r.at_ms for r in store.readings_between(channel, at_ms, until, most=100)})
            if len(results) == 1:
                return results[0]
        near = {r.at_ms for r in store.readings_between(channel, at_ms, 2**62, most=NEAR)}
        near |= {r.at_ms for r in store.readings_between(channel, at_ms - NEAR_MS, at_ms, most=10_000)[-NEAR:]}
    nearby = ", ".join(text(ms) for ms in sorted(near)) or "none"
    raise ConfigError(
        f"{'none' if not results else 'more than one'} is stored for {text(at_ms)}; readings near it: {nearby}"
    )


def _asked(arguments: argparse.Namespace, site: Site) -> Correction:
    """The correction of the options; ConfigError for what is missing or cannot be."""
    if arguments.reads or arguments.strike:
        raise ConfigError("give --at: the time of the reading that is wrong")
    options = _needed(arguments, "point", "from", "factor")
    zone = zoneinfo.ZoneInfo(site.zone)
    point = some_points(site, [options["point"]])[0]
    low = moment(options["from"], zone, "--from")
    high = None if arguments.to is None else moment(arguments.to, zone, "--to")
    if high is not None and high <= low:
        raise ConfigError(f"--from {text(low)} is not before --to {text(high)}")
    register = _register(arguments.register, point, site)
    factor = written_factor(options["factor"])
    return Correction(
        0,
        point,
        register,
        from_ms=low,
        until_ms=high,
        factor=factor,
        reason=options["reason"],
        person=options["person"],
        made_ms=0,
    )


def _register(entered: str, point: str, site: Site) -> str:
    """The OBIS code of a register that counts and that the plan reads at the point."""
    known = {name: kind.obis for kind in REGISTERS.values() if kind.cumulative for name in (kind.name, kind.obis)}
    if entered not in known:
        raise ConfigError(f"{entered} is not a register that counts energy; known: {', '.join(known)}")
    if not any(row.point == point and row.register == known[entered] for row in site.inputs):
        raise ConfigError(f"the plan reads no {entered} at {point}")
    return known[entered]


def _withdrawn(arguments: argparse.Namespace, path: Path) -> Correction:
    """The correction that is to be taken back."""
    needed = [name for name in ("reason", "person") if not getattr(arguments, name) and not arguments.show]
    if needed:
        raise ConfigError(f"give {', '.join('--' + name for name in needed)}: who withdraws it, and why")
    correction = next((c for c in corrections(path) if c.id == arguments.withdraw), None)
    if correction is None or correction.withdrawn_ms is not None:
        message = "there is no correction" if correction is None else "withdrawn already: correction"
        raise ConfigError(f"{message} {arguments.withdraw}; --list lists them")
    return correction


# -- what is listed ----------------------------------------------------------------------------------------------------


def _list(arguments: argparse.Namespace, path: Path, site: Site) -> int:
    lines: list[Line] = [
        {
            "number": correction.id,
            "point": correction.point,
            "register": REGISTERS[correction.register].name,
            "from": text(correction.from_ms),
            "until": "" if correction.until_ms is None else text(correction.until_ms),
            "factor": correction.factor,
            "reads": correction.reads,
            "reason": correction.reason,
            "person": correction.person,
            "entered": text(correction.made_ms),
            "withdrawn": "" if correction.withdrawn_ms is None else text(correction.withdrawn_ms),
            "withdrawn by": correction.withdrawn_by,
            "withdrawn because": correction.withdrawn_reason,
        }
        for correction in corrections(path)
        if arguments.point is None or correction.point in _names(site, arguments.point)
    ]
    write(lines, arguments.format, terminal(), title=f"Corrections ({site.name})", empty="no corrections")
    return DONE


def _names(site: Site, wanted: str) -> set[str]:
    return next(({p.name, *p.aliases} for p in site.points if wanted in (p.name, *p.aliases)), {wanted})


def _show(arguments: argparse.Namespace, path: Path, site: Site, correction: Correction) -> int:
    """What would become different."""
    correction_preview = preview_correction(path, site, correction)
    _warn(correction_preview.doubtful_ms)
    lines = [_line(figure) for figure in correction_preview.figures]
    _write(arguments, lines, f"What {_words(correction)} would change; nothing was changed")
    return DONE


def _words(correction: Correction) -> str:
    return (
        f"withdrawing correction {correction.id} ({described(correction)})" if correction.id else described(correction)
    )


# -- what is ordered ---------------------------------------------------------------------------------------------------


def _order(arguments: argparse.Namespace, path: Path, site: Site, correction: Correction) -> int:
    """Enter or withdraw it, wait for the figures, and list what has become different."""
    if not path.exists():
        raise StoreError(f"there is no store at {path}; has the daemon written one yet?")
    with open_to_read(path) as store:
        impact = impact_of(correction, store, site)
        before, rows = affected_figures(store, site, impact), findings_of(store, site, impact)
    signed = replace(correction, person=arguments.person, reason=arguments.reason)
    done, message = carry_out(order_of(signed), path, site, WallClock().now_ms())
    print(message, file=sys.stdout if done and arguments.format == "table" else sys.stderr)
    if not done:
        return FAILED
    _await_figures(path)
    with open_to_read(path) as store:
        states = {row.finding.id: str(row.state) for row in rows}
        figures = changed(before, affected_figures(store, site, impact)) + findings_changed(store, site, impact, states)
        figures += documents_changed(store, site, impact)
        _warn(doubtful(store, site, impact))
    _write(arguments, [_line(figure) for figure in figures], "Changed figures")
    return DONE


def _await_figures(path: Path) -> None:
    """Wait until the daemon has made all figures of all corrections again."""
    deadline = time.monotonic() + FIGURES_LIMIT_S
    with open_to_read(path) as store:
        while json.loads(store.fact(CORRECTING) or "[]"):
            if time.monotonic() > deadline:
                raise StoreError("the correction is entered; the daemon is still recalculating its figures")
            time.sleep(LOOK_S)


# -- before and after --------------------------------------------------------------------------------------------------


def _line(changed_figure: ChangedFigure) -> Line:
    figures = not isinstance(changed_figure.before, str) and not isinstance(changed_figure.after, str)
    return {
        "what": changed_figure.what,
        "period": changed_figure.period,
        "subject": changed_figure.subject,
        "unit": "Wh" if figures else "",
        "before": changed_figure.before / 1000 if isinstance(changed_figure.before, int) else changed_figure.before,
        "after": changed_figure.after / 1000 if isinstance(changed_figure.after, int) else changed_figure.after,
    }


def _warn(doubtful_ms: Sequence[int]) -> None:
    for at_ms in doubtful_ms:
        message = "the energy of the gap is split there by an estimate"
        print(f"{text(at_ms)} lies between readings far apart: {message}", file=sys.stderr)


def _write(arguments: argparse.Namespace, lines: Sequence[Line], title: str) -> None:
    """For people in kWh with the difference; for programs in Wh."""
    console = terminal()
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
