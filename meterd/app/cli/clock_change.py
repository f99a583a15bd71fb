"""`meterd clock-change`: the next change of the clocks and what closes around it; the last one verified from the store."""

import argparse
import json
import sys
from importlib import import_module
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.opening import open_to_read
from meterd.app.cli.commands import Subparsers, command
from meterd.app.operations.dst_job import CLOSED_TO, check
from meterd.app.operations.question import moment
from meterd.core.checks.dst import (
    AffectedPeriods,
    Change,
    Checked,
    Closing,
    affected_periods,
    hour_words,
    last_change,
    next_change,
)
from meterd.core.errors import StoreError
from meterd.core.model.periods import Period, label, text
from meterd.core.model.plan import Site

DONE, FAILED = 0, 1
MOST_LINES = 40  # faults on a screen; --format json has all of them


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "clock-change", run, store=True, formats=("table", "json"))
    parser.add_argument("--at", metavar="WHEN", help="as if it were that day; default: now")


def run(arguments: argparse.Namespace) -> int:
    """Exit code 1 if a figure around the last change is not as it should be."""
    site = load_plan(arguments.plan).site
    zone = ZoneInfo(site.zone)
    now_ms = moment(arguments.at, zone, "--at") if arguments.at else WallClock().now_ms()
    coming = next_change(zone, now_ms)
    ahead = None if coming is None else affected_periods(coming, zone, site.interval_s * 1000)
    checked, reason = _verify(arguments.store or store_path(arguments.plan, site), site, now_ms)
    if arguments.format == "json":
        fields = {
            "zone": site.zone,
            "rules": _rules(),
            "next": None if ahead is None else _fields(ahead, zone),
            "last": None if checked is None else _checked_fields(checked, zone),
            "not_verified": reason,
        }
        sys.stdout.write(json.dumps(fields, indent=1) + "\n")
    else:
        _print(site, ahead, checked, reason)
    return FAILED if checked is not None and checked.faults else DONE


def _verify(path: Path, site: Site, now_ms: int) -> tuple[Checked | None, str]:
    """What is stored around the last change that they have passed; or why there is nothing to verify."""
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    try:
        with open_to_read(path) as store:
            closed_to, span = int(store.fact(CLOSED_TO) or 0), store.span(Period.INTERVAL)
    except StoreError as exc:
        return None, str(exc)
    if span is None:
        return None, f"the store {path} holds no figures yet"
    change = last_change(zone, min(now_ms, closed_to))
    affected = None if change is None else affected_periods(change, zone, interval_ms)
    if affected is None or affected.high_ms <= span[0]:
        return None, f"the stored figures begin at {text(span[0])}: no change lies in them"
    return check(path, site, affected, closed_to), ""


def _rules() -> str:
    """Which edition of the zone rules is used: the pinned package, never the machine's own."""
    return str(import_module("tzdata").IANA_VERSION)


# -- for people --------------------------------------------------------------------------------------------------------


def _print(site: Site, ahead: AffectedPeriods | None, checked: Checked | None, reason: str) -> None:
    zone = ZoneInfo(site.zone)
    print(f"{site.name}, {site.zone}, zone rules {_rules()}")
    if ahead is None:
        print("next: the rules of this zone have no change within two years; every day has 24 hours")
    else:
        print(f"next: {ahead.change.words(zone)}")
        _print_closings(site, ahead)
    if checked is None:
        print(f"last: not verified: {reason}")
        return
    print(f"last: {checked.around.change.words(zone)}")
    _print_closings(site, checked.around, checked.closed_to_ms)
    if checked.faults:
        print(f"  WRONG: {len(checked.faults)} figures are not as they should be")
        for fault in checked.faults[:MOST_LINES]:
            print(f"    {fault.words(zone)}")
        if len(checked.faults) > MOST_LINES:
            print(f"    and {len(checked.faults) - MOST_LINES} more; --format json lists all")
    elif not checked.series:
        print("  no register has figures of that day")
    else:
        print(
            f"  verified: {checked.series} registers and boards, no gap, nothing twice; quarter hours = hours = days, and"
            " days = weeks and months where these are over"
        )


def _print_closings(site: Site, affected: AffectedPeriods, closed_to_ms: int | None = None) -> None:
    zone, after_ms = ZoneInfo(site.zone), site.limits.close_after_s * 1000
    for message in hour_words(affected, zone):
        print(f"  {message}")
    for day in affected.days:
        hours = sum(day.start_ms <= hour.start_ms < day.end_ms for hour in affected.hours)
        print(f"  {_closing_words(day, zone, after_ms, closed_to_ms)}, {hours} hours by the clock")
    for closing in affected.longer:
        print(f"  {_closing_words(closing, zone, after_ms, closed_to_ms)}")


def _closing_words(closing: Closing, zone: ZoneInfo, after_ms: int, closed_to_ms: int | None) -> str:
    when = f"closes at {text(closing.end_ms + after_ms)}"
    if closed_to_ms is not None:
        when = "closed" if closing.end_ms <= closed_to_ms else f"open, figures are closed to {text(closed_to_ms)}"
    return (
        f"{closing.period:5} {label(closing.period, closing.start_ms, zone):10} {when}: {closing.intervals} intervals"
    )


# -- for programs ------------------------------------------------------------------------------------------------------


def _fields(affected: AffectedPeriods, zone: ZoneInfo) -> dict[str, object]:
    return {
        "at": text(affected.change.at_ms),
        "words": affected.change.words(zone),
        "shift_s": _shift_s(affected.change),
        "hours": hour_words(affected, zone),
        "closes": [
            {
                "period": closing.period,
                "label": label(closing.period, closing.start_ms, zone),
                "start": text(closing.start_ms),
                "end": text(closing.end_ms),
                "intervals": closing.intervals,
            }
            for closing in (*affected.hours, *affected.days, *affected.longer)
        ],
    }


def _shift_s(change: Change) -> int:
    return (change.after_ms - change.before_ms) // 1000


def _checked_fields(checked: Checked, zone: ZoneInfo) -> dict[str, object]:
    return _fields(checked.around, zone) | {
        "closed_to": text(checked.closed_to_ms),
        "series": checked.series,
        "faults": [
            {"name": f.name, "period": f.period, "start": text(f.start_ms), "what": f.what} for f in checked.faults
        ],
    }
