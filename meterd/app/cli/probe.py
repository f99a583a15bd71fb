"""`meterd probe`: read one instrument once, and show what an electrician needs to see that it is read rightly."""

import argparse
import re
import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.planfile.name_rules import instead
from meterd.adapters.sources.probe import judge, once, probe
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.app.cli.commands import Subparsers, command
from meterd.app.operations.broker_address import add_options, broker_of, refuse_options
from meterd.app.operations.heard_points import heard_topic
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import Input, Instrument, Site
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import REGISTERS, UNITS

DONE, FAILED = 0, 1
POLLED = ("modbus", "sunspec", "mbus", "sml", "iec62056-21", "dlms-push", "http")
FIELDS = ("mqtt", "http")  # whose payload has fields
READ = (*POLLED, "mqtt")  # with a plan: what is published is listened to
LIMIT_S = (
    15.0  # a meter that sends on its own does so every few seconds; a readout at 300 baud takes longer and is said so
)
BARE = "probe"  # names of point and source when there is no plan
BROKERS = ("mqtt", "mqtts")
_ADDRESS = re.compile(r"([a-z0-9-]+)://(\[[0-9A-Fa-f:.%]+\]|[^/:@\[\]\s]+)(?::([0-9]{1,5}))?(?:/(.*))?")


def add(commands: Subparsers) -> None:
    """The command and its options."""
    parser = command(commands, "probe", run, plan="")
    plan_ = "plan folder or .toml file; or PROTOCOL://HOST:PORT/ADDRESS, such as modbus://10.0.0.5/3/holding/72/float32"
    parser.add_argument("plan", nargs="?", metavar="PLAN", help=plan_)
    parser.add_argument("--point", metavar="NAME", help="the point whose inputs are read")
    parser.add_argument(
        "--register", metavar="OBIS", help="only this register of it; without a plan what it is meant to be"
    )
    parser.add_argument("--protocol", choices=READ, help="without a plan")
    parser.add_argument("--host", help="without a plan: name or address of the device or gateway")
    parser.add_argument("--port", type=int, help="without a plan; default: that of the protocol")
    parser.add_argument(
        "--address", metavar="ADDRESS", help="without a plan: as in inputs.csv, such as 3/holding/72/float32"
    )
    field_ = "without a plan, by MQTT or HTTP: JSON Pointer or SenML name; default: all numbers of the payload"
    parser.add_argument("--field", metavar="FIELD", help=field_)
    add_options(parser)
    parser.add_argument(
        "--unit", choices=list(UNITS), help="without a plan: the unit of the value; default: as the register"
    )
    parser.add_argument("--scale", type=float, default=1.0, help="without a plan: a factor")
    parser.add_argument(
        "--option",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="without a plan: an option of the source; repeat",
    )


def run(arguments: argparse.Namespace) -> int:
    """Read and print; 1 if nothing answered."""
    if "://" in (arguments.plan or ""):
        _take_address(arguments)
    if arguments.protocol != "mqtt":
        refuse_options(arguments, "mqtts://")
    if arguments.protocol not in FIELDS and arguments.field is not None:
        raise ConfigError("--field is for MQTT and HTTP without a plan")
    site, inputs = _with_plan(arguments) if arguments.plan is not None else _without_plan(arguments)
    console = Console(soft_wrap=not sys.stdout.isatty(), highlight=False, width=None if sys.stdout.isatty() else 160)
    failed = 0
    values: dict[str, float] = {}
    for row in site.sources:
        mine = tuple(meter_input for meter_input in inputs if meter_input.source == row.name)
        if mine:
            try:
                values |= _one_source(console, row, mine, site)
            except SourceError as exc:
                print(exc, file=sys.stderr)
                failed += 1
    _say_sense(console, site, inputs, values)
    return FAILED if failed else DONE


