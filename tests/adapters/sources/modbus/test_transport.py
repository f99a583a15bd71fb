"""The Modbus library with its traps closed: what it gives, and what becomes of everything else."""

import logging
import struct
from collections.abc import Iterable

import pytest

from meterd.adapters.sources.modbus.transport import Declined, ModbusOptions, ModbusWire
from meterd.adapters.sources.polling import Garbage
from meterd.adapters.sources.tcp import LineLost, NoAnswer
from tests.adapters.sources.devices import ModbusServer, Piece, TcpDevice
from tests.brokers import free_port


def wire(port: int, framing: str = "tcp", timeout_s: float = 0.2) -> ModbusWire:
    made = ModbusWire(ModbusOptions("127.0.0.1", port, framing=framing, timeout_s=timeout_s))
    made.open()
    return made


@pytest.mark.slow
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
@pytest.mark.parametrize("table", ["holding", "input"])
def test_registers_of_both_tables(framing: str, table: str) -> None:
    with ModbusServer({7: {100: [1, 2, 65_535]}}, framing) as server:
        made = wire(server.port, framing, 3.0)
        assert made.read(7, table, 100, 3) == [1, 2, 65_535]
        with pytest.raises(Declined, match=r"exception 2 \(illegal data address\)") as caught:
            made.read(7, table, 200, 1)
        assert caught.value.code == 2
        assert made.is_open(), "an exception is an answer"
        made.close()


@pytest.mark.slow
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_silence_costs_the_connection(framing: str) -> None:
    with TcpDevice() as device:
        made = wire(device.port, framing)
        with pytest.raises(NoAnswer, match="unit 7"):
            made.read(7, "holding", 0, 1)
        assert not made.is_open()
        with pytest.raises(LineLost):
            made.read(7, "holding", 0, 1)


def frame(number: int, unit: int, pdu: bytes) -> bytes:
    return struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu


@pytest.mark.slow
@pytest.mark.parametrize(
    "answer",
    [
        lambda number: frame(number, 7, b"\x03\x04\x00\x01\x00\x02"),  # two registers, one was asked for
        lambda number: frame(number, 7, b"\x04\x02\x00\x01"),  # of input registers, holding registers were asked for
        lambda number: frame(number, 7, b"\x03"),  # no length
        lambda number: frame(number, 7, b"\x63\x02\x00\x01"),  # no such function
    ],
)
def test_nonsense_is_garbage_or_silence_and_costs_the_connection(answer: object) -> None:
    assert callable(answer)
    with TcpDevice(lambda request: (answer(struct.unpack(">H", request[:2])[0]),)) as device:
        made = wire(device.port)
        with pytest.raises((Garbage, NoAnswer)):
            made.read(7, "holding", 0, 1)
        assert not made.is_open()


@pytest.mark.slow
@pytest.mark.parametrize(("number", "unit"), [(1, 0), (0, 1)])
def test_answer_of_another_request_or_unit_is_not_taken(number: int, unit: int) -> None:
    def other(request: bytes) -> Iterable[Piece]:
        asked = struct.unpack(">H", request[:2])[0]
        yield frame(asked + number, 7 + unit, b"\x03\x02\x02\x9a")

    with TcpDevice(other) as device:
        made = wire(device.port)
        with pytest.raises(NoAnswer):
            made.read(7, "holding", 0, 1)


@pytest.mark.slow
def test_hang_up_is_a_lost_line() -> None:
    with TcpDevice(lambda _request: (None,)) as device:
        made = wire(device.port)
        with pytest.raises(LineLost):
            made.read(7, "holding", 0, 1)
    with pytest.raises(OSError, match="cannot connect"):
        wire(free_port())


def test_library_is_quiet(caplog: pytest.LogCaptureFixture) -> None:
    """A meter that is away must not fill the log: it is counted, and said once as a finding."""
    with caplog.at_level(logging.DEBUG), pytest.raises(OSError):
        wire(free_port())
    assert [record for record in caplog.records if record.name.startswith("pymodbus")] == []
