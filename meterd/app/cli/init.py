"""`meterd init`: a new plan from a list of meters, a broker, a Modbus line or questions; what is guessed is a comment."""

import argparse
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import available_timezones

from meterd.adapters.planfile.loader import Plan, load_plan
from meterd.adapters.planfile.name_rules import is_name, suggestion
from meterd.adapters.planfile.new_plan import (
    INPUT_COLUMNS,
    INSTRUMENT_COLUMNS,
    POINT_COLUMNS,
    Row,
    Table,
    site_text,
    table_text,
)
from meterd.app.cli import init_scan
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.init_ask import asked_points
from meterd.app.cli.init_listen import heard_files
from meterd.app.operations.broker_address import add_options, refuse_options
from meterd.app.operations.point_list import ListedPoint, PointList, read_points
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.plan import PointState, Role
from meterd.core.model.reading import EXPORT, IMPORT

DONE = 0
SOURCES: dict[str, Table] = {
    "file": {"name": "old", "protocol": "file", "path": "incoming"},
    "mqtt": {"name": "broker", "protocol": "mqtt"},
}


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "init", _init, plan="")
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="where the plan is written; it must not hold one")
    parser.add_argument("--points", type=Path, metavar="LIST", help="list of meters: .xlsx, .ods or CSV")
    listen_ = "take points and inputs from what this broker carries below a filter (default: all), which only listens"
    parser.add_argument("--listen", metavar="mqtt://HOST:PORT/FILTER", help=listen_)
    for_ = "how long to listen: 60s (default), 5m, 1h; Ctrl+C ends it earlier"
    parser.add_argument("--for", dest="duration", metavar="TIME", default="60s", help=for_)
    add_options(parser)
    init_scan.add_options(parser)
    parser.add_argument("--name", help="name of the site; default: that of the folder")
    parser.add_argument("--zone", help="IANA time zone, such as Europe/Vienna; asked for if it is left out")
    help_ = "file: for exports that are imported; mqtt: the list has a column of topics; else points are planned"
    parser.add_argument("--source", choices=tuple(SOURCES), help=help_)


def _init(arguments: argparse.Namespace) -> int:
    folder: Path = arguments.folder
    if (folder / "site.toml").exists():
        raise ConfigError(f"{folder} holds a plan already; name another folder")
    asked = arguments.points is None and arguments.listen is None and arguments.scan is None
    if asked and not sys.stdin.isatty():
        raise ConfigError(
            "say where the points come from: --points LIST, --listen mqtt://HOST:PORT or --scan modbus://HOST:PORT/1-20;"
            " on a terminal they are asked for"
        )
    if arguments.scan is not None and (arguments.points is not None or arguments.listen is not None):
        raise ConfigError("--scan stands alone: leave out --points and --listen")
    if arguments.listen is None:
        refuse_options(arguments, "--listen")
    if arguments.source is not None and (arguments.listen is not None or arguments.scan is not None):
        raise ConfigError("--source is for a list alone; with --listen and --scan the inputs are those that are found")
    if asked and arguments.source is not None:
        raise ConfigError("--source is for a list; questions ask for the topic of each point")
    listed = None if arguments.points is None else read_points(arguments.points)
    name = arguments.name or suggestion(folder.resolve().name)
    if not is_name(name):
        raise ConfigError(f"{name!r} is no name of a site; write for example --name {suggestion(name) or 'boat-yard'}")
    zone = arguments.zone or _asked_zone()
    lines: list[str] = []
    if arguments.scan is not None:
        files = init_scan.scanned_files(arguments, name, zone)
    elif arguments.listen is not None:
        files, lines = heard_files(arguments, name, zone, listed)
    elif asked:
        files = dict(_files(name, zone, answered := asked_points(input, print), _source_of(answered)))
    else:
        assert listed is not None, "a list or a broker is given"
        files, lines = dict(_files(name, zone, listed, arguments.source)), _listed(listed)
    plan = _written(folder, files)
    print(f"written: {folder}")
    for line in lines:
        print(f"  {line}")
    print(f"points: {len(plan.site.points)}, boards: {len(plan.site.boards)}; the plan has no fault")
    for warning in plan.warnings:
        print(f"to do: {warning}")
    return DONE


def _source_of(answered: PointList) -> str | None:
    return "mqtt" if any(point.values.get("address") for point in answered.points) else None


def _asked_zone() -> str:
    if not sys.stdin.isatty():
        raise ConfigError("say --zone: nobody can be asked here")
    while (zone := input("time zone of the site, such as Europe/Vienna: ").strip()) not in available_timezones():
        print(f"{zone!r} is not in the IANA list of time zones")
    return zone


def _files(name: str, zone: str, listed: PointList, source: str | None) -> Iterator[tuple[str, str]]:
    points = listed.points
    inputs = [row for point in points for row in _inputs(point, source)]
    read = {row["point"] for row in inputs}
    boards = dict.fromkeys(point.values["board"] for point in points)
    state = {True: PointState.LIVE.value, False: PointState.PLANNED.value}
    rows = [point.values | {"state": state[point.name in read]} for point in points]
    yield "site.toml", site_text(name, zone, boards, [SOURCES[source]] if source else [])
    yield "points.csv", table_text(POINT_COLUMNS, rows, [point.guesses for point in points])
    yield "instruments.csv", table_text(INSTRUMENT_COLUMNS, rows)
    if inputs:
        yield "inputs.csv", table_text(INPUT_COLUMNS, inputs)


def _inputs(point: ListedPoint, source: str | None) -> Iterator[Row]:
    """Energy of each point; of a feed what flows back as well."""
    if source is None or (source == "mqtt" and not point.values.get("address")):
        return
    both = source == "file" and point.values["role"] in (Role.FEED, Role.STORAGE)
    for register, word in ((IMPORT, "import"), (EXPORT, "export"))[: 1 + both]:
        address = f"{point.name} {word}" if source == "file" else point.values["address"]
        yield {
            "point": point.name,
            "register": register,
            "source": str(SOURCES[source]["name"]),
            "address": address,
            "unit": "kWh",
        }


def _written(folder: Path, files: dict[str, str]) -> Plan:
    """The plan, once it is checked; a plan with a fault leaves no file."""
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".meterd-init-", dir=folder.parent) as place:
            for name, text in files.items():
                (Path(place) / name).write_text(text, encoding="utf-8")
            plan = load_plan(Path(place))
            folder.mkdir(exist_ok=True)
            for name in files:
                (Path(place) / name).replace(folder / name)
    except OSError as exc:
        raise StoreError(f"cannot write {folder}: {exc.strerror}") from exc
    return plan


def _listed(listed: PointList) -> list[str]:
    """What of the list became what."""
    lines = [f"{column}: from {title!r}" for column, title in listed.columns.items()]
    if listed.unused:
        lines.append(f"not used: {', '.join(map(repr, listed.unused))}")
    guessed = sum(bool(point.guesses) for point in listed.points)
    if guessed:
        lines.append(f"guessed at {guessed} points: comments in points.csv say what")
    return lines