def _with_plan(arguments: argparse.Namespace) -> tuple[Site, tuple[Input, ...]]:
    if arguments.point is None or arguments.protocol is not None or arguments.address is not None:
        raise ConfigError("with a plan name the point: --point NAME; without one: --protocol, --host and --address")
    site = load_plan(Path(arguments.plan)).site
    inputs = tuple(meter_input for meter_input in site.inputs if meter_input.point == arguments.point)
    if not inputs:
        known = {meter_input.point for meter_input in site.inputs}
        raise ConfigError(f"point {arguments.point} has no inputs; {instead(arguments.point, sorted(known))}")
    if arguments.register is not None:
        inputs = tuple(meter_input for meter_input in inputs if meter_input.register == arguments.register)
        if not inputs:
            raise ConfigError(f"point {arguments.point} has no input for register {arguments.register}")
    sources = {row.name: row for row in site.sources}
    read = tuple(meter_input for meter_input in inputs if sources[meter_input.source].protocol in READ)
    if not read:
        protocols = ", ".join(sorted({sources[meter_input.source].protocol for meter_input in inputs}))
        raise ConfigError(
            f"point {arguments.point} is read by {protocols}, which cannot be probed; known are {', '.join(READ)}"
        )
    return site, read


def _take_address(arguments: argparse.Namespace) -> None:
    """`PROTOCOL://HOST:PORT/ADDRESS` in place of a plan becomes the options that it stands for."""
    text, arguments.plan = arguments.plan, None
    given = [name for name in ("protocol", "host", "port", "address", "point") if getattr(arguments, name) is not None]
    if given:
        raise ConfigError(f"{text} says it already; leave out {', '.join('--' + name for name in given)}")
    if text.startswith(tuple(f"{name}://" for name in BROKERS)):
        arguments.protocol, arguments.host = "mqtt", text  # its options belong to the whole address
        return
    match = _ADDRESS.fullmatch(text)
    if match is None or match[1] not in POLLED:
        raise ConfigError(f"{text}: write PROTOCOL://HOST:PORT/ADDRESS with {', '.join((*POLLED, *BROKERS))}")
    arguments.protocol, host, port, arguments.address = match.groups()
    arguments.host, arguments.port = host.strip("[]"), int(port) if port else None
    if not arguments.address:
        raise ConfigError(f"{text}: its address is missing; write it behind the host as in inputs.csv")
    if arguments.protocol == "http":
        arguments.address = f"/{arguments.address}"


def _without_plan(arguments: argparse.Namespace) -> tuple[Site, tuple[Input, ...]]:
    if arguments.protocol == "mqtt":
        return _on_topic(arguments)
    options = dict(_option(text) for text in arguments.option)
    placed = arguments.host is not None or "serial_port" in options
    if arguments.protocol is None or not placed or arguments.address is None:
        raise ConfigError(
            "give a plan and --point NAME, or --protocol, --host and --address; a serial port of this machine in place of"
            " --host is --option serial_port=/dev/ttyUSB0"
        )
    fault_of = PROTOCOLS[arguments.protocol].address_fault
    fault = fault_of(arguments.address) if fault_of is not None else None
    if fault is not None:
        raise ConfigError(f"--address: {fault[0]}; {fault[1]}")
    register = _known(arguments.register or "16.7.0")
    if arguments.host is not None:
        options = {"host": arguments.host} | options
    if arguments.port is not None:
        options = {"port": arguments.port} | options
    row = SourceRow(BARE, arguments.protocol, tuple(options.items()))
    unit = arguments.unit or REGISTERS[register].unit
    meter_input = Input(
        BARE, register, BARE, arguments.address, arguments.field or "", unit=unit, scale=arguments.scale
    )
    site = Site(BARE, "UTC", inputs=(meter_input,), sources=(row,))
    PROTOCOLS[arguments.protocol].settings_for(row, site)
    return site, (meter_input,)


def _known(register: str) -> str:
    if register not in REGISTERS:
        raise ConfigError(f"--register: {register} is not known; write one of {', '.join(REGISTERS)}")
    return register


def _on_topic(arguments: argparse.Namespace) -> tuple[Site, tuple[Input, ...]]:
    """A topic without a plan: the input that is named, or one for each number of the payload that is understood."""
    text = arguments.host or ""
    if "://" not in text:
        port = "" if arguments.port is None else f":{arguments.port}"
        text = f"mqtt://{text}{port}/{arguments.address or ''}"
    broker = broker_of(text, arguments, "the address")
    if not broker.topic or set(broker.topic) & set("+#"):
        right = "name one topic; meterd init --listen lists all of a broker"
        raise ConfigError(f"{text}: {'a filter' if broker.topic else 'no topic'}: {right}")
    options = tuple((broker.keys | dict(_option(words) for words in arguments.option)).items())
    row = SourceRow(BARE, "mqtt", options)
    site = Site(BARE, "UTC", sources=(row,))
    PROTOCOLS["mqtt"].settings_for(row, site)
    if arguments.register is not None or arguments.field is not None:
        register = _known(arguments.register or "16.7.0")
        unit = arguments.unit or REGISTERS[register].unit
        inputs: tuple[Input, ...] = (
            Input(BARE, register, BARE, broker.topic, arguments.field or "", unit=unit, scale=arguments.scale),
        )
    else:
        inputs, words, unit = heard_topic(row, site, broker.topic)
        for line in words:
            print(line)
        row = replace(row, options=(*options, ("time_unit", unit or "s")))
    return replace(site, inputs=inputs, sources=(row,)), inputs


