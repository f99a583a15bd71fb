"""M-Bus meters behind a gateway are read one after the other, and no answer is taken for another's."""

import itertools
from collections.abc import Callable, Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.modbus.registers import AddressFault
from meterd.adapters.sources.serial.mbus import (
    MbusSource,
    address_fault,
    decode,
    parse_address,
    selection,
    settings_for,
    short,
)
from meterd.adapters.sources.values import wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site, Source
from tests.adapters.sources.devices import Piece, TcpDevice
from tests.adapters.sources.lines import Option, plan, running
from tests.adapters.sources.serial.test_mbus_records import FRAMES, telegram
from tests.brokers import until

ENERGY = Input("q01", "1.8.0", "line", "5/1.8.0")
POWER = Input("q01", "16.7.0", "line", "5/022B")


def source(port: int, inputs: tuple[Input, ...] = (ENERGY, POWER), /, **options: Option) -> MbusSource:
    site = plan("mbus", port, inputs, **options)
    return MbusSource(site.sources[0], site)


def body(energy: int, power: int = 7) -> bytes:
    return b"\x04\x03" + energy.to_bytes(4, "little") + b"\x02\x2b" + power.to_bytes(2, "little", signed=True)


class Meters:
    """Meters on one line: acknowledges, answers in turn, repeats while the frame count bit stands still."""

    def __init__(self, bodies: dict[int, list[bytes]]) -> None:
        self.bodies = bodies
        self.place: dict[int, int] = {}
        self.bit: dict[int, int] = {}
        self.last: dict[int, bytes] = {}

    def __call__(self, request: bytes) -> Iterable[Piece]:
        if len(request) != 5 or request[2] not in self.bodies:
            return
        control, address = request[1:3]
        assert request == short(control, address)
        if control == 0x40:
            self.bit.pop(address, None)
            yield b"\xe5"
            return
        if self.bit.get(address) != control & 0x20:
            self.bit[address] = control & 0x20
            mine = self.bodies[address]
            self.last[address] = telegram(mine[self.place.get(address, 0) % len(mine)], address=address)
            self.place[address] = self.place.get(address, 0) + 1
        yield self.last[address]


@pytest.mark.slow
def test_meter_is_read_again_and_again_with_new_values() -> None:
    meters = Meters({5: [body(energy) for energy in range(1, 100)]})
    with TcpDevice(meters) as device, running(source(device.port)) as taking:
        values = [taking.reading("q01", "1.8.0").value for _ in range(3)]
        assert taking.reading("q01", "16.7.0").value == 7.0
    assert values == [1000, 2000, 3000]


class Selectable:
    """Meters without primary addresses: whichever was selected last answers at 253."""

    def __init__(self, bodies: dict[str, Callable[[], bytes]]) -> None:
        self.bodies = bodies
        self.chosen = ""
        self.bit: dict[str, int] = {}
        self.last: dict[str, bytes] = {}

    def __call__(self, request: bytes) -> Iterable[Piece]:
        if request[0] == 0x68:
            mine = [name for name in self.bodies if request in (selection(name), selection(name[:8]))]
            self.chosen = mine[0] if mine else ""
            if mine:
                yield b"\xe5"
        elif self.chosen and request[2] == 253:
            bit = request[1] & 0x20
            if self.bit.get(self.chosen) != bit:  # kept across selections: the worst case for whoever asks
                self.bit[self.chosen] = bit
                name = bytes.fromhex(self.chosen)
                header = name[3::-1] + name[4:] + bytes(4)
                self.last[self.chosen] = telegram(self.bodies[self.chosen](), address=0, header=header)
            yield self.last[self.chosen]


def counting(first: int) -> Callable[[], bytes]:
    numbers = itertools.count(first)
    return lambda: body(next(numbers))


@pytest.mark.slow
def test_meters_are_selected_by_their_secondary_address() -> None:
    meters = Selectable({"0012345624400102": counting(1), "0012345724400102": counting(1001)})
    meters.bit["0012345624400102"], meters.last["0012345624400102"] = (
        0x20,
        telegram(body(666), address=0, header=bytes.fromhex("56341200 24400102 00000000")),
    )  # what an earlier master had last: it must not pass for a new answer
    inputs = (Input("q01", "1.8.0", "line", "00123456/1.8.0"), Input("q02", "1.8.0", "line", "0012345724400102/1.8.0"))
    with TcpDevice(meters) as device, running(source(device.port, inputs)) as taking:
        first = [taking.reading("q01").value for _ in range(3)]
        second = [taking.reading("q02").value for _ in range(3)]
    assert first == [1000, 2000, 3000]
    assert second == [second[0], second[0] + 1000, second[0] + 2000]
    assert second[0] >= 1_002_000  # the answer before was dropped
    assert taking.source.counters()["garbage"] == 0


@pytest.mark.slow
def test_another_meter_than_the_selected_one_is_garbage() -> None:
    meters = Selectable({"0012345624400102": counting(1)})

    def answer(request: bytes) -> Iterable[Piece]:
        if request == selection("00123457"):
            meters.chosen = "0012345624400102"
            yield b"\xe5"
        else:
            yield from meters(request)

    inputs = (Input("q01", "1.8.0", "line", "00123457/1.8.0"),)
    with TcpDevice(answer) as device, running(source(device.port, inputs, retry_max_s=0.05)) as taking:
        assert until(lambda: taking.source.counters()["garbage"] >= 2)
        assert taking.source.counters()["readings"] == 0


