"""`meterd columns`: which column of a file is which point and register, as a mapping file, and five rows as understood."""

import argparse
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.sources.old_readings.mapping import INTERVAL_VALUES, Remark, mapping_text
from meterd.adapters.sources.old_readings.reader import OpenedFile, ReadFile, read_file
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.replay import SET_HELP
from meterd.app.operations.old_readings import opened, stated_mapping, understood
from meterd.core.errors import StoreError
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS

DONE, OPEN = 0, 1
ROWS = 5
NO_PLAN = Site("", "UTC")


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "columns", _columns, plan="")
    parser.add_argument("file", type=Path, metavar="FILE", help="CSV, .xlsx, .ods or Parquet, also packed")
    parser.add_argument("plan", type=Path, nargs="?", metavar="PLAN", help="names its points know: without it none is")
    parser.add_argument("--columns", type=Path, metavar="MAPPING", help="show the rows as this mapping file reads them")
    parser.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help=SET_HELP)
    parser.add_argument(
        "--write", type=Path, metavar="MAPPING", help="write the proposal there; an old one is kept as .bak"
    )


def _columns(arguments: argparse.Namespace) -> int:
    site = NO_PLAN if arguments.plan is None else load_plan(arguments.plan).site
    files = opened(site, arguments.file, stated_mapping(site, arguments.columns, arguments.set))
    file = files[0]
    text = mapping_text(file.mapping, _remarks(file, site), f"How meterd reads files like {arguments.file.name}")
    rows = _rows(file, site)
    if arguments.write is None:
        print(text)
        print("\n".join(f"# {line}" for line in rows))
    else:
        _write(arguments.write, text)
        print("\n".join([f"{arguments.file.name}: {understood(file)}", *rows, f"written: {arguments.write}"]))
    for other in files[1:]:
        print(f"# {other.grid.name}: {understood(other)}")
    return OPEN if file.proposal.questions or not file.mapping.columns else DONE


def _remarks(file: OpenedFile, site: Site) -> list[Remark]:
    remarks = [Remark(item.key, f"to be decided: {item.text}") for item in file.proposal.questions]
    if not file.mapping.zone:
        remarks.append(Remark("zone", f'local times; empty: {site.zone}. A clock without summer time: "Etc/GMT-1"'))
    remarks += [Remark("", f"not read: {column.name!r}: {column.why}") for column in file.proposal.unread]
    remarks += [Remark("", f"not read: sheet {name!r}") for name in file.grid.others]
    if site is NO_PLAN:
        remarks.append(Remark("", "give the plan behind the file to see which column is which point"))
    elif file.proposal.unread:
        remarks.append(
            Remark("", "to read one: a [[column]] with name, point, register, and unit if its title has none")
        )
    return remarks


def _rows(file: OpenedFile, site: Site) -> list[str]:
    """Five rows as they would be understood, a line for each register."""
    if file.proposal.questions:
        keys = " and ".join(question.key for question in file.proposal.questions)
        return [f"no rows are shown before {keys} is decided: in the file, or with --set"]
    if not file.mapping.columns:
        return ["no column is recognised"]
    read = read_file(file, site)
    lines = _table(file, read, ZoneInfo(site.zone))
    return [*lines, *_left_out(read)]


def _table(file: OpenedFile, read: ReadFile, zone: ZoneInfo) -> list[str]:
    intervals = file.mapping.values == INTERVAL_VALUES
    moments = sorted({int(at) for part in read.parts for at in part.at_ms[: ROWS + intervals].tolist()})[
        : ROWS + intervals
    ]
    shown = [_local(at, zone) for at in moments]
    if intervals:
        shown = [
            f"{first} to {last[11:16] if first[:10] == last[:10] else last[:16]}" for first, last in pairwise(shown)
        ]
    table = [["as it would be read", *shown]]
    for part in read.parts:
        point, register = part.channel
        values = dict(zip(part.at_ms[: 4 * ROWS].tolist(), part.values[: 4 * ROWS].tolist(), strict=True))
        table.append(
            [
                f"{point} {REGISTERS[register].name}",
                *_shown(values, moments, intervals, f"k{REGISTERS[register].unit}"),
            ]
        )
    widths = [max(len(row[place]) for row in table) for place in range(len(table[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in table]


def _shown(values: dict[int, int], moments: Sequence[int], intervals: bool, unit: str) -> list[str]:
    if not intervals:
        return [_kilo(values.get(at), unit) for at in moments]
    ends = [values.get(at) for at in moments]
    pairs = pairwise(ends)
    return [_kilo(None if low is None or high is None else high - low, unit) for low, high in pairs]


def _kilo(milli: int | None, unit: str) -> str:
    """Milli-units in thousands, with every digit."""
    return "missing" if milli is None else f"{np.format_float_positional(milli / 1e6, trim='-')} {unit}"


def _local(at_ms: int, zone: ZoneInfo) -> str:
    return datetime.fromtimestamp(at_ms / 1000, zone).isoformat(sep=" ", timespec="minutes")


def _left_out(read: ReadFile) -> list[str]:
    cells = read.left_out
    lines = [f"  {c.file}, row {c.row}, {c.column or 'whole row'}, {c.value!r}: {c.reason}" for c in cells[:ROWS]]
    return [f"left out: {len(cells)}, the first of them:", *lines] if cells else []


def _write(path: Path, text: str) -> None:
    try:
        if path.exists():
            path.replace(path.with_name(f"{path.name}.bak"))
        path.write_text(text, encoding="utf-8")
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc.strerror}") from exc
