"""Modbus meters are read over real sockets, from the library's own server and from devices that misbehave."""

import struct
import threading
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.sources.modbus.registers import KINDS, ORDERS, Block, Spot
from meterd.adapters.sources.modbus.source import ModbusSource, address_fault, decode, settings_for, spot_of
from meterd.adapters.sources.values import wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site, Source
from tests.adapters.sources.devices import ModbusServer, Piece, TcpDevice, crc16, words
from tests.adapters.sources.lines import Option, plan, running
from tests.brokers import until

ENERGY = Input("q01", "1.8.0", "line", "3/holding/72/float32", unit="kWh")
POWER = Input("q01", "16.7.0", "line", "3/holding/74/float32", unit="W")


def source(port: int, inputs: tuple[Input, ...] = (ENERGY, POWER), /, **options: Option) -> ModbusSource:
    site = plan("modbus", port, inputs, **options)
    return ModbusSource(site.sources[0], site)


@pytest.mark.slow
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_a7_neighbours_come_in_one_request_of_one_moment(framing: str) -> None:
    with (
        ModbusServer({3: {72: words(1234.5) + words(-7.25)}}, framing) as server,
        running(source(server.port, framing=framing)) as taking,
    ):
        first, second = taking.reading(), taking.reading()
        assert (first.register, first.value) == ("1.8.0", 1_234_500_000)
        assert until(lambda: len(server.requests) > 3)
    assert set(server.requests) == {(3, 3, 72, 4)}
    assert (second.register, second.value, second.at_ms) == ("16.7.0", -7.25, first.at_ms)


@pytest.mark.slow
def test_types_orders_and_tables_in_one_plan() -> None:
    """Each value as a data sheet would give it; the swapped ones are swapped in the device."""
    registers = [*words(230.5), *reversed(words(-5, ">i")), 0xFFFB, *words(7_000_000_000, ">Q"), 12, 3456]
    inputs = (
        Input("q01", "32.7.0", "line", "input/10/float32", unit="V"),
        Input("q01", "16.7.0", "line", "input/12/int32/cdab", unit="kW"),
        Input("q02", "16.7.0", "line", "input/14/int16", unit="W", scale=0.1),
        Input("q01", "1.8.0", "line", "input/15/uint64", unit="Wh"),
        Input("q02", "1.8.0", "line", "input/19/mod10x2", unit="kWh"),
    )
    with ModbusServer({9: {10: registers}}) as server, running(source(server.port, inputs, unit=9)) as taking:
        assert until(lambda: taking.source.counters()["readings"] >= 5)
    taking.drain()
    values = {(r.point, r.register): r.value for r in taking.seen}
    assert values == {
        ("q01", "32.7.0"): 230.5, ("q01", "16.7.0"): -5000.0, ("q02", "16.7.0"): pytest.approx(-0.5),
        ("q01", "1.8.0"): 7_000_000_000_000, ("q02", "1.8.0"): 123_456_000_000,
    }  # fmt: skip
    assert {request[1] for request in server.requests} == {4}


@pytest.mark.slow
def test_a8_not_available_is_no_reading_and_no_refusal() -> None:
    inputs = (ENERGY, Input("q01", "16.7.0", "line", "3/holding/74/int16", unit="W"))
    with ModbusServer({3: {72: [*words(1.0), 0x8000]}}) as server, running(source(server.port, inputs)) as taking:
        taking.reading("q01", "1.8.0")
        assert until(lambda: taking.source.counters()["not_available"] > 1)
        assert taking.source.refused() == {}
    assert {reading.register for reading in taking.seen} == {"1.8.0"}


@pytest.mark.slow
def test_a6_words_swapped_by_new_firmware_give_no_nonsense() -> None:
    """1,234.5 W is 449A5000 hex; with its words swapped it would be 8.6 GW, which no feeder carries."""
    with ModbusServer({3: {72: [*words(1.0), *words(1234.5)]}}) as server, running(source(server.port)) as taking:
        assert taking.reading("q01", "16.7.0").value == 1234.5
        server.devices[3][72] = [*words(1.0), *reversed(words(1234.5))]
        assert until(lambda: ("q01", "16.7.0") in taking.source.refused())
        assert "check type, word order, sign and scale" in taking.source.refused()[("q01", "16.7.0")].reason
        taking.drain()
    assert {reading.value for reading in taking.seen if reading.register == "16.7.0"} == {1234.5}


