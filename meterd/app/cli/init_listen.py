"""The files of a new plan from what a broker carries, and what is said about them."""

import argparse
from collections.abc import Iterator

from meterd.adapters.planfile.new_plan import (
    INPUT_COLUMNS,
    INSTRUMENT_COLUMNS,
    POINT_COLUMNS,
    Table,
    site_text,
    table_text,
)
from meterd.adapters.sources.heard.listen import listen
from meterd.app.cli.output import duration_s
from meterd.app.operations.broker_address import BrokerAddress, broker_of, filter_fault
from meterd.app.operations.heard_points import BOARD, SOURCE, HeardPlan, NotRead, heard_plan
from meterd.app.operations.point_list import PointList
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import PointState, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import REGISTERS

PREFIX = "energy"  # of the derived values of a new plan
MOST_SHOWN = 40  # of what is not read; the plan lists all
PULSE_WH = "1"
PULSE_GUESS = "pulse_wh 1 (1,000 pulses per kWh): read it off the meter"


def heard_files(
    arguments: argparse.Namespace, name: str, zone: str, listed: PointList | None
) -> tuple[dict[str, str], list[str]]:
    """Texts of the files, and lines for the terminal. SourceError if nothing is heard, or nothing of it understood."""
    address = broker_of(arguments.listen, arguments, "--listen")
    topic_filter = address.topic or "#"
    fault = filter_fault(topic_filter)
    if fault is not None:
        raise ConfigError(f"--listen {arguments.listen}: filter {topic_filter}: {fault}")
    limit_s = duration_s(arguments.duration) or 60.0
    print(f"listening at {address.shown} on {topic_filter} for {limit_s:g} s; Ctrl+C ends it earlier", flush=True)
    topics = listen(_source(address), Site(name, zone), topic_filter, limit_s=limit_s)
    plan = heard_plan(topics, f"{PREFIX}/{name}", listed)
    print(f"topics heard: {len(topics)}, messages: {sum(topic.count for topic in topics)}")
    if not plan.inputs:
        lines = "\n".join(_not_read(plan.not_read))
        raise SourceError(f"nothing of it is understood, and nothing is written:\n{lines}")
    shown = [*_read(plan)]
    if plan.not_read:
        shown.append(f"not read ({len(plan.not_read)}), also listed at the end of inputs.csv:")
    return dict(_files(plan, address, name, zone)), [*shown, *_not_read(plan.not_read)]


def _source(address: BrokerAddress) -> SourceRow:
    return SourceRow(SOURCE, "mqtt", tuple(address.keys.items()))


def _files(plan: HeardPlan, address: BrokerAddress, name: str, zone: str) -> Iterator[tuple[str, str]]:
    read = {row.point for row in plan.inputs}
    pulses = {row.point for row in plan.inputs if row.unit == "imp"}
    state = {True: PointState.LIVE.value, False: PointState.PLANNED.value}
    points = [point.values | {"state": state[point.name in read]} for point in plan.points]
    instruments = [row | ({"pulse_wh": PULSE_WH} if row["point"] in pulses else {}) for row in points]
    boards = dict.fromkeys(point.get("board", BOARD) for point in points)
    yield "site.toml", site_text(name, zone, boards, list(_sources(plan)), address.keys)
    yield "points.csv", table_text(POINT_COLUMNS, points, [point.guesses for point in plan.points])
    doubts = [[PULSE_GUESS] if row["point"] in pulses else [] for row in instruments]
    yield "instruments.csv", table_text(INSTRUMENT_COLUMNS, instruments, doubts)
    rows = [
        {
            "point": row.point,
            "register": row.register,
            "source": plan.source_of(row),
            "address": row.topic,
            "field": row.number.field,
            "unit": row.unit,
            "time_field": row.time_field,
        }
        for row in plan.inputs
    ]
    remarks = [f"not read: {_line(item)}" for item in plan.not_read]
    yield "inputs.csv", table_text(INPUT_COLUMNS, rows, [row.guesses for row in plan.inputs], remarks)


def _sources(plan: HeardPlan) -> Iterator[Table]:
    for source, unit in plan.sources().items():
        yield {"name": source, "protocol": "mqtt"} | ({"time_unit": unit} if unit else {})


def _read(plan: HeardPlan) -> Iterator[str]:
    for point in plan.points:
        rows = [row for row in plan.inputs if row.point == point.name]
        text = ", ".join(f"{row.register} {REGISTERS[row.register].name} in {row.unit}" for row in rows)
        topics = ", ".join(dict.fromkeys(row.topic for row in rows))
        yield f"{point.name} ({point.values['role']}): {text} from {topics}" if rows else f"{point.name}: not heard"
    guessed = sum(len(row.guesses) for row in plan.inputs) + sum(len(point.guesses) for point in plan.points)
    yield f"guessed {guessed} times: comments above the rows of points.csv and inputs.csv say what"


def _not_read(items: list[NotRead]) -> Iterator[str]:
    yield from (f"  {_line(item)}" for item in items[:MOST_SHOWN])
    if len(items) > MOST_SHOWN:
        yield f"  and {len(items) - MOST_SHOWN} more"


def _line(item: NotRead) -> str:
    topic = item.topic.encode("unicode_escape").decode("ascii")
    return f"{topic}{' ' if item.field else ''}{item.field}: {item.why}: {item.example}"
