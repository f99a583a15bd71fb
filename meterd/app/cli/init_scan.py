"""The files of a new plan from the units of a Modbus or M-Bus line that answer, and what is said about them."""

import argparse
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from meterd.adapters.planfile.new_plan import (
    INPUT_COLUMNS,
    INSTRUMENT_COLUMNS,
    POINT_COLUMNS,
    Row,
    site_text,
    table_text,
)
from meterd.adapters.sources.modbus.scan import PAUSE_S, scan
from meterd.adapters.sources.modbus.transport import FRAMINGS, ModbusOptions, ModbusWire
from meterd.adapters.sources.scanned import ScannedMeter, ScannedUnit, ScannedValue
from meterd.adapters.sources.serial import mbus_scan
from meterd.adapters.sources.serial.mbus import LAST_PRIMARY, MbusSettings
from meterd.adapters.sources.serial_port import SPEEDS
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import PointState, Role
from meterd.core.model.reading import REGISTERS

SOURCE, BOARD = "bus", "main"
MODBUS, MBUS = "modbus", "mbus"
PORTS = {MODBUS: 502, MBUS: 10_001}
RANGES = {MODBUS: (1, 247), MBUS: (0, LAST_PRIMARY)}  # Modbus over serial line 1.02, section 2.2; EN 13757-2
TIMEOUT_S = 1.0
NOTHING_YET = "read although the counter shows no value yet"
_ADDRESS = re.compile(
    r"(modbus|mbus)://(?:(\[[0-9A-Fa-f:.%]+\]|[^/:@\[\]\s]+)(?::([0-9]{1,5}))?|(/[^\s]+))/([0-9,\- ]+)"
)


@dataclass(frozen=True, slots=True)
class ScanAddress:
    """Where a line is, and which of its units are asked. `host` is empty where it is a serial port of this machine."""

    protocol: str
    host: str
    port: int
    serial_port: str
    units: tuple[int, ...]

    @property
    def where(self) -> str:
        """The line, for messages."""
        return self.serial_port or f"{self.host}:{self.port}"


def add_options(parser: argparse.ArgumentParser) -> None:
    """The options of a scan."""
    scan_ = (
        "ask the units of this range of a Modbus or M-Bus line, one after the other; reads only, never writes;"
        " modbus:///dev/ttyUSB0/1-20 is a serial port of this machine"
    )
    parser.add_argument("--scan", metavar="modbus://HOST:PORT/1-20", help=scan_)
    framing_ = "with --scan: tcp (default), or rtu for RTU frames through a serial device server"
    parser.add_argument("--framing", choices=FRAMINGS, default=FRAMINGS[0], help=framing_)
    baud_ = "with --scan of a serial port; default 19200 for Modbus, 2400 for M-Bus"
    parser.add_argument("--baud", type=int, choices=SPEEDS, help=baud_)


def scanned_files(arguments: argparse.Namespace, name: str, zone: str) -> dict[str, str]:
    """Texts of the files; each unit that answers is said at once. SourceError if none does."""
    address = scan_address(arguments.scan)
    if arguments.baud is not None and not address.serial_port:
        raise ConfigError("--baud is for a serial port of this machine; a device server has its own speed")
    if arguments.framing != FRAMINGS[0] and (address.protocol != MODBUS or address.serial_port):
        raise ConfigError("--framing is for Modbus through a device server; a serial port has RTU frames anyway")
    silent_s = TIMEOUT_S + PAUSE_S if address.protocol == MODBUS else 2 * TIMEOUT_S + PAUSE_S  # M-Bus: a late answer
    first, last = address.units[0], address.units[-1]
    print(f"asking {len(address.units)} units ({first} to {last}) at {address.where}; silent ones alone"
          f" take up to {len(address.units) * silent_s:.0f} s; nothing is written to them", flush=True)  # fmt: skip
    options = _options(address, arguments.framing, arguments.baud)
    units: list[ScannedUnit] = []
    for unit, scanned in _scan(address, options):
        if scanned is not None:
            units.append(scanned)
            print(f"  unit {unit}: {_words(scanned)}", flush=True)
    if not units:
        looked = "--framing, wiring and baud rate of the device server" if address.host else "--baud and wiring"
        raise SourceError(
            f"no unit from {first} to {last} answers at {address.where}; look at the range, {looked}, and whether"
            " another master asks on the line"
        )
    return dict(_files(units, address, options, name=name, zone=zone))


def _options(address: ScanAddress, framing: str, baud: int | None) -> dict[str, str | int]:
    """The options of the line as a source of the plan has them, beyond what its protocol takes for granted."""
    options: dict[str, str | int] = (
        {"serial_port": address.serial_port} if address.serial_port else {"host": address.host, "port": address.port}
    )
    if address.protocol == MODBUS and address.host and framing != FRAMINGS[0]:
        options["framing"] = framing
    if baud is not None:
        options["baud"] = baud
    return options


