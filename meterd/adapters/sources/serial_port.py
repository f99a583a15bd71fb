"""A serial port of this machine, or the address of a device server: where a field protocol finds its line."""

import os
import termios
from dataclasses import dataclass

import serial

from meterd.core.errors import SourceError

PARITIES = {"none": "N", "even": "E", "odd": "O"}
SPEEDS = (300, 600, 1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200)
BITS, STOPS = (7, 8), (1, 2)


@dataclass(frozen=True, slots=True)
class LineOptions:
    """Options of every source with a line of its own: a TCP connection, or a serial port of this machine.

    Protocols override the defaults.
    """

    host: str = ""
    port: int = 10_001
    serial_port: str = ""  # such as /dev/ttyUSB0, instead of host
    baud: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: int = 1
    period_s: float = 10.0
    timeout_s: float = 1.0
    retry_max_s: float = 60.0  # longest delay between attempts to reach what does not answer

    @property
    def peer(self) -> str:
        """The other end, for messages."""
        return self.serial_port or f"{self.host}:{self.port}"

    @property
    def bits_per_character(self) -> int:
        """Start bit, data, parity and stop bits."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits


def line_faults(options: LineOptions) -> list[str]:
    """What is wrong with the options of a serial port."""
    faults = []
    if options.baud not in SPEEDS:
        faults.append(f"option baud is one of {', '.join(map(str, SPEEDS))}")
    if options.data_bits not in BITS:
        faults.append("option data_bits is 7 or 8")
    if options.parity not in PARITIES:
        faults.append(f"option parity is one of {', '.join(PARITIES)}")
    if options.stop_bits not in STOPS:
        faults.append("option stop_bits is 1 or 2")
    return faults


def why_not_opened(path: str) -> str:
    """Words for a person whose port cannot be opened."""
    if not os.path.exists(path):
        return f"{path} does not exist; is the adapter plugged in? /dev/serial/by-id lists those that are"
    if not os.access(path, os.R_OK | os.W_OK):
        return f"{path} must not be opened by this user; on most systems the group dialout may (common practice)"
    return f"{path} cannot be opened; does another program use it?"


class SerialChannel:
    """An open port. Its file descriptor can be waited for like a socket's."""

    def __init__(self, options: LineOptions) -> None:
        try:
            self._port: serial.Serial = serial.Serial(
                options.serial_port, options.baud, options.data_bits, PARITIES[options.parity], options.stop_bits,
                timeout=0, write_timeout=options.timeout_s, exclusive=True,
            )  # fmt: skip
        except (OSError, ValueError, termios.error) as exc:
            raise SourceError(why_not_opened(options.serial_port)) from exc
        self.ended = False

    def fileno(self) -> int:
        """For select."""
        return int(self._port.fileno())

    def recv(self, most: int) -> bytes:
        """What is there; nothing if the adapter is gone."""
        return os.read(self.fileno(), most)

    def send(self, data: memoryview) -> int:
        """Send some of it; returns how much."""
        return os.write(self.fileno(), data)

    def shutdown(self, _how: int) -> None:
        """End the waiting of the thread that talks: it looks a few times a second."""
        self.ended = True

    def close(self) -> None:
        """Close the port."""
        self._port.close()