def _option(text: str) -> tuple[str, str | int | float | bool]:
    key, equals, value = text.partition("=")
    if not equals:
        raise ConfigError(f"--option {text}: write KEY=VALUE, such as framing=rtu")
    if value in ("true", "false"):
        return key, value == "true"
    for kind in (int, float):
        try:
            return key, kind(value)
        except ValueError:
            continue
    return key, value


def _one_source(console: Console, row: SourceRow, inputs: tuple[Input, ...], site: Site) -> dict[str, float]:
    """Everything one source shows; values in base units as the daemon would take them, per register."""
    options = dict(row.options)
    where = options.get("serial_port") or options.get("host", site.broker.host)
    console.print(f"[bold]source {escape(row.name)}[/bold]: {row.protocol} at {escape(str(where))}")
    for section in probe(row, inputs, site):
        table = Table(title=escape(section.title), title_justify="left", show_edge=False)
        for column in ("", "value at", "as sent", "value", "unit", ""):
            table.add_column(column, justify="right" if column == "value" else "left")
        for line in section.lines:
            value = (
                "not available"
                if line.value is None
                else f"{line.value:,.6g}"
                if abs(line.value) < 1e6
                else f"{line.value:,.3f}"
            )
            note = line.note or (
                "likely"
                if line.likely
                else "not likely"
                if line.raw and not line.likely and row.protocol == "modbus"
                else ""
            )
            table.add_row(">" if line.chosen else "", escape(line.key), line.raw, value, line.unit, escape(note))
        console.print(table)
    only = replace(site, inputs=inputs, sources=(row,))
    values, refused = once(row, only, LIMIT_S)
    for (point, register), reason in refused.items():
        console.print(f"  {escape(point)} {register}: not taken: {escape(reason)}")
    return {register: value for (_, register), value in values.items()}


def _say_sense(console: Console, site: Site, inputs: Iterable[Input], values: dict[str, float]) -> None:
    """Values on the primary side, and what they say about sign and ratio."""
    by_register = {meter_input.register: meter_input for meter_input in inputs}
    if not values:
        return
    point = next(iter(by_register.values())).point
    fitted = _fitted(site, point)
    role = next((item.role for item in site.points if item.name == point), None)
    primary = {register: value * _ratio(by_register[register], fitted) for register, value in values.items()}
    console.print(f"[bold]{escape(point)}[/bold], as the daemon takes it{_instrument(fitted)}")
    for register, value in primary.items():
        kind = REGISTERS[register]
        factor = _ratio(by_register[register], fitted)
        times = f" ({values[register]:,.6g} x {factor:g})" if factor != 1 else ""
        console.print(f"  {register:8} {kind.name:16} {value:>16,.3f} {kind.unit}{times}")
    for words in judge(primary, role):
        console.print(f"  {words}")


def _fitted(site: Site, point: str) -> Instrument | None:
    instruments = site.instruments_of(point)
    return instruments[-1] if instruments else None


def _ratio(meter_input: Input, fitted: Instrument | None) -> float:
    """Current-transformer ratio and pulse weight that `register` applies later."""
    factor = 1.0
    if fitted is not None and meter_input.per_ct and fitted.ct_ratio is not None:
        factor *= float(fitted.ct_ratio)
    if fitted is not None and meter_input.unit == "imp" and fitted.pulse_wh is not None:
        factor *= float(fitted.pulse_wh)
    return factor


def _instrument(fitted: Instrument | None) -> str:
    if fitted is None:
        return ""
    parts = [f"serial {fitted.serial}"] if fitted.serial else []
    if fitted.ct_primary_a is not None and fitted.ct_secondary_a is not None:
        parts.append(f"current transformers {fitted.ct_primary_a:g}/{fitted.ct_secondary_a:g} A")
    return f"; {escape(', '.join(parts))}" if parts else ""
