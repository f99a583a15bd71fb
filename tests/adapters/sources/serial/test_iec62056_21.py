"""Readouts of IEC 62056-21 are asked for or listened to, checked, and read with the unit they name."""

import itertools
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.sources.serial.iec62056_21 import (
    BadTelegram,
    ReadoutSource,
    block_check,
    check,
    crc_arc,
    decode,
    find,
    items_of,
    settings_for,
)
from meterd.adapters.sources.values import wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Input, Site, Source
from tests.adapters.sources.devices import Piece, TcpDevice
from tests.adapters.sources.lines import Option, plan, running
from tests.adapters.sources.telegrams import customer_port, readout
from tests.brokers import until

ENERGY = Input("q01", "1.8.0", "line", "1.8.0")
DRAW = Input("q01", "16.7.0", "line", "16.7")
# the form of data lines in IEC 62056-21, 6.4: address, value, unit
LINES = (
    "F.F(00000000)", "0.0.0(12345678)", "1.8.0(000123.456*kWh)", "1.8.0*01(000100.000*kWh)", "2.8.0(0000.10*MWh)",
    "1.6.0(02.5*kW)(24-01-31 10:15)", "1-0:32.7.0*255(231.4*V)", "16.7(-0.5*kW)", "13.7.0(0.98)", "C.1.0(TEXT)",
    "9.8.0(12.5*kVAh)", "31.7.0(5,5*A)",
)  # fmt: skip


def source(port: int, inputs: tuple[Input, ...] = (ENERGY, DRAW), /, **options: Option) -> ReadoutSource:
    site = plan("iec62056-21", port, inputs, **options)
    return ReadoutSource(site.sources[0], site)


def test_lines_of_a_readout() -> None:
    shown = {code: (item.value, item.unit) for code, item in items_of(readout(*LINES)).items()}
    assert shown == {
        "0.0.0": (12345678, ""), "1.8.0": (123.456, "kWh"), "1.8.0*01": (100.0, "kWh"), "2.8.0": (0.1, "MWh"),
        "1.6.0": (2.5, "kW"), "32.7.0": (231.4, "V"), "16.7": (-0.5, "kW"), "13.7.0": (0.98, ""), "F.F": (0, ""),
    }  # fmt: skip


def test_published_check_values() -> None:
    """CRC-16/ARC over "123456789" is BB3D (catalogue of CRCs)."""
    assert crc_arc(b"123456789") == 0xBB3D
    assert block_check(b"\x01\x02\x03") == 0


def test_customer_port_with_the_time_before_the_value() -> None:
    lines = ("0-0:1.0.0(230319201739W)", "1-0:1.8.1(000316.698*kWh)", "1-0:1.6.0(230318200000W)(04.470*kW)",
             "0-1:24.2.1(230319201500W)(00123.456*m3)", "0-0:96.13.0()", "1-0:21.7.0(02.959*kW)")  # fmt: skip
    telegram = customer_port(*lines)
    check(telegram)
    shown = {code: (item.value, item.unit) for code, item in items_of(telegram).items()}
    assert shown == {"1.8.1": (316.698, "kWh"), "1.6.0": (4.47, "kW"), "21.7.0": (2.959, "kW")}


@pytest.mark.parametrize("make", [readout, customer_port])
def test_one_wrong_bit_never_passes(make: object) -> None:
    assert callable(make)
    whole = make("1.8.0(000123.456*kWh)")
    for place in range(1, len(whole) - 2):
        for bit in range(7):
            data = bytearray(whole)
            data[place] ^= 1 << bit
            with pytest.raises(BadTelegram):
                check(bytes(data))


def test_parity_bit_is_taken_off() -> None:
    whole = readout("1.8.0(000123.456*kWh)")
    even = bytes(byte | (0x80 if byte.bit_count() % 2 else 0) for byte in whole)
    check(even)
    assert items_of(even)["1.8.0"].value == 123.456


def sign_on(telegram: bytes, *, mode: bytes = b"5", noise: bytes = b"") -> object:
    def answer(request: bytes) -> Iterable[Piece]:
        if request == b"/?!\r\n":
            yield request  # an echo, as optical heads send it
            yield b"/TST" + mode + b"METER\r\n"
            if mode.isalpha():
                yield noise + telegram
        elif request == b"\x06000\r\n":
            yield noise
            for place in range(0, len(telegram), 16):
                yield telegram[place : place + 16]
                yield 0.002

    return answer


