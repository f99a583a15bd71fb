"""`meterd findings`: what a person should look at, and what people say about it."""

import argparse
import getpass
import sys
import zoneinfo
from collections.abc import Sequence
from datetime import UTC, datetime
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.adapters.planfile.loader import load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.findings import FindingTables
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.output import Line, terminal, write
from meterd.app.operations.orders import new_order
from meterd.app.operations.question import moment, some_points
from meterd.core.errors import ConfigError, NotifyError, StoreError
from meterd.core.model.finding import FindingRow, FindingState
from meterd.core.model.periods import from_ms, text, to_ms
from meterd.core.model.plan import Site
from meterd.core.texts.notification_digest import NotificationText

if TYPE_CHECKING:
    from rich.table import Table

DONE, FAILED = 0, 1
_ORDERS = ("see", "explain", "close", "accept", "suppress", "resume")
_NEEDS_NOTE = ("explain", "close", "accept", "suppress")


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "findings", run, store=True)
    parser.add_argument("--all", action="store_true", help="also closed ones")
    parser.add_argument("--point", action="append", default=[], metavar="NAME", help="only of this point; repeat")
    parser.add_argument("--format", choices=("table", "csv", "json"), default="table", help="default: table")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--history", metavar="ID", help="every change of one finding: when, by whom, why")
    what.add_argument("--see", metavar="ID", help="mark it as seen: no further notification is sent")
    what.add_argument(
        "--explain", metavar="ID", help="its cause is known (--note): it stays open, without further notification"
    )
    what.add_argument(
        "--close", metavar="ID", help="its cause is dealt with (--note); a new finding opens if it comes back"
    )
    what.add_argument(
        "--accept",
        metavar="ID",
        help="a change of drift or of use is the new normal (--note): only what changed is learned again",
    )
    what.add_argument("--suppress", metavar="NAME", help="planned work: a point, board or source; * for any letters")
    what.add_argument("--resume", metavar="NUMBER", help="end planned work before its time")
    what.add_argument("--suppressions", action="store_true", help="list planned work that has not ended")
    what.add_argument("--try-notify", action="store_true", help="send a test message through every channel of [notify]")
    parser.add_argument("--cause", default="*", metavar="CAUSE", help="with --suppress: only this cause, such as stale")
    parser.add_argument("--from", metavar="WHEN", help="begin of planned work; default: now")
    parser.add_argument("--until", metavar="WHEN", help="its end: 2026-05-04 or 2026-05-04T16:00:00+02:00")
    parser.add_argument("--by", metavar="PERSON", help="who does it; default: the user of this terminal")
    parser.add_argument("--note", default="", metavar="TEXT", help="reason; stored with the finding")


def run(arguments: argparse.Namespace) -> int:
    """Carry out one command; returns the exit code."""
    site = load_plan(arguments.plan).site
    zone = zoneinfo.ZoneInfo(site.zone)
    path = arguments.store or store_path(arguments.plan, site)
    if arguments.try_notify:
        return _try_notify(arguments)
    kind = next((name for name in _ORDERS if getattr(arguments, name) is not None), None)
    if kind is not None:
        return _order(arguments, kind, path, site)
    if arguments.history is not None:
        lines, title = history_lines(path, arguments.history), f"Changes of {arguments.history}"
    elif arguments.suppressions:
        lines, title = suppression_lines(path, WallClock().now_ms()), "Planned work"
    else:
        points = some_points(site, arguments.point) if arguments.point else []
        lines, title = finding_lines(path, points, closed=arguments.all), f"Findings ({site.zone})"
    _write(lines, arguments.format, title, zone)
    return DONE


# -- what is listed ----------------------------------------------------------------------------------------------------


def finding_lines(path: Path, points: Sequence[str], *, closed: bool) -> list[Line]:
    """One line per finding, newest first; only of some points, if any are named."""
    with FindingTables.reader(path) as tables:
        rows = tables.all()
    wanted = [row for row in rows if closed or row.state != FindingState.CLOSED]
    if points:
        wanted = [row for row in wanted if not {row.finding.subject, *row.finding.points}.isdisjoint(points)]
    return [_finding_line(row) for row in wanted]


def _finding_line(row: FindingRow) -> Line:
    finding = row.finding
    return {
        "state": f"{row.state}, planned work" if row.suppressed and row.closed_ms is None else row.state,
        "first": text(row.first_ms),
        "last": text(row.last_ms),
        "closed": "" if row.closed_ms is None else text(row.closed_ms),
        "closed by": row.by or (f"part of {row.part_of}" if row.part_of else ""),
        "times": row.count,
        "number": row.number,
        "id": finding.id,
        "text": finding.text,
        "remedy": finding.remedy,
        "points": " ".join(finding.points),
        "evidence": " | ".join(finding.evidence),
    }


def history_lines(path: Path, name: str) -> list[Line]:
    """Every change of one finding, oldest first; ConfigError if there is none of that name."""
    with FindingTables.reader(path) as tables:
        notes = tables.notes(name)
        known = bool(notes) or any(row.finding.id == name for row in tables.all())
    if not known:
        raise ConfigError(f"there is no finding {name}; `meterd findings --all` lists them")
    return [{"at": text(n.at_ms), "number": n.number, "state": n.state, "by": n.person, "note": n.note} for n in notes]


