"""SML telegrams are found in a noisy stream, checked, and read with the unit and scale they name."""

import itertools
from collections.abc import Iterable, Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.sources.serial.sml import (
    BadTelegram,
    SmlSource,
    address_fault,
    check,
    crc_x25,
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
from tests.adapters.sources.telegrams import EXPORT, IMPORT, POWER, WATT, WATT_HOUR, entry, meter, sml
from tests.brokers import until

ENERGY = Input("q01", "1.8.0", "line", "1.8.0")
DRAW = Input("q01", "16.7.0", "line", "1-0:16.7.0*255")


def source(port: int, inputs: tuple[Input, ...] = (ENERGY, DRAW), /, **options: Option) -> SmlSource:
    site = plan("sml", port, inputs, **options)
    return SmlSource(site.sources[0], site)


def test_check_value_of_the_published_crc() -> None:
    """CRC-16 of ISO/IEC 3309 over "123456789" is 906E; with start and end 0 (Kermit) it is 2189 (catalogue of CRCs)."""
    assert crc_x25(b"123456789") == 0x906E
    assert crc_x25(b"123456789", 0, 0) == 0x2189


@pytest.mark.parametrize(
    ("unit", "scaler", "value", "size", "shown", "name"),
    [
        (WATT_HOUR, -1, 1_424_298, 8, 142_429.8, "Wh"),
        (WATT_HOUR, 3, 7, 2, 7000, "Wh"),
        (WATT, -2, -78_851, 3, -788.51, "W"),  # three bytes, as some meters shorten numbers
        (WATT, 0, -5, 1, -5, "W"),
        (33, -3, 1500, 4, 1.5, "A"),
        (35, -1, 2301, 4, 230.1, "V"),
        (44, -1, 500, 4, 50.0, "Hz"),
        (8, 0, 120, 4, 120, ""),  # degrees: no unit of a register
    ],
)
def test_value_with_unit_and_scale(unit: int, scaler: int, value: int, size: int, shown: float, name: str) -> None:
    item = items_of(sml(entry(POWER, unit, scaler, value, size=size)))["16.7.0"]
    assert (item.value, item.unit) == (shown, name)


def test_escaped_bytes_of_a_message_are_restored() -> None:
    value = 0x1B1B_1B1B
    assert items_of(sml(entry(IMPORT, WATT_HOUR, 0, value)))["1.8.0"].value == value


def test_long_list_and_long_strings() -> None:
    entries = [entry(bytes((1, 0, number, 7, 0, 255)), WATT, 0, number) for number in range(1, 60)]
    items = items_of(sml(*entries))
    assert len(items) == 59
    assert items["59.7.0"].value == 59


@given(st.integers(-(2**63), 2**63 - 1), st.integers(-20, 20))
def test_any_value_and_scale_come_through(value: int, scaler: int) -> None:
    item = items_of(sml(entry(IMPORT, WATT_HOUR, scaler, value)))["1.8.0"]
    assert item.value == pytest.approx(value * 10.0**scaler, rel=1e-12)


def test_telegram_is_found_behind_noise_and_a_broken_start() -> None:
    whole = meter(5)
    stream = b"\x00\x1b\x1b" + whole[:30] + whole + b"\x1b\x1b"
    dropped, result = find(stream)
    assert result == whole
    assert dropped == len(stream) - 2
    assert find(whole[:-3]) == (0, None)


@given(st.integers(8, 120), st.integers(0, 7))
def test_one_wrong_bit_never_passes(place: int, bit: int) -> None:
    data = bytearray(meter(5))
    data[place] ^= 1 << bit
    with pytest.raises(BadTelegram):
        check(bytes(data))


def repeated(*telegrams: bytes, pause_s: float = 0.05) -> Iterator[Piece]:
    for telegram in itertools.cycle(telegrams):
        yield telegram
        yield pause_s


@pytest.mark.slow
def test_meter_that_sends_on_its_own_is_read() -> None:
    with TcpDevice(greeting=lambda: repeated(meter(1234, -7))) as device, running(source(device.port)) as taking:
        assert taking.reading("q01", "1.8.0").value == 1_234_000
        assert taking.reading("q01", "16.7.0").value == -7.0


@pytest.mark.slow
def test_of_many_telegrams_one_counts_in_each_period() -> None:
    with (
        TcpDevice(greeting=lambda: repeated(meter(1), pause_s=0.01)) as device,
        running(source(device.port, period_s=0.2)) as taking,
    ):
        times = [taking.reading("q01", "1.8.0").at_ms for _ in range(5)]
    assert all(150 < later - earlier < 400 for earlier, later in itertools.pairwise(times))


@pytest.mark.slow
def test_noise_and_damaged_telegrams_between_good_ones() -> None:
    damaged = bytearray(meter(666))
    damaged[40] ^= 1

    def stream() -> Iterable[Piece]:
        for number in itertools.count():
            yield b"\xff\x1b\x1b\x1b\x1b\x01\x01"
            yield bytes(damaged)
            whole = meter(7)
            yield whole[: 20 + number % 50]
            yield 0.01
            yield whole[20 + number % 50 :]
            yield 0.02

    with TcpDevice(greeting=stream) as device, running(source(device.port)) as taking:
        for _ in range(3):
            assert taking.reading("q01", "1.8.0").value == 7000
        assert taking.source.counters()["garbage"] >= 3


@pytest.mark.slow
def test_silent_meter_and_meter_back_again() -> None:
    with TcpDevice() as device, running(source(device.port)) as taking:
        assert until(lambda: taking.source.counters()["timeouts"] > 1)
        device.kill()
        device.greeting = lambda: repeated(meter(8))
        device.start()
        assert taking.reading("q01", "1.8.0").value == 8000


@pytest.mark.slow
def test_endless_noise_is_bounded() -> None:
    with (
        TcpDevice(greeting=lambda: itertools.repeat(meter(1)[:100] * 40)) as device,
        running(source(device.port)) as taking,
    ):
        assert until(lambda: taking.source.counters()["garbage"] > 1)
    assert taking.drain() == []


@pytest.mark.slow
def test_code_that_is_not_sent_is_refused() -> None:
    inputs = (ENERGY, Input("q01", "2.8.0", "line", "2.8.0"))
    with TcpDevice(greeting=lambda: repeated(meter(1))) as device, running(source(device.port, inputs)) as taking:
        taking.reading("q01", "1.8.0")
        assert until(lambda: ("q01", "2.8.0") in taking.source.refused())


def test_addresses_and_options() -> None:
    assert address_fault("1.8.0") is None
    assert address_fault("1-0:1.8.0*255") is None
    for wrong in ("", "1", "1.8.0.0", "import", "999-0:1.8.0"):
        assert address_fault(wrong) is not None
    with pytest.raises(ConfigError, match="host is missing"):
        settings_for(Source("line", "sml"))
    with pytest.raises(ConfigError, match=r"inputs\.csv:3"):
        source(1, (Input("q01", "1.8.0", "line", "x", where="inputs.csv:3"),))


def with_check_sum(body: bytes) -> bytes:
    data = b"\x1b" * 4 + b"\x01" * 4 + body.replace(b"\x1b" * 4, b"") + bytes(-len(body.replace(b"\x1b" * 4, b"")) % 4)
    data += b"\x1b" * 4 + b"\x1a\x00"
    return data + crc_x25(data).to_bytes(2, "little")


@settings(max_examples=300)
@given(st.binary(max_size=200) | st.binary(max_size=200).map(with_check_sum) | st.just(sml(entry(EXPORT, 30, 127, 1))))
def test_any_bytes_decode_to_readings_or_refusals(data: bytes) -> None:
    mine = (wanted(ENERGY, "1.8.0", Site("mill", "Europe/London")),)
    taken = decode(data, mine, 5)
    assert len(taken.readings) + len(taken.refusals) + taken.missing == 1


@given(st.lists(st.sampled_from([b"\x1b" * 4, b"\x01" * 4, b"\x1a\x00\x00\x00", b"\x1b", b"x"]), max_size=30))
def test_any_stream_is_searched_without_end_or_error(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    dropped, telegram = find(data)
    assert 0 <= dropped <= len(data)
    assert telegram is None or telegram in data