@pytest.mark.slow
@pytest.mark.parametrize("mode", [b"5", b"A"])
def test_meter_is_signed_on_and_read(mode: bytes) -> None:
    answer = sign_on(readout(*LINES), mode=mode, noise=b"\x00\xff")
    assert callable(answer)
    with TcpDevice(answer) as device, running(source(device.port)) as taking:
        assert taking.reading("q01", "1.8.0").value == 123_456_000
        assert taking.reading("q01", "16.7.0").value == -500.0
        assert taking.reading("q01", "1.8.0").value == 123_456_000


@pytest.mark.slow
@pytest.mark.parametrize("make", [readout, customer_port])
def test_meter_that_sends_on_its_own(make: object) -> None:
    assert callable(make)

    def stream() -> Iterable[Piece]:
        for number in itertools.count():
            yield make("1.8.0(000666.000*kWh)")[:-9]
            yield b"\r\n"
            yield make(f"1.8.0({number}.0*kWh)", "16.7(1*W)")
            yield 0.03

    with TcpDevice(greeting=stream) as device, running(source(device.port, start="listen")) as taking:
        values = [taking.reading("q01", "1.8.0").value for _ in range(4)]
    assert 666_000_000 not in values
    assert values == sorted(values)


@pytest.mark.slow
def test_readout_without_any_check_is_taken_only_when_the_plan_says_so() -> None:
    plain = b"/TST5METER\r\n\r\n1.8.0(000001.000*kWh)\r\n16.7(1*W)\r\n!\r\n"
    stream = TcpDevice(greeting=lambda: itertools.chain.from_iterable(itertools.repeat((plain, 0.02))))
    with stream as device:
        with running(source(device.port, start="listen", check=False)) as taking:
            assert taking.reading("q01", "1.8.0").value == 1_000_000
        with running(source(device.port, start="listen")) as taking:
            assert until(lambda: taking.source.counters()["garbage"] > 0)
        assert taking.drain() == []


@pytest.mark.slow
def test_wrong_block_check_and_cut_readout_are_garbage() -> None:
    whole = readout("1.8.0(000001.000*kWh)", "16.7(1*W)")
    telegrams = [whole, whole[:20], whole[:-1] + bytes((whole[-1] ^ 1,))]

    def answer(request: bytes) -> Iterable[Piece]:
        if request.startswith(b"/?"):
            yield b"/TST5METER\r\n"
        else:
            yield telegrams.pop() if len(telegrams) > 1 else telegrams[0]

    with TcpDevice(answer) as device, running(source(device.port)) as taking:
        assert taking.reading("q01", "1.8.0", 10).value == 1_000_000
        assert taking.source.counters()["garbage"] == 2


@pytest.mark.slow
def test_late_readout_is_never_taken() -> None:
    asked = 0

    def late(request: bytes) -> Iterable[Piece]:
        nonlocal asked
        if request.startswith(b"/?"):
            asked += 1
            mine = asked
            if mine <= 2:
                yield 0.4
            yield b"/TSTAMETER\r\n" + readout(f"1.8.0({mine}.0*kWh)", "16.7(1*W)")

    with TcpDevice(late) as device, running(source(device.port, timeout_s=0.25, retry_max_s=0.05)) as taking:
        assert int(taking.reading("q01", "1.8.0", 15).value) >= 3_000_000


@pytest.mark.parametrize(
    ("options", "what"), [({"start": "now"}, "start"), ({"device": "a b"}, "device"), ({"speed": "10"}, "speed")]
)
def test_wrong_options_are_named(options: dict[str, Option], what: str) -> None:
    with pytest.raises(ConfigError, match=f"option {what}"):
        settings_for(Source("line", "iec62056-21", tuple({"host": "h", **options}.items())))


def checked(lines: bytes) -> bytes:
    body = lines.replace(b"\x02", b"").replace(b"\x03", b"") + b"\x03"
    return b"\x02" + body + bytes((block_check(body),))


TEXT = st.text("0123456789.*()kWhVA!/-:\r\n", max_size=80).map(str.encode)


@settings(max_examples=300)
@given(st.binary(max_size=120) | st.binary(max_size=120).map(checked) | TEXT | TEXT.map(checked), st.booleans())
def test_any_bytes_decode_to_readings_or_refusals(data: bytes, needed: bool) -> None:
    mine = (wanted(ENERGY, "1.8.0", Site("mill", "Europe/London")),)
    taken = decode(data, mine, 5, needed=needed)
    assert len(taken.readings) + len(taken.refusals) + taken.missing == 1


@given(st.binary(max_size=120) | TEXT)
def test_any_stream_is_searched_without_end_or_error(data: bytes) -> None:
    dropped, telegram = find(data)
    assert 0 <= dropped <= len(data)
    assert telegram is None or telegram in data