def suppression_lines(path: Path, now_ms: int) -> list[Line]:
    """Planned work that has not ended."""
    with FindingTables.reader(path) as tables:
        windows = tables.suppressions(now_ms)
    return [
        {
            "number": w.number, "what": w.what, "cause": w.cause, "from": text(w.from_ms), "until": text(w.until_ms),
            "by": w.person, "note": w.note,
        }
        for w in windows
    ]  # fmt: skip


def _write(lines: Sequence[Line], kind: str, title: str, zone: zoneinfo.ZoneInfo) -> None:
    if kind != "table":
        write(lines, kind, terminal(), title=title, empty="none")
    elif not lines:
        print("none")
    else:
        terminal().print(_table(lines, title, zone))


_SHOWN = ("state", "first", "at", "times", "number", "id", "what", "cause", "from", "until", "text", "by", "note")
_TIMES = ("first", "at", "from", "until")


def _table(lines: Sequence[Line], title: str, zone: zoneinfo.ZoneInfo) -> "Table":
    """For people: local times, and what to do below what is wrong."""
    from rich.markup import escape
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    listing = "text" in lines[0]
    names = [name for name in _SHOWN if name in lines[0] and not (listing and name == "number")]
    for name in names:
        table.add_column(name, no_wrap=name in _TIMES, overflow="fold")
    for line in lines:
        cells = []
        for name in names:
            message = str(line[name])
            if name in _TIMES:
                message = from_ms(to_ms(datetime.fromisoformat(message))).astimezone(zone).strftime("%Y-%m-%d %H:%M")
            elif name == "text" and line["remedy"]:
                message = f"{message}\n-> {line['remedy']}"
            cells.append(escape(message))
        table.add_row(*cells)
    return table


# -- what is ordered ---------------------------------------------------------------------------------------------------


def _order(arguments: argparse.Namespace, kind: str, path: Path, site: Site) -> int:
    from meterd.app.operations.finding_orders import carry_out

    zone = zoneinfo.ZoneInfo(site.zone)
    if kind in _NEEDS_NOTE and not arguments.note:
        raise ConfigError(f"--{kind} needs --note: the next person wants to know why")
    rest: dict[str, str | int] = {"cause": arguments.cause}
    if kind == "suppress":
        if arguments.until is None:
            raise ConfigError("--suppress needs --until: planned work has an end")
        begin = getattr(arguments, "from")
        rest["from_ms"] = WallClock().now_ms() if begin is None else moment(begin, zone, "--from")
        rest["until_ms"] = moment(arguments.until, zone, "--until")
        _known(arguments.suppress, path, site)
    order = new_order(kind, getattr(arguments, kind), arguments.by or user(), arguments.note, **rest)
    if not path.exists():
        raise StoreError(f"there is no store at {path}; has the daemon written one yet?")
    done, message = carry_out(order, path, site)
    print(message, file=sys.stdout if done else sys.stderr)
    return DONE if done else FAILED


def _known(what: str, path: Path, site: Site) -> None:
    """ConfigError for planned work at something that is not there: by a slip of the pen everything would be reported."""
    names = {*(p.name for p in site.points), *(b.name for b in site.boards), *(s.name for s in site.sources)}
    names |= {site.name, *(c.name for c in site.consumers)}
    if path.exists():
        with FindingTables.reader(path) as tables:
            names |= {row.finding.subject for row in tables.all()}
    if any(fnmatchcase(name, what) for name in names):
        return
    near = get_close_matches(what, sorted(names), n=3)
    hint = (
        f"did you mean {' or '.join(near)}?" if near else "write a point, a board or a source; * stands for any letters"
    )
    raise ConfigError(f"nothing in the plan is called {what}; {hint}")


def user() -> str:
    """Who sits at this terminal; ConfigError for a user without a name."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError) as exc:  # a container user without a name
        raise ConfigError("this user has no name; give --by PERSON") from exc


# -- a test message ----------------------------------------------------------------------------------------------------


def _try_notify(arguments: argparse.Namespace) -> int:
    from meterd.adapters.notify.channels import channels

    site = load_plan(arguments.plan).site
    results = channels(site.notify)
    if not results:
        raise ConfigError("the plan has no notifications; write [notify] with email_to or webhook_url")
    at_ms = to_ms(datetime.now(UTC).replace(microsecond=0))
    body = f"This is a test of {site.title or site.name}: findings will arrive this way."
    message = NotificationText(
        f"[{site.name}] test", f"{body}\n", {"site": site.name, "at": text(at_ms), "test": True, "notices": []}
    )
    failed = False
    for channel in results:
        try:
            print(f"{channel.name}: {channel.send(message, at_ms) or 'delivered'}")
        except NotifyError as exc:
            failed = True
            print(f"{channel.name}: {exc}", file=sys.stderr)
    return FAILED if failed else DONE