@pytest.mark.slow
def test_wrong_address_is_named_and_does_not_cost_its_neighbours() -> None:
    bad = Input("q09", "16.7.0", "line", "3/holding/76/float32", unit="W")
    with (
        ModbusServer({3: {72: words(1.0) + words(2.0)}}) as server,
        running(source(server.port, (ENERGY, POWER, bad))) as taking,
    ):
        taking.reading("q01", "16.7.0")
        assert until(lambda: ("q09", "16.7.0") in taking.source.refused())
        assert "exception 2 (illegal data address)" in taking.source.refused()[("q09", "16.7.0")].reason
        assert set(taking.source.refused()) == {("q09", "16.7.0")}


@pytest.mark.slow
def test_silent_unit_waits_alone() -> None:
    """Behind a gateway one dead unit costs its time-out now and then, and the others stay on their period."""
    other = Input("q02", "16.7.0", "line", "5/holding/74/float32", unit="W")
    with (
        TcpDevice(lambda request: answer(request, {3: words(1.0) + words(2.0)})) as device,
        running(source(device.port, (ENERGY, POWER, other), retry_max_s=1.0, timeout_s=0.1)) as taking,
    ):
        assert until(lambda: taking.source.counters()["readings"] >= 20, 5)
        counters = taking.source.counters()
        assert 1 <= counters["timeouts"] <= 8
    assert {reading.point for reading in taking.seen + taking.drain()} == {"q01"}


def answer(request: bytes, units: dict[int, list[int]]) -> Iterable[Piece]:
    """What a Modbus TCP device says to a request for registers from 72 on."""
    number, _, _, unit, function, first, count = struct.unpack(">HHHBBHH", request)
    if unit not in units:
        return
    registers = units[unit][first - 72 :][:count]
    data = struct.pack(f">BBB{count}H", unit, function, 2 * count, *registers)
    yield struct.pack(">HHH", number, 0, len(data)) + data


@pytest.mark.slow
def test_answer_in_small_pieces_is_put_together() -> None:
    def pieces(request: bytes) -> Iterable[Piece]:
        for whole in answer(request, {3: words(1.5) + words(2.0)}):
            assert isinstance(whole, bytes)
            for place in range(len(whole)):
                yield whole[place : place + 1]
                yield 0.001

    with TcpDevice(pieces) as device, running(source(device.port)) as taking:
        assert taking.reading("q01", "1.8.0").value == 1_500_000


def rtu(unit: int, registers: list[int], function: int = 3) -> bytes:
    data = struct.pack(f">BBB{len(registers)}H", unit, function, 2 * len(registers), *registers)
    return data + crc16(data)


def test_check_sum_of_the_standard() -> None:
    """Modbus over serial line 1.02, 6.2.2: the CRC of 02 07 is 1241 hex, sent as 41 12."""
    assert crc16(bytes.fromhex("0207")) == bytes.fromhex("4112")


LATE: dict[str, Option] = {"timeout_s": 0.25, "retry_max_s": 0.05}  # the next request is out when the late answer comes


@pytest.mark.slow
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_late_answer_is_never_taken(framing: str) -> None:
    """The device answers each request 0.4 s late (limit 0.25 s), with the value of the moment it was asked."""
    asked = 0

    def late(request: bytes) -> Iterable[Piece]:
        nonlocal asked
        asked += 1
        mine = float(asked)
        if asked <= 3:
            yield 0.4
        registers = words(mine) + words(mine)
        if framing == "rtu":
            yield rtu(3, registers)
        else:
            yield from answer(request, {3: registers})

    with TcpDevice(late) as device, running(source(device.port, framing=framing, **LATE)) as taking:
        first = taking.reading("q01", "16.7.0", 15)
        assert first.value >= 4.0
        assert taking.source.counters()["timeouts"] >= 3
        values = [taking.reading("q01", "16.7.0").value for _ in range(3)]
        assert values == sorted(values)


@pytest.mark.slow
def test_late_answer_on_the_new_connection_is_never_taken() -> None:
    """A gateway hands what comes from the serial line to whoever is connected by then, 0.4 s late (limit 0.25 s)."""
    asked = 0

    def late(_request: bytes) -> Iterable[Piece]:
        nonlocal asked
        asked += 1
        registers = words(float(asked)) * 2
        if asked <= 3:
            threading.Timer(0.4, device.say, (rtu(3, registers),)).start()
        else:
            yield rtu(3, registers)

    device = TcpDevice(late)
    with device, running(source(device.port, framing="rtu", **LATE)) as taking:
        assert taking.reading("q01", "16.7.0", 15).value >= 4.0


