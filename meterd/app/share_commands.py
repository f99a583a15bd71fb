"""`meterd shares`: who may take what of the surplus, and what it came to. `meterd pv-shares`: PV in the books of a month."""

import argparse
import json
import re
import zoneinfo
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from meterd.errors import ConfigError
from meterd.interval import DAY_MS, Period, bounds, floor, local, starts
from meterd.reading import IMPORT
from meterd.site import Role

if TYPE_CHECKING:
    from meterd.pv_shares import PointAccount, Quarter
    from meterd.share_book import ShareRow
    from meterd.site import Site
    from meterd.store.sqlite import SqliteStore

DONE = 0
WEEK_MS = 7 * DAY_MS
MONTH = re.compile(r"\d{4}-\d{2}")
Line = dict[str, object]
Commands = argparse._SubParsersAction


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """Both commands and their options."""
    words = "show who may take what of the surplus now and why, or what it came to in a week"
    shares = commands.add_parser("shares", help=words, description=words[0].upper() + words[1:] + ".")
    shares.set_defaults(work=run_shares)
    shares.add_argument(
        "--would-have",
        action="store_true",
        help="the week: PV used, import avoided, energy and switchings per consumer (mode shadow: as if followed)",
    )
    shares.add_argument("--until", metavar="WHEN", help="end of that week, 2026-05-04 or a time; default: now")
    words = "share the PV energy of a month in the books, by the key of the plan, exact to the watt-hour"
    month = commands.add_parser("pv-shares", help=words, description=words[0].upper() + words[1:] + ".")
    month.set_defaults(work=run_pv_shares)
    month.add_argument("--month", required=True, metavar="YYYY-MM", help="local month of the site")
    month.add_argument(
        "--by", choices=("point", "area", "tenant"), default="tenant", help="a line per (default: tenant)"
    )
    for parser in (shares, month):
        parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
        parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
        parser.add_argument(
            "--format", choices=("table", "csv", "json"), default="table", help="default: table, in kWh"
        )


def _open(arguments: argparse.Namespace) -> "tuple[Site, SqliteStore]":
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path
    from meterd.app.query import open_store

    site = load_plan(arguments.plan).site
    return site, open_store(arguments.store or store_path(arguments.plan, site))


# -- shares ------------------------------------------------------------------------------------------------------------


def run_shares(arguments: argparse.Namespace) -> int:
    """`meterd shares PLAN [--would-have]`."""
    from meterd.app.cli import _console
    from meterd.app.clock import WallClock
    from meterd.app.query import moment, write

    site, store = _open(arguments)
    zone = zoneinfo.ZoneInfo(site.zone)
    try:
        if arguments.would_have:
            now_ms = moment(arguments.until, zone, "--until") if arguments.until else WallClock().now_ms()
            lines, title = would_have_lines(store, site, now_ms - WEEK_MS, now_ms)
        else:
            lines, title = share_lines(store, zone)
    finally:
        store.close()
    empty = f"nothing was shared (mode {site.sharing.mode})"
    write(lines, arguments.format, _console(), title=title, empty=empty)
    return DONE


def share_lines(store: "SqliteStore", zone: zoneinfo.ZoneInfo) -> tuple[list[Line], str]:
    """The newest decision: share and reason of every consumer."""
    from meterd.app.sharer import NEWEST

    kept = store.fact(NEWEST)
    if kept is None:
        return [], ""
    found = json.loads(kept)
    lines: list[Line] = [
        {"consumer": name, "share_w": share, "reason": reason} for name, share, reason in found["shares"]
    ]
    shown = (
        f"Shares at {local(found['at_ms'], zone):%Y-%m-%d %H:%M:%S}, mode {found['mode']}: {found['room_w']} W to share"
    )
    if (delay := found.get("delay")) is not None:
        shown += f"; from a share to its effect {delay} sample{'' if delay == 1 else 's'}, as measured"
    return lines, shown + (f" ({found['reason']})" if found["reason"] else "")


def share_rows(store: "SqliteStore", site: "Site", from_ms: int, until_ms: int) -> "list[ShareRow]":
    """The rows that are kept of a span."""
    from meterd.app.sharer import fact_of
    from meterd.share_book import from_text

    step = site.interval_s * 1000
    rows = []
    for start in range(floor(from_ms, step), until_ms, step):
        kept = store.fact(fact_of(start, step))
        if kept is not None and (row := from_text(kept)).start_ms == start:
            rows.append(row)
    return rows


def would_have_lines(store: "SqliteStore", site: "Site", from_ms: int, until_ms: int) -> tuple[list[Line], str]:
    """A line per consumer and one for all together; the title says what it came to for the site."""
    from meterd.share_book import would_have

    rows = share_rows(store, site, from_ms, until_ms)
    if not rows:
        return [], ""
    found = would_have(rows, [c.name for c in site.consumers])
    lines: list[Line] = [
        {"consumer": name, "energy_wh": round(found.energy[name], 3), "switchings": found.switches[name]}
        for name in found.energy
    ]
    lines.append(
        {
            "consumer": "all",
            "energy_wh": round(sum(found.energy.values()), 3),
            "switchings": sum(found.switches.values()),
        }
    )
    was, would = found.self_consumption
    net_was, net_would = found.netted_consumption
    modes = "/".join(sorted({row.mode for row in rows}))
    title = (
        f"From {local(rows[0].start_ms, zoneinfo.ZoneInfo(site.zone)):%Y-%m-%d %H:%M} on, {found.hours:.1f} h decided on"
        f" (mode {modes}): PV {found.production / 1000:.1f} kWh,"
        f" used {_percent(was)}, with shares {_percent(would)}"
        f" (netted per {site.interval_s} s {_percent(net_was)}, with shares {_percent(net_would)});"
        f" import avoided {round(found.import_avoided / 1000, 1) + 0.0:.1f} kWh;"
        f" Jain index {'undefined' if found.fairness is None else f'{found.fairness:.3f}'}"
    )
    return lines, title