@pytest.mark.slow
def test_published_telegram_over_a_socket() -> None:
    inputs = (
        Input("q01", "1.8.0", "line", "25/1.8.1", unit="kWh"),  # the telegram's own unit counts
        Input("q01", "32.7.0", "line", "25/02FDC9FF01", unit="V"),
        Input("q01", "16.7.0", "line", "25/02ACFF01", unit="W"),
        Input("q01", "36.7.0", "line", "25/8240ACFF01", unit="W"),
    )

    def answer(request: bytes) -> Iterable[Piece]:
        yield b"\xe5" if request[1] == 0x40 else FRAMES["single-phase"]

    with TcpDevice(answer) as device, running(source(device.port, inputs)) as taking:
        taking.reading("q01", "36.7.0")
    values = {reading.register: reading.value for reading in taking.seen}
    assert values == {"1.8.0": 1_728_680_000, "32.7.0": 230.0, "16.7.0": 90.0, "36.7.0": -30.0}


@pytest.mark.slow
def test_telegrams_that_belong_together_are_read_together() -> None:
    meters = Meters({5: [b"\x04\x03\x01\x00\x00\x00\x1f", b"\x02\x2b\x02\x00"]})
    with TcpDevice(meters) as device, running(source(device.port)) as taking:
        energy, power = taking.reading(), taking.reading()
    assert (energy.value, power.value, energy.at_ms) == (1000, 2.0, power.at_ms)


@pytest.mark.slow
def test_noise_echo_and_small_pieces_are_survived() -> None:
    meters = Meters({5: [body(9)]})

    def noisy(request: bytes) -> Iterable[Piece]:
        yield request  # an echo, as some level converters send it
        for piece in meters(request):
            assert isinstance(piece, bytes)
            if piece == b"\xe5":
                yield piece
                continue
            yield b"\x00\xff\x68\x01"
            for place in range(0, len(piece), 7):
                yield piece[place : place + 7]
                yield 0.002

    with TcpDevice(noisy) as device, running(source(device.port)) as taking:
        assert taking.reading("q01", "1.8.0").value == 9000


@pytest.mark.slow
def test_wrong_check_sum_and_anothers_answer_are_garbage() -> None:
    broken = bytearray(telegram(body(666)))
    broken[-2] ^= 1
    answers = [bytes(broken), telegram(body(666), address=6), telegram(body(666))[:-4]]
    good = Meters({5: [body(1)]})

    def answer(request: bytes) -> Iterable[Piece]:
        if request[1] != 0x40 and answers:
            yield answers.pop()
        else:
            yield from good(request)

    with TcpDevice(answer) as device, running(source(device.port)) as taking:
        assert taking.reading("q01", "1.8.0", 10).value == 1000
        assert taking.source.counters()["garbage"] == 3


@pytest.mark.slow
def test_late_answer_is_never_taken() -> None:
    asked = 0

    def late(request: bytes) -> Iterable[Piece]:
        nonlocal asked
        if request[1] == 0x40:
            yield b"\xe5"
            return
        asked += 1
        mine = asked
        if mine <= 3:
            yield 0.4
        yield telegram(body(mine))

    with TcpDevice(late) as device, running(source(device.port, timeout_s=0.25, retry_max_s=0.05)) as taking:
        assert int(taking.reading("q01", "1.8.0", 15).value) >= 4000
        assert taking.source.counters()["timeouts"] >= 3


@pytest.mark.slow
def test_what_lies_in_the_buffer_belongs_to_no_request() -> None:
    asked = 0

    def twice(request: bytes) -> Iterable[Piece]:
        nonlocal asked
        if request[1] == 0x40:
            yield b"\xe5"
            return
        asked += 1
        yield telegram(body(asked))
        yield 0.02
        yield telegram(body(666))

    with TcpDevice(twice) as device, running(source(device.port)) as taking:
        values = [taking.reading("q01", "1.8.0").value for _ in range(5)]
    assert values == [1000, 2000, 3000, 4000, 5000]


@pytest.mark.slow
def test_silent_meter_waits_alone_and_the_gateway_comes_back() -> None:
    inputs = (ENERGY, Input("q02", "1.8.0", "line", "77/1.8.0"))
    meters = Meters({5: [body(1)]})
    with TcpDevice(meters) as device, running(source(device.port, inputs, timeout_s=0.1)) as taking:
        assert until(lambda: taking.source.counters()["readings"] >= 5)
        device.kill()
        assert until(lambda: taking.source.counters()["unreachable"] > 1)
        taking.drain()
        meters.bodies[5] = [body(2)]
        device.start()
        assert taking.reading("q01", "1.8.0").value == 2000
    assert {reading.point for reading in taking.seen} == {"q01"}


@pytest.mark.parametrize("address", ["5/1.8.0", "0/8C1004", "250/02fdc8#2", "5/0403"])
def test_sound_addresses(address: str) -> None:
    assert address_fault(address) is None


@pytest.mark.parametrize("address", ["5", "251/1.8.0", "x/1.8.0", "5/", "5/8C1", "5/1.8", "5/XY12", "5/0403#0"])
def test_wrong_address_says_what_is_wrong(address: str) -> None:
    assert address_fault(address) is not None
    with pytest.raises(AddressFault):
        parse_address(address)


def test_wrong_options_are_named() -> None:
    with pytest.raises(ConfigError, match="host is missing"):
        settings_for(Source("line", "mbus"))
    with pytest.raises(ConfigError, match=r"inputs\.csv:3"):
        source(1, (Input("q01", "1.8.0", "line", "x", where="inputs.csv:3"),))


@given(st.lists(st.binary(max_size=200), max_size=3))
def test_any_bytes_decode_to_readings_or_refusals(frames: list[bytes]) -> None:
    mine = (wanted(ENERGY, "1.8.0", Site("mill", "Europe/London")),)
    taken = decode(frames, mine, 5)
    assert len(taken.readings) + len(taken.refusals) + taken.missing == 1