@pytest.mark.slow
def test_late_answer_of_another_meter_on_the_same_connection_is_thrown_away() -> None:
    """RTU frames carry no number: what lies in the buffer before a request belongs to no request."""
    asked = 0

    def twice(_request: bytes) -> Iterable[Piece]:
        nonlocal asked
        asked += 1
        yield rtu(3, words(float(asked)) + words(float(asked)))
        yield 0.02
        yield rtu(3, words(666.0) + words(666.0))

    with TcpDevice(twice) as device, running(source(device.port, framing="rtu")) as taking:
        values = [taking.reading("q01", "16.7.0").value for _ in range(6)]
    assert 666.0 not in values


@pytest.mark.slow
def test_answer_of_the_wrong_length_is_garbage() -> None:
    def short(request: bytes) -> Iterable[Piece]:
        number, _, _, unit, function, _, _ = struct.unpack(">HHHBBHH", request)
        data = struct.pack(">BBBHH", unit, function, 4, *words(5.0))
        yield struct.pack(">HHH", number, 0, len(data)) + data

    with TcpDevice(short) as device, running(source(device.port)) as taking:
        assert until(lambda: taking.source.counters()["garbage"] > 1)
        assert taking.source.counters()["readings"] == 0
        assert "4 were asked for" in taking.source.error


@pytest.mark.slow
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_server_gone_and_back(framing: str) -> None:
    with (
        ModbusServer({3: {72: words(1.0) + words(2.0)}}, framing) as server,
        running(source(server.port, framing=framing)) as taking,
    ):
        taking.reading("q01", "16.7.0")
        server.kill()
        assert until(lambda: taking.source.counters()["unreachable"] > 2)
        taking.drain()
        server.devices[3][72] = words(1.0) + words(3.0)
        server.start()
        assert taking.reading("q01", "16.7.0").value == 3.0
        assert taking.source.counters()["connects"] >= 2


@pytest.mark.parametrize(
    ("options", "words_"),
    [
        ({"framing": "ascii"}, "framing is one of tcp, rtu"),
        ({"order": "abdc"}, "order is one of"),
        ({"first_register": 2}, "first_register is 0 or 1"),
        ({"unit": 300}, "unit is 0 to 255"),
        ({"gap": -1}, "gap is 0 to 125"),
        ({"host": ""}, "host is missing"),
        ({"port": 0}, "port is 1 to 65535"),
        ({"period_s": 0.0}, "period_s"),
        ({"timeout_s": 60.0}, "timeout_s"),
        ({"retry_max_s": 0.0}, "retry_max_s"),
        ({"speed": 9600}, "unknown option speed"),
    ],
)
def test_wrong_options_are_named(options: dict[str, Option], words_: str) -> None:
    with pytest.raises(ConfigError, match=words_):
        settings_for(Source("line", "modbus", tuple({"host": "h", **options}.items())))


def test_wrong_address_is_a_fault_of_the_plan() -> None:
    assert address_fault("3/holding/72/float32/cdab") is None
    assert address_fault("3/holding/72/real") is not None
    with pytest.raises(ConfigError, match=r"inputs.csv:7: type 'real'"):
        spot_of(
            Input("q01", "1.8.0", "line", "3/holding/72/real", where="inputs.csv:7"),
            settings_for(Source("line", "modbus", (("host", "h"),))),
        )


@settings(max_examples=200)
@given(st.lists(st.integers(0, 0xFFFF), max_size=8), st.sampled_from(list(KINDS)), st.sampled_from(ORDERS))
def test_any_registers_decode_to_readings_or_refusals(registers: list[int], kind: str, order: str) -> None:
    spot = Spot(1, "holding", 0, kind, order)
    site = Site("mill", "Europe/London")
    mine = {spot: (wanted(ENERGY, ENERGY.address, site), wanted(POWER, POWER.address, site))}
    taken = decode(Block(1, "holding", 0, KINDS[kind].registers, (spot,)), registers, mine, 5)
    assert len(taken.readings) + len(taken.refusals) + taken.missing == 2