def _percent(ratio: float | None) -> str:
    return "undefined" if ratio is None else f"{100 * ratio:.1f} %"


# -- PV in the books -----------------------------------------------------------------------------------------------------


def run_pv_shares(arguments: argparse.Namespace) -> int:
    """`meterd pv-shares PLAN --month 2026-05`."""
    from meterd.app.cli import _console
    from meterd.app.query import moment, write

    if not MONTH.fullmatch(arguments.month):
        raise ConfigError(f"cannot read --month {arguments.month!r}: write a month such as 2026-05")
    site, store = _open(arguments)
    zone = zoneinfo.ZoneInfo(site.zone)
    low, high = bounds(Period.MONTH, moment(arguments.month, zone, "--month"), zone, site.interval_s * 1000)
    try:
        lines, title = pv_share_lines(store, site, low, high, arguments.by)
    finally:
        store.close()
    shown = [_for_people(line) for line in lines] if arguments.format == "table" else lines
    write(shown, arguments.format, _console(), title=f"{arguments.month}: {title}", empty="no figures in that month")
    return DONE


def _for_people(line: Line) -> Line:
    """A part as a percentage, and nothing where there is nothing to say: what the grid took is not missing a use."""
    part = line["from_pv"]
    return {
        **line,
        "used_wh": "" if line["used_wh"] is None else line["used_wh"],
        "from_pv": f"{100 * part:.1f} %" if isinstance(part, float) else "",
    }


def participants(site: "Site") -> dict[str, str]:
    """Points that take part, with their tenants: counting feeders and subs with a tenant, none below another of them."""
    able = {p.name: p for p in site.points if p.counts and p.tenant and p.role in (Role.FEEDER, Role.SUB)}
    return {name: p.tenant for name, p in able.items() if p.below not in able}


def quarters_of(store: "SqliteStore", site: "Site", points: list[str], from_ms: int, until_ms: int) -> "list[Quarter]":
    """What the books hold of a span: production and export of the site, import of each point, per interval."""
    from meterd.pv_shares import Quarter

    zone = zoneinfo.ZoneInfo(site.zone)
    begin = np.array(starts(Period.INTERVAL, from_ms, until_ms, zone, site.interval_s * 1000), dtype=np.int64)
    made = {row.start_ms: row for row in store.pv(Period.INTERVAL, from_ms, until_ms)}
    used = store.columns([(point, IMPORT) for point in points], Period.INTERVAL, begin)
    energy, present = used.energy.tolist(), used.present.tolist()
    found = []
    for i, start in enumerate(begin.tolist()):
        row = made.get(start)
        if row is None:
            continue
        own = tuple(e if p else None for e, p in zip(energy[i], present[i], strict=True))
        found.append(Quarter(start, row.production, row.grid_export, own))
    return found


def pv_share_lines(store: "SqliteStore", site: "Site", from_ms: int, until_ms: int, by: str) -> tuple[list[Line], str]:
    """Lines per point, area or tenant, then the grid, the residual, what is below a watt-hour and what inverters drew."""
    from meterd.pv_shares import account_of_points, joined

    tenant_of = participants(site)
    if not tenant_of:
        raise ConfigError("no point has a tenant; write tenant in points.csv, or nobody can be given a part")
    rows = quarters_of(store, site, list(tenant_of), from_ms, until_ms)
    if not rows:
        return [], ""
    sharing = site.sharing
    found = account_of_points(rows, tenant_of, sharing.key, dict(sharing.keys))
    lines = _account_lines(found, site, tenant_of, by)
    step = site.interval_s * 1000
    hourly = account_of_points(joined(rows, step, 3_600_000 // step), tenant_of, sharing.key, dict(sharing.keys))
    fairness = found.tenants.fairness
    title = (
        f"PV shared by key {sharing.key}, {found.tenants.intervals} intervals, {found.tenants.missing} missing;"
        f" netted per {site.interval_s} s {found.tenants.shared / 1000:.3f} kWh,"
        f" per hour it would be {hourly.tenants.shared / 1000:.3f} kWh;"
        f" Jain index of the tenants {'undefined' if fairness is None else f'{fairness:.3f}'}"
    )
    return lines, title


def _account_lines(found: "PointAccount", site: "Site", tenant_of: dict[str, str], by: str) -> list[Line]:
    groups = {
        "point": {name: name for name in tenant_of},
        "area": {p.name: p.place.split(",")[0] or p.board for p in site.points if p.name in tenant_of},
        "tenant": tenant_of,
    }[by]
    lines: list[Line] = [
        {by: name, "pv_wh": part, "used_wh": use, "from_pv": round(part / use, 6) if use else None}
        for name, (part, use) in found.by(groups).items()
    ]
    whole = found.tenants
    rests = (
        ("to the grid", whole.to_grid),
        ("residual (common areas, losses)", whole.residual),
        ("below a watt-hour", whole.rest_mwh / 1000),
        ("drawn by the inverters at night", whole.standby_mwh / 1000),
    )
    lines += [{by: name, "pv_wh": energy, "used_wh": None, "from_pv": None} for name, energy in rests]
    lines.append({by: "production", "pv_wh": whole.production_mwh / 1000, "used_wh": None, "from_pv": None})
    return lines
