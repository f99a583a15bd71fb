"""The files of a new plan from the units of a Modbus line that answer, and what is said about them."""

import argparse
import re
from collections.abc import Iterator
from dataclasses import dataclass

from meterd.adapters.planfile.new_plan import (
    INPUT_COLUMNS,
    INSTRUMENT_COLUMNS,
    POINT_COLUMNS,
    Row,
    site_text,
    table_text,
)
from meterd.adapters.sources.modbus.scan import PAUSE_S, ScannedModel, ScannedUnit, ScannedValue, scan
from meterd.adapters.sources.modbus.transport import FRAMINGS, ModbusOptions, ModbusWire
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import PointState, Role
from meterd.core.model.reading import REGISTERS

SOURCE, BOARD = "bus", "main"
PORT, TIMEOUT_S = 502, 1.0
NOTHING_YET = "read although the counter shows no value yet"
FIRST, LAST = 1, 247  # units of Modbus over serial line 1.02, section 2.2
_ADDRESS = re.compile(r"modbus://(\[[0-9A-Fa-f:.%]+\]|[^/:@\[\]\s]+)(?::([0-9]{1,5}))?/([0-9,\- ]+)")


@dataclass(frozen=True, slots=True)
class ScanAddress:
    """Where a line is, and which of its units are asked."""

    host: str
    port: int
    units: tuple[int, ...]


def add_options(parser: argparse.ArgumentParser) -> None:
    """The options of a scan."""
    scan_ = "ask the units of this range of a Modbus line, one after the other; reads only, never writes"
    parser.add_argument("--scan", metavar="modbus://HOST:PORT/1-20", help=scan_)
    framing_ = "with --scan: tcp (default), or rtu for RTU frames through a serial device server"
    parser.add_argument("--framing", choices=FRAMINGS, default=FRAMINGS[0], help=framing_)


def scanned_files(arguments: argparse.Namespace, name: str, zone: str) -> dict[str, str]:
    """Texts of the files; each unit that answers is said at once. SourceError if none does."""
    address = scan_address(arguments.scan)
    longest_s = len(address.units) * (TIMEOUT_S + PAUSE_S)
    first, last = address.units[0], address.units[-1]
    print(f"asking {len(address.units)} units ({first} to {last}) at {address.host}:{address.port}; silent ones alone"
          f" take up to {longest_s:.0f} s; nothing is written to them", flush=True)  # fmt: skip
    wire = ModbusWire(ModbusOptions(address.host, address.port, framing=arguments.framing, timeout_s=TIMEOUT_S))
    units: list[ScannedUnit] = []
    for unit, scanned in scan(wire, address.units):
        if scanned is not None:
            units.append(scanned)
            print(f"  unit {unit}: {_words(scanned)}", flush=True)
    if not units:
        raise SourceError(
            f"no unit from {first} to {last} answers at {address.host}:{address.port}; look at the range, --framing, wiring"
            " and baud rate of the device server, and whether another master asks on the line"
        )
    return dict(_files(units, address, arguments.framing, name=name, zone=zone))


def scan_address(text: str) -> ScanAddress:
    """Host, port and units of `modbus://HOST:PORT/1-20`. ConfigError says what would be right.

    >>> scan_address("modbus://10.0.0.5/1-3,7").units
    (1, 2, 3, 7)
    """
    right = "write modbus://HOST:PORT/UNITS with units such as 1-20 or 1,3,7-9"
    match = _ADDRESS.fullmatch(text)
    if match is None:
        raise ConfigError(f"--scan {text}: {right}")
    units: set[int] = set()
    for part in match[3].split(","):
        low, dash, high = (word.strip() for word in part.partition("-"))
        if not low.isdecimal() or (dash and not high.isdecimal()):
            raise ConfigError(f"--scan {text}: {part!r} is no range of units; {right}")
        begin, end = int(low), int(high or low)
        if not FIRST <= begin <= end <= LAST:
            raise ConfigError(f"--scan {text}: {part!r}: units are {FIRST} to {LAST}, the smaller one first")
        units |= set(range(begin, end + 1))
    port = int(match[2]) if match[2] else PORT
    if not 0 < port < 65_536:
        raise ConfigError(f"--scan {text}: port {port} is none; it is a number from 1 to 65535")
    return ScanAddress(match[1].strip("[]"), port, tuple(sorted(units)))


def _words(scanned: ScannedUnit) -> str:
    if not scanned.models:
        return scanned.words
    return "; ".join(
        f"SunSpec model {model.model}: "
        + ", ".join(f"{REGISTERS[value.register].name} {_shown(value)}" for value in model.values)
        for model in scanned.models
    )


def _shown(value: ScannedValue) -> str:
    return "not available" if value.value is None else f"{value.value:,.6g} {value.unit}"


def _files(
    units: list[ScannedUnit], address: ScanAddress, framing: str, *, name: str, zone: str
) -> Iterator[tuple[str, str]]:
    points: list[Row] = []
    guesses: list[list[str]] = []
    inputs: list[Row] = []
    doubts: list[list[str]] = []
    for scanned in units:
        for model in scanned.models or (None,):
            point = f"unit-{scanned.unit:03d}" + (f"-{model.nth}" if model is not None and model.nth > 1 else "")
            points.append(_point(point, model))
            guesses.append([_guess(scanned, model, address)])
            inputs += _inputs(point, model)
            doubts += [
                [NOTHING_YET] if value.value is None else [] for value in (model.values if model is not None else ())
            ]
    options: dict[str, str | int | bool] = {"name": SOURCE, "protocol": "sunspec"}
    options |= {"host": address.host, "port": address.port}
    sources = [options | ({"framing": framing} if framing != FRAMINGS[0] else {})] if inputs else []
    yield "site.toml", site_text(name, zone, [BOARD], sources)
    yield "points.csv", table_text(POINT_COLUMNS, points, guesses)
    yield "instruments.csv", table_text(INSTRUMENT_COLUMNS, points)
    if inputs:
        yield "inputs.csv", table_text(INPUT_COLUMNS, inputs, doubts)


def _point(name: str, model: ScannedModel | None) -> Row:
    live = model is not None and any(value.value is not None for value in model.values)
    role = Role.PV if model is not None and model.produces else Role.FEEDER
    state = PointState.LIVE if live else PointState.PLANNED
    return {"point": name, "board": BOARD, "role": str(role), "state": str(state)}


def _guess(scanned: ScannedUnit, model: ScannedModel | None, address: ScanAddress) -> str:
    if model is not None:
        kind = "an inverter, so role pv" if model.produces else "a meter; role feeder"
        return f"unit {scanned.unit} is {kind}; board {BOARD}"
    return (
        f"unit {scanned.unit} {scanned.words}; its registers stand in its data sheet: try"
        f" meterd probe modbus://{address.host}:{address.port}/{scanned.unit}/holding/REGISTER/TYPE"
    )


def _inputs(point: str, model: ScannedModel | None) -> Iterator[Row]:
    for value in model.values if model is not None else ():
        yield {
            "point": point,
            "register": value.register,
            "source": SOURCE,
            "address": value.address,
            "unit": value.unit,
        }
