"""A scan finds the M-Bus meters that answer on a line, with what they measure; it only reads, and slowly."""

from collections.abc import Iterable

import pytest

from meterd.adapters.sources.serial.mbus import MbusSettings
from meterd.adapters.sources.serial.mbus_scan import SHARED, scan
from meterd.core.errors import SourceError
from tests.adapters.sources.devices import Piece, TcpDevice
from tests.adapters.sources.serial.test_mbus import Meters, body
from tests.adapters.sources.serial.test_mbus_records import FRAMES, telegram


def options(port: int) -> MbusSettings:
    return MbusSettings("127.0.0.1", port, timeout_s=0.2)


@pytest.mark.slow
def test_meters_silent_addresses_and_those_that_are_no_electricity_meters() -> None:
    meters = Meters({3: [body(7)], 4: [b"\x02\x5a\x10\x00"]})  # 4 shows a temperature alone
    with TcpDevice(meters) as device:
        results = dict(scan(options(device.port), range(2, 5), pause_s=0.0))
        controls = {request[1] & ~0x20 for request in device.requests if request}
    assert results[2] is None
    assert results[3] is not None
    (meter,) = results[3].meters
    assert meter.title == "M-Bus meter 0000000000000000"
    assert [(v.address, v.register, v.value, v.unit) for v in meter.values] == [
        ("3/1.8.0", "1.8.0", 7.0, "Wh"), ("3/16.7.0", "16.7.0", 7.0, "W"),
    ]  # fmt: skip
    assert results[4] is not None
    assert "shows no energy or power" in results[4].words
    assert controls == {0x40, 0x5B}  # asks who is there and what it shows, and nothing else


@pytest.mark.slow
def test_published_meter_and_two_meters_of_one_address() -> None:
    def answer(request: bytes) -> Iterable[Piece]:
        if request[1] == 0x40:
            yield b"\xe5"
        elif request[2] == 25:
            yield FRAMES["single-phase"]
        else:  # both send at once
            yield bytes(item | other for item, other in zip(telegram(body(1)), telegram(body(6)), strict=True))

    with TcpDevice(answer) as device:
        results = dict(scan(options(device.port), [25, 5], pause_s=0.0))
    assert results[25] is not None
    assert results[5] is not None
    assert [(value.address, value.register, value.value) for value in results[25].meters[0].values] == [
        ("25/1.8.1", "1.8.0", 1_728_680.0),  # its only tariff
    ]
    assert results[25].meters[0].title == "M-Bus meter 230062072e192302"
    assert results[5].words.startswith(SHARED)


@pytest.mark.slow
def test_a_line_that_cannot_be_reached_is_named() -> None:
    with pytest.raises(SourceError, match="is the address right, and the level converter"):
        list(scan(options(1), [1], pause_s=0.0))
