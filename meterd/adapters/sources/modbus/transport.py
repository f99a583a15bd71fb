"""Modbus registers over TCP or a serial line, by pymodbus with its traps closed. The only file that knows the library.

Works around, in pymodbus 3.16.1 (synchronous client):
- RTU framing carries no transaction number, so a late answer of an earlier request is taken for the present one
  (test_late_answer_is_never_taken): here a silent device costs the connection, the next one first stays quiet for as long
  as an answer may take, and what lies in the buffer before a request is thrown away.
- the number of registers in an answer is not compared with the number asked for: compared here.
- between two frames of a serial line it leaves no silence: kept here.
- an undecodable frame raises instead of being skipped: counted as garbage here, the connection is opened anew.
"""

import contextlib
import logging
import os
import select
import socket
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from meterd.adapters.sources.polling import Garbage
from meterd.adapters.sources.serial_port import PARITIES, LineOptions, why_not_opened
from meterd.adapters.sources.tcp import CHUNK, LineLost, NoAnswer
from meterd.core.errors import SourceError

# The library is imported where it is used: it takes a quarter of a second, which a plan check or a listing need not spend.
if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient

    Client = ModbusSerialClient | ModbusTcpClient

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)  # every failure is counted here and said once by us

MOST_REGISTERS = 125  # of one request; Modbus application protocol 1.1b3, section 6.3
FRAMINGS = ("tcp", "rtu")
SHORTEST_SILENCE_S = 0.00175
EXCEPTIONS = {  # Modbus application protocol 1.1b3, section 7
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
FUNCTIONS = {"holding": 3, "input": 4}
BAD_ADDRESS = (2, 3)
BEHIND_GATEWAY = (10, 11)


class Declined(SourceError):
    """The device answered with an exception code."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code} ({EXCEPTIONS.get(code, 'unknown')})")
        self.code = code


@dataclass(frozen=True, slots=True)
class ModbusOptions(LineOptions):
    """Options of a source that reads registers."""

    port: int = 502
    framing: str = (
        "tcp"  # "tcp" (Modbus TCP) or "rtu" (RTU frames through a serial device server); a serial port has RTU
    )
    unit: int = 1  # of addresses that name none
    baud: int = 19_200  # this and even parity by "Modbus over serial line" 1.02, section 3.2
    parity: str = "even"

    @property
    def rtu(self) -> bool:
        """Whether frames carry no number of their own."""
        return self.framing == "rtu" or bool(self.serial_port)

    @property
    def silence_s(self) -> float:
        """Between two frames of a serial line: 3.5 characters, above 19,200 baud 1.75 ms ("Modbus over serial line" 1.02)."""
        return max(SHORTEST_SILENCE_S, 3.5 * self.bits_per_character / self.baud) if self.serial_port else 0.0


def modbus_faults(options: ModbusOptions) -> list[str]:
    """What is wrong with framing and unit."""
    faults = []
    if options.framing not in FRAMINGS:
        faults.append(f"option framing is one of {', '.join(FRAMINGS)}")
    if not 0 <= options.unit <= 255:
        faults.append("option unit is 0 to 255")
    return faults


class ModbusWire:
    """One connection to a device or gateway; reads blocks of registers. One thread talks; any may `abort`."""

    def __init__(self, options: ModbusOptions) -> None:
        self._options, self._timeout_s = options, options.timeout_s
        self._client: Client | None = None
        self._quiet_until = 0.0
        self._free_from = 0.0
        self.late = 0  # bytes that came too late and were thrown away

    def open(self) -> None:
        """Connect within the limit; OSError if that fails."""
        self.close()
        client = self._new_client()
        if not client.connect():
            path = self._options.serial_port
            raise OSError(why_not_opened(path) if path else f"cannot connect to {self._options.peer}")
        made = client.socket
        if isinstance(made, socket.socket):
            made.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = client
        while time.monotonic() < self._quiet_until:  # a gateway may hand the late answer to the new connection
            self._discard(self._quiet_until - time.monotonic())
        self._quiet_until = 0.0

    def _new_client(self) -> "Client":
        from pymodbus.client import ModbusSerialClient, ModbusTcpClient
        from pymodbus.framer import FramerType

        options = self._options
        if options.serial_port:
            return ModbusSerialClient(
                options.serial_port, baudrate=options.baud, bytesize=options.data_bits, parity=PARITIES[options.parity],
                stopbits=options.stop_bits, timeout=options.timeout_s, retries=0,
            )  # fmt: skip
        framer = FramerType.RTU if options.rtu else FramerType.SOCKET
        return ModbusTcpClient(options.host, port=options.port, framer=framer, timeout=options.timeout_s, retries=0)

    def is_open(self) -> bool:
        """Whether a connection was made and is not known to be broken."""
        return self._client is not None and self._client.connected

    def close(self) -> None:
        """Close; nothing that is still on the way is ever seen."""
        client, self._client = self._client, None
        if client is not None:
            client.close()  # type: ignore[no-untyped-call]

    def abort(self) -> None:
        """End the waiting of the thread that talks."""
        client = self._client
        made = client.socket if client is not None else None
        if isinstance(made, socket.socket):  # a serial port waits for its limit at most
            with contextlib.suppress(OSError):
                made.shutdown(socket.SHUT_RDWR)

    def read(self, unit: int, table: str, first: int, count: int) -> list[int]:
        """`count` registers from `first` on, each 0..65535; Declined, NoAnswer, Garbage or LineLost otherwise."""
        from pymodbus.exceptions import ConnectionException, ModbusException

        client = self._client
        if client is None:
            raise LineLost(f"not connected to {self._options.peer}")
        time.sleep(max(0.0, self._free_from - time.monotonic()))
        self._discard(0.0)
        ask = client.read_holding_registers if table == "holding" else client.read_input_registers
        begun = time.monotonic()
        try:
            answer = ask(first, count=count, device_id=unit)
            self._free_from = time.monotonic() + self._options.silence_s
        except ConnectionException as exc:
            raise LineLost(f"connection to {self._options.peer} lost") from exc
        except ModbusException as exc:
            self._give_up()
            if time.monotonic() - begun < self._timeout_s / 2:
                raise Garbage(f"unit {unit}: {exc}") from exc
            raise NoAnswer(f"unit {unit} at {self._options.peer} does not answer") from exc
        except OSError as exc:
            raise LineLost(f"connection to {self._options.peer} lost: {exc}") from exc
        if answer.isError():
            raise Declined(int(getattr(answer, "exception_code", 0)))
        if answer.function_code != FUNCTIONS[table]:  # the library takes whatever has the number of the transaction
            self._give_up()
            raise Garbage(
                f"unit {unit}: the answer is of function {answer.function_code}, {FUNCTIONS[table]} was asked for"
            )
        registers = list(answer.registers)
        if len(registers) != count:
            self._give_up()
            raise Garbage(f"unit {unit}: {len(registers)} registers came, {count} were asked for")
        return registers

    def _give_up(self) -> None:
        """After silence or nonsense nothing of this connection is believed any more."""
        self.close()
        if self._options.rtu:
            self._quiet_until = time.monotonic() + self._timeout_s

    def _discard(self, wait_s: float) -> None:
        client = self._client
        made = client.socket if client is not None else None
        while made is not None and select.select([made], [], [], max(0.0, wait_s))[0]:
            data = os.read(made.fileno(), CHUNK)
            if not data:
                raise LineLost(f"{self._options.peer} closed the connection")
            self.late += len(data)
            wait_s = 0.0
