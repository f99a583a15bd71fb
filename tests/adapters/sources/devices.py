"""The device side of the field protocols, for tests: real sockets, scripted answers, and a real Modbus server."""

import asyncio
import contextlib
import os
import pty
import select
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from pymodbus.framer import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.brokers import free_port, until

Piece = bytes | float | None  # bytes to send, seconds to wait, or None: hang up
Answer = Callable[[bytes], Iterable[Piece]]


class TcpDevice:
    """A TCP server while the `with` block lasts: each piece that arrives is answered by `answer`, `greeting` on connecting."""

    def __init__(self, answer: Answer = lambda _request: (), *, greeting: Callable[[], Iterable[Piece]] | None = None):
        self.port = free_port()
        self.answer = answer
        self.greeting = greeting
        self.requests: list[bytes] = []
        self.connections = 0
        self._listener: socket.socket | None = None
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []

    def __enter__(self) -> "TcpDevice":
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.kill()

    def start(self) -> None:
        """Listen, on the same port as before."""
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self.port))
        listener.listen()
        self._listener = listener
        self._run(self._accept, listener)

    def kill(self) -> None:
        """Gone: no listener, every connection broken."""
        listener, self._listener = self._listener, None
        for made in (listener, *self._open):
            if made is not None:
                with contextlib.suppress(OSError):
                    made.shutdown(socket.SHUT_RDWR)
                made.close()
        self._open.clear()
        for thread in self._threads:
            thread.join(5)
        self._threads.clear()

    def say(self, data: bytes) -> None:
        """Send on the newest connection, as a gateway does that hands serial bytes to whoever is connected."""
        with contextlib.suppress(OSError, IndexError):
            self._open[-1].sendall(data)

    def _run(self, work: Callable[[socket.socket], None], made: socket.socket) -> None:
        thread = threading.Thread(target=work, args=(made,), daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                made, _ = listener.accept()
            except OSError:
                return
            self.connections += 1
            self._open.append(made)
            self._run(self._serve, made)

    def _serve(self, made: socket.socket) -> None:
        with contextlib.suppress(OSError):
            if self.greeting is not None and not self._send(made, self.greeting()):
                return
            while request := made.recv(4096):
                self.requests.append(request)
                if not self._send(made, self.answer(request)):
                    return

    def _send(self, made: socket.socket, pieces: Iterable[Piece]) -> bool:
        for piece in pieces:
            if piece is None:
                made.shutdown(socket.SHUT_RDWR)
                return False
            if isinstance(piece, bytes):
                made.sendall(piece)
            else:
                time.sleep(piece)
        return True


class SerialLine:
    """A serial port while the `with` block lasts: a pseudo terminal, joined to the device that listens at a TCP port.

    `path` stays the same when the adapter is pulled out and plugged in again, as below /dev/serial/by-id.
    """

    def __init__(self, folder: Path, port: int) -> None:
        self.path = folder / "line"
        self._port = port
        self._ours, self._theirs = -1, -1
        self._threads: list[threading.Thread] = []
        self._device: socket.socket | None = None

    def __enter__(self) -> "SerialLine":
        self.plug()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.pull()

    def plug(self) -> None:
        """The adapter is there."""
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self.path.symlink_to(os.ttyname(self._theirs))
        self._device = device = socket.create_connection(("127.0.0.1", self._port), 5)
        device.settimeout(None)
        self._threads = [
            threading.Thread(target=self._out, args=(self._ours, device), daemon=True),
            threading.Thread(target=self._back, args=(self._ours, device), daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def pull(self) -> None:
        """The adapter is gone."""
        device, self._device = self._device, None
        if device is None:
            return
        self.path.unlink()
        with contextlib.suppress(OSError):
            device.shutdown(socket.SHUT_RDWR)
        os.close(self._theirs)
        for thread in self._threads:
            thread.join(5)
        os.close(self._ours)
        device.close()

    def _out(self, ours: int, device: socket.socket) -> None:
        while self._device is not None:
            if select.select([ours], [], [], 0.05)[0]:
                try:
                    device.sendall(os.read(ours, 4096))
                except OSError:
                    return

    def _back(self, ours: int, device: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := device.recv(4096):
                os.write(ours, data)


class ModbusServer:
    """The library's own server in a thread. `devices`: unit -> {first register: registers}."""

    def __init__(self, devices: dict[int, dict[int, list[int]]], framing: str = "tcp", *, port: int = 0) -> None:
        self.port = port or free_port()
        self.devices = devices
        self._framer = FramerType.RTU if framing == "rtu" else FramerType.SOCKET
        self._loop: asyncio.AbstractEventLoop | None = None
        self._server: Any = None
        self._thread: threading.Thread | None = None
        self.requests: list[tuple[int, int, int, int]] = []  # unit, function, first, count

    def __enter__(self) -> "ModbusServer":
        self.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.kill()

    def start(self) -> None:
        """Serve on the same port as before."""
        ready = threading.Event()
        self._thread = threading.Thread(target=self._serve, args=(ready,), daemon=True)
        self._thread.start()
        assert ready.wait(5)
        assert until(self._answers, 5)

    def kill(self) -> None:
        """Close the listener and every connection."""
        loop, self._loop = self._loop, None
        if loop is not None and self._thread is not None:
            asyncio.run_coroutine_threadsafe(self._server.shutdown(), loop).result(5)
            self._thread.join(5)

    def _answers(self) -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
            return True
        return False

    def _serve(self, ready: threading.Event) -> None:
        async def serve() -> None:
            self._loop = asyncio.get_running_loop()
            self._server = ModbusTcpServer(
                [self._device(unit, blocks) for unit, blocks in self.devices.items()],
                framer=self._framer,
                address=("127.0.0.1", self.port),
                ignore_missing_devices=True,  # a unit that is not there is silent
            )
            ready.set()
            with contextlib.suppress(asyncio.CancelledError):
                await self._server.serve_forever()

        asyncio.run(serve())

    def _device(self, unit: int, blocks: dict[int, list[int]]) -> SimDevice:
        async def action(
            function: int, start: int, address: int, count: int, current: list[int], _values: object
        ) -> None:
            self.requests.append((unit, function, address, count))
            for first, registers in self.devices[unit].items():
                for offset, register in enumerate(registers):
                    place = first + offset - start
                    if 0 <= place < len(current):
                        current[place] = register

        data = [SimData(first, values=list(regs), datatype=DataType.REGISTERS) for first, regs in blocks.items()]
        return SimDevice(unit, simdata=data, action=action)


def words(value: float, kind: str = ">f") -> list[int]:
    """Registers of a value, high word first."""
    data = struct.pack(kind, value)
    return list(struct.unpack(f">{len(data) // 2}H", data))


def crc16(data: bytes) -> bytes:
    """Check sum of Modbus RTU, low byte first (Modbus over serial line 1.02, 6.2.2), written down a second time."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return struct.pack("<H", crc)