def _scan(address: ScanAddress, options: dict[str, Any]) -> Iterator[tuple[int, ScannedUnit | None]]:
    if address.protocol == MBUS:
        return mbus_scan.scan(MbusSettings(**options, timeout_s=TIMEOUT_S), address.units, pause_s=PAUSE_S)
    return scan(ModbusWire(ModbusOptions(**options, timeout_s=TIMEOUT_S)), address.units)


def scan_address(text: str) -> ScanAddress:
    """Line and units of `modbus://HOST:PORT/1-20` or `mbus:///dev/ttyUSB0/1-20`. ConfigError says what would be right.

    >>> scan_address("modbus://10.0.0.5/1-3,7").units
    (1, 2, 3, 7)
    """
    right = "write modbus://HOST:PORT/UNITS or mbus:///dev/PORT/UNITS with units such as 1-20 or 1,3,7-9"
    match = _ADDRESS.fullmatch(text)
    if match is None:
        raise ConfigError(f"--scan {text}: {right}")
    protocol, host, port_text, serial_port, ranges = match.groups()
    lowest, highest = RANGES[protocol]
    units: set[int] = set()
    for part in ranges.split(","):
        low, dash, high = (word.strip() for word in part.partition("-"))
        if not low.isdecimal() or (dash and not high.isdecimal()):
            raise ConfigError(f"--scan {text}: {part!r} is no range of units; {right}")
        begin, end = int(low), int(high or low)
        if not lowest <= begin <= end <= highest:
            raise ConfigError(f"--scan {text}: {part!r}: units are {lowest} to {highest}, the smaller one first")
        units |= set(range(begin, end + 1))
    port = int(port_text) if port_text else PORTS[protocol]
    if not 0 < port < 65_536:
        raise ConfigError(f"--scan {text}: port {port} is none; it is a number from 1 to 65535")
    return ScanAddress(protocol, (host or "").strip("[]"), port, serial_port or "", tuple(sorted(units)))


def _words(scanned: ScannedUnit) -> str:
    if not scanned.meters:
        return scanned.words
    return "; ".join(
        f"{meter.title}: " + ", ".join(f"{REGISTERS[value.register].name} {_shown(value)}" for value in meter.values)
        for meter in scanned.meters
    )


def _shown(value: ScannedValue) -> str:
    return "not available" if value.value is None else f"{value.value:,.6g} {value.unit}"


def _files(
    units: list[ScannedUnit], address: ScanAddress, options: dict[str, str | int], *, name: str, zone: str
) -> Iterator[tuple[str, str]]:
    points: list[Row] = []
    guesses: list[list[str]] = []
    inputs: list[Row] = []
    doubts: list[list[str]] = []
    for scanned in units:
        for meter in scanned.meters or (None,):
            point = f"unit-{scanned.unit:03d}" + (f"-{meter.nth}" if meter is not None and meter.nth > 1 else "")
            points.append(_point(point, meter))
            guesses.append([_guess(scanned, meter, address)])
            inputs += _inputs(point, meter)
            doubts += [
                [NOTHING_YET] if value.value is None else [] for value in (meter.values if meter is not None else ())
            ]
    protocol = MBUS if address.protocol == MBUS else "sunspec"
    source: dict[str, str | int | bool] = {"name": SOURCE, "protocol": protocol, **options}
    yield "site.toml", site_text(name, zone, [BOARD], [source] if inputs else [])
    yield "points.csv", table_text(POINT_COLUMNS, points, guesses)
    yield "instruments.csv", table_text(INSTRUMENT_COLUMNS, points)
    if inputs:
        yield "inputs.csv", table_text(INPUT_COLUMNS, inputs, doubts)


def _point(name: str, meter: ScannedMeter | None) -> Row:
    live = meter is not None and any(value.value is not None for value in meter.values)
    role = Role.PV if meter is not None and meter.produces else Role.FEEDER
    state = PointState.LIVE if live else PointState.PLANNED
    return {"point": name, "board": BOARD, "role": str(role), "state": str(state)}


def _guess(scanned: ScannedUnit, meter: ScannedMeter | None, address: ScanAddress) -> str:
    if meter is not None:
        kind = "an inverter, so role pv" if meter.produces else "a meter; role feeder"
        return f"unit {scanned.unit} is {kind}; board {BOARD}"
    if address.protocol == MBUS or address.serial_port:
        return f"unit {scanned.unit} {scanned.words}"
    return (
        f"unit {scanned.unit} {scanned.words}; its registers stand in its data sheet: try"
        f" meterd probe modbus://{address.host}:{address.port}/{scanned.unit}/holding/REGISTER/TYPE"
    )


def _inputs(point: str, meter: ScannedMeter | None) -> Iterator[Row]:
    for value in meter.values if meter is not None else ():
        yield {
            "point": point,
            "register": value.register,
            "source": SOURCE,
            "address": value.address,
            "unit": value.unit,
        }
