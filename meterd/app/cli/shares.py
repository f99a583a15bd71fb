"""`meterd shares`: who may take what of the surplus, and what it came to. `meterd pv-shares`: PV energy accounting of a month."""

import argparse
import json
import re
import zoneinfo
from contextlib import AbstractContextManager

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.read_store import ReadStore
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.output import Line, terminal, write
from meterd.app.daemon.sharing_job import NEWEST
from meterd.app.operations.pv_accounting import participants, quarters_of, share_rows
from meterd.app.operations.question import moment
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.errors import ConfigError
from meterd.core.model.facts import Facts
from meterd.core.model.periods import DAY_MS, Period, bounds, local
from meterd.core.model.plan import Site
from meterd.core.pv.energy_accounting import PointAccount, account_of_points, joined
from meterd.core.sharing.history import sharing_effect

DONE = 0
WEEK_MS = 7 * DAY_MS
MONTH = re.compile(r"\d{4}-\d{2}")


def add(commands: Subparsers) -> None:
    """Both commands and their options."""
    shares = command(commands, "shares", run_shares, store=True, formats=("table", "csv", "json"))
    shares.add_argument(
        "--would-have",
        action="store_true",
        help="the week: PV used, import avoided, energy and switchings per consumer (mode shadow: as if followed)",
    )
    shares.add_argument("--until", metavar="WHEN", help="end of that week, 2026-05-04 or a time; default: now")
    month = command(commands, "pv-shares", run_pv_shares, store=True, formats=("table", "csv", "json"))
    month.add_argument("--month", required=True, metavar="YYYY-MM", help="local month of the site")
    month.add_argument(
        "--by", choices=("point", "area", "tenant"), default="tenant", help="a line per (default: tenant)"
    )


def _stored(arguments: argparse.Namespace, site: Site) -> AbstractContextManager[ReadStore]:
    return open_to_read(arguments.store or store_path(arguments.plan, site))


# -- shares ------------------------------------------------------------------------------------------------------------


def run_shares(arguments: argparse.Namespace) -> int:
    """`meterd shares PLAN [--would-have]`."""
    site = load_plan(arguments.plan).site
    zone = zoneinfo.ZoneInfo(site.zone)
    with _stored(arguments, site) as store:
        if arguments.would_have:
            now_ms = moment(arguments.until, zone, "--until") if arguments.until else WallClock().now_ms()
            lines, title = effect_lines(store, site, now_ms - WEEK_MS, now_ms)
        else:
            lines, title = share_lines(store, zone)
    empty = f"nothing was shared (mode {site.sharing.mode})"
    write(lines, arguments.format, terminal(), title=title, empty=empty)
    return DONE


def share_lines(store: Facts, zone: zoneinfo.ZoneInfo) -> tuple[list[Line], str]:
    """The newest decision: share and reason of every consumer."""
    stored = store.fact(NEWEST)
    if stored is None:
        return [], ""
    result = json.loads(stored)
    lines: list[Line] = [
        {"consumer": name, "share_w": share, "reason": reason} for name, share, reason in result["shares"]
    ]
    shown = f"Shares at {local(result['at_ms'], zone):%Y-%m-%d %H:%M:%S}, mode {result['mode']}: {result['room_w']} W to share"
    if (delay := result.get("delay")) is not None:
        shown += f"; from a share to its effect {delay} sample{'' if delay == 1 else 's'}, as measured"
    return lines, shown + (f" ({result['reason']})" if result["reason"] else "")


def effect_lines(store: ReadStore, site: Site, from_ms: int, until_ms: int) -> tuple[list[Line], str]:
    """A line per consumer and one for all together; the title says what it came to for the site."""
    rows = share_rows(store, site, from_ms, until_ms)
    if not rows:
        return [], ""
    result = sharing_effect(rows, [c.name for c in site.consumers])
    lines: list[Line] = [
        {"consumer": name, "energy_wh": round(result.energy[name], 3), "switchings": result.switches[name]}
        for name in result.energy
    ]
    lines.append(
        {
            "consumer": "all",
            "energy_wh": round(sum(result.energy.values()), 3),
            "switchings": sum(result.switches.values()),
        }
    )
    was, would = result.self_consumption
    net_was, net_would = result.netted_consumption
    modes = "/".join(sorted({row.mode for row in rows}))
    title = (
        f"From {local(rows[0].start_ms, zoneinfo.ZoneInfo(site.zone)):%Y-%m-%d %H:%M} on, {result.hours:.1f} h decided on"
        f" (mode {modes}): PV {result.production / 1000:.1f} kWh,"
        f" used {_percent(was)}, with shares {_percent(would)}"
        f" (netted per {site.interval_s} s {_percent(net_was)}, with shares {_percent(net_would)});"
        f" import avoided {round(result.import_avoided / 1000, 1) + 0.0:.1f} kWh;"
        f" Jain index {'undefined' if result.fairness is None else f'{result.fairness:.3f}'}"
    )
    return lines, title


