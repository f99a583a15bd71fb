"""`meterd clock-change`: the next change of the clocks and what closes around it; the last one verified from the books."""

import argparse
import json
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from meterd.errors import StoreError
from meterd.interval import Period, label, text

if TYPE_CHECKING:
    from meterd.clock_change import Around, Change, Checked, Closing
    from meterd.site import Site

DONE, FAILED = 0, 1
MOST_LINES = 40  # faults on a screen; --format json has all of them
Commands = argparse._SubParsersAction


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """The command and its options."""
    words = "show the next change of the clocks and which periods close around it; verify the last one from the store"
    parser = commands.add_parser("clock-change", help=words, description=words[0].upper() + words[1:] + ".")
    parser.set_defaults(work=run)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
    parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
    parser.add_argument("--at", metavar="WHEN", help="as if it were that day; default: now")
    parser.add_argument("--format", choices=("table", "json"), default="table", help="default: table")


def run(arguments: argparse.Namespace) -> int:
    """Exit code 1 if a figure around the last change is not as it should be."""
    from meterd.app.clock import WallClock
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path
    from meterd.app.query import moment
    from meterd.clock_change import around, next_change

    site = load_plan(arguments.plan).site
    zone = ZoneInfo(site.zone)
    now_ms = moment(arguments.at, zone, "--at") if arguments.at else WallClock().now_ms()
    coming = next_change(zone, now_ms)
    ahead = None if coming is None else around(coming, zone, site.interval_s * 1000)
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


def _verify(path: Path, site: "Site", now_ms: int) -> "tuple[Checked | None, str]":
    """What the books hold around the last change that they have passed; or why there is nothing to verify."""
    from meterd.app.clock_watch import CLOSED_TO, check
    from meterd.clock_change import around, last_change
    from meterd.store.sqlite import SqliteStore

    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    try:
        store = SqliteStore.reader(path)
    except StoreError as exc:
        return None, str(exc)
    try:
        closed_to, span = int(store.fact(CLOSED_TO) or 0), store.span(Period.INTERVAL)
    finally:
        store.close()
    if span is None:
        return None, f"the store {path} holds no figures yet"
    change = last_change(zone, min(now_ms, closed_to))
    found = None if change is None else around(change, zone, interval_ms)
    if found is None or found.high_ms <= span[0]:
        return None, f"the books begin at {text(span[0])}: no change lies in them"
    return check(path, site, found, closed_to), ""


def _rules() -> str:
    """Which edition of the zone rules is used: the pinned package, never the machine's own."""
    return str(import_module("tzdata").IANA_VERSION)


# -- for people --------------------------------------------------------------------------------------------------------


def _print(site: "Site", ahead: "Around | None", checked: "Checked | None", reason: str) -> None:
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


def _print_closings(site: "Site", found: "Around", closed_to_ms: int | None = None) -> None:
    from meterd.clock_change import hour_words

    zone, after_ms = ZoneInfo(site.zone), site.limits.close_after_s * 1000
    for words in hour_words(found, zone):
        print(f"  {words}")
    for day in found.days:
        hours = sum(day.start_ms <= hour.start_ms < day.end_ms for hour in found.hours)
        print(f"  {_closing_words(day, zone, after_ms, closed_to_ms)}, {hours} hours by the clock")
    for one in found.longer:
        print(f"  {_closing_words(one, zone, after_ms, closed_to_ms)}")


def _closing_words(one: "Closing", zone: ZoneInfo, after_ms: int, closed_to_ms: int | None) -> str:
    when = f"closes at {text(one.end_ms + after_ms)}"
    if closed_to_ms is not None:
        when = "closed" if one.end_ms <= closed_to_ms else f"open, the books are closed to {text(closed_to_ms)}"
    return f"{one.period:5} {label(one.period, one.start_ms, zone):10} {when}: {one.intervals} intervals"


# -- for programs ------------------------------------------------------------------------------------------------------


def _fields(found: "Around", zone: ZoneInfo) -> dict[str, object]:
    from meterd.clock_change import hour_words

    return {
        "at": text(found.change.at_ms),
        "words": found.change.words(zone),
        "shift_s": _shift_s(found.change),
        "hours": hour_words(found, zone),
        "closes": [
            {
                "period": one.period,
                "label": label(one.period, one.start_ms, zone),
                "start": text(one.start_ms),
                "end": text(one.end_ms),
                "intervals": one.intervals,
            }
            for one in (*found.hours, *found.days, *found.longer)
        ],
    }


def _shift_s(change: "Change") -> int:
    return (change.after_ms - change.before_ms) // 1000


def _checked_fields(checked: "Checked", zone: ZoneInfo) -> dict[str, object]:
    return _fields(checked.around, zone) | {
        "closed_to": text(checked.closed_to_ms),
        "series": checked.series,
        "faults": [
            {"name": f.name, "period": f.period, "start": text(f.start_ms), "what": f.what} for f in checked.faults
        ],
    }