def _percent(ratio: float | None) -> str:
    return "undefined" if ratio is None else f"{100 * ratio:.1f} %"


# -- PV energy accounting ----------------------------------------------------------------------------------------------


def run_pv_shares(arguments: argparse.Namespace) -> int:
    """`meterd pv-shares PLAN --month 2026-05`."""
    if not MONTH.fullmatch(arguments.month):
        raise ConfigError(f"cannot read --month {arguments.month!r}: write a month such as 2026-05")
    site = load_plan(arguments.plan).site
    zone = zoneinfo.ZoneInfo(site.zone)
    low, high = bounds(Period.MONTH, moment(arguments.month, zone, "--month"), zone, site.interval_s * 1000)
    with _stored(arguments, site) as store:
        lines, title = pv_share_lines(store, site, low, until_ms=high, by=arguments.by)
    shown = [_for_people(line) for line in lines] if arguments.format == "table" else lines
    write(shown, arguments.format, terminal(), title=f"{arguments.month}: {title}", empty="no figures in that month")
    return DONE


def _for_people(line: Line) -> Line:
    """A part as a percentage, and nothing where there is nothing to say: what the grid took is not missing a use."""
    part = line["from_pv"]
    return {
        **line,
        "used_wh": "" if line["used_wh"] is None else line["used_wh"],
        "from_pv": f"{100 * part:.1f} %" if isinstance(part, float) else "",
    }


def pv_share_lines(store: StoredFigures, site: Site, from_ms: int, *, until_ms: int, by: str) -> tuple[list[Line], str]:
    """Lines per point, area or tenant, then the grid, the residual, what is below a watt-hour and what inverters drew."""
    tenant_of = participants(site)
    if not tenant_of:
        raise ConfigError(
            "no point has a tenant; write tenant in points.csv, or there is nobody to divide the energy among"
        )
    rows = quarters_of(store, site, list(tenant_of), from_ms, until_ms)
    if not rows:
        return [], ""
    sharing = site.sharing
    point_account = account_of_points(rows, tenant_of, sharing.key, dict(sharing.keys))
    lines = _account_lines(point_account, site, tenant_of, by)
    step = site.interval_s * 1000
    hourly = account_of_points(joined(rows, step, 3_600_000 // step), tenant_of, sharing.key, dict(sharing.keys))
    fairness = point_account.tenants.fairness
    title = (
        f"PV shared by key {sharing.key}, {point_account.tenants.intervals} intervals, {point_account.tenants.missing} missing;"
        f" counted per {site.interval_s} s {point_account.tenants.shared / 1000:.3f} kWh,"
        f" per hour it would be {hourly.tenants.shared / 1000:.3f} kWh;"
        f" Jain index of the tenants {'undefined' if fairness is None else f'{fairness:.3f}'}"
    )
    return lines, title


def _account_lines(point_account: PointAccount, site: Site, tenant_of: dict[str, str], by: str) -> list[Line]:
    groups = {
        "point": {name: name for name in tenant_of},
        "area": {p.name: p.place.split(",")[0] or p.board for p in site.points if p.name in tenant_of},
        "tenant": tenant_of,
    }[by]
    lines: list[Line] = [
        {by: name, "pv_wh": part, "used_wh": use, "from_pv": round(part / use, 6) if use else None}
        for name, (part, use) in point_account.by(groups).items()
    ]
    whole = point_account.tenants
    rests: tuple[tuple[str, float], ...] = (
        ("to the grid", whole.to_grid),
        ("residual (common areas, losses)", whole.residual),
        ("below a watt-hour", whole.rest_mwh / 1000),
        ("drawn by the inverters at night", whole.standby_mwh / 1000),
    )
    if whole.unshared_mwh:
        rests = (*rests, ("not shared, a reading is missing", whole.unshared_mwh / 1000))
    lines += [{by: name, "pv_wh": energy, "used_wh": None, "from_pv": None} for name, energy in rests]
    lines.append({by: "production", "pv_wh": whole.production_mwh / 1000, "used_wh": None, "from_pv": None})
    return lines
