"""A scan finds the units that answer on a real Modbus server, with what they measure; it only reads, and slowly."""

import time

import pytest

from meterd.adapters.sources.modbus.scan import scan
from meterd.adapters.sources.modbus.transport import ModbusOptions, ModbusWire
from meterd.core.errors import SourceError
from tests.adapters.sources.devices import ModbusServer, TcpDevice
from tests.adapters.sources.modbus.test_sunspec import COMMON, END, MARK, METER, model

INVERTER = model(103, W=4200, W_SF=0, WH=55_000, WH_SF=0)
READS = (3, 4)  # functions of the Modbus application protocol that only read


def wire(port: int, framing: str = "tcp") -> ModbusWire:
    return ModbusWire(ModbusOptions("127.0.0.1", port, framing=framing, timeout_s=0.2))


@pytest.mark.slow
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_meters_inverters_and_units_without_models(framing: str) -> None:
    devices = {
        2: {40_000: [*MARK, *COMMON, *METER, *END]},
        3: {72: [1, 2]},
        5: {40_000: [*MARK, *COMMON, *INVERTER, *INVERTER, *END]},
    }
    with ModbusServer(devices, framing) as server:
        begun = time.monotonic()
        found = dict(scan(wire(server.port, framing), range(1, 6), pause_s=0.01))
        took_s = time.monotonic() - begun
        requests = list(server.requests)
    assert {unit for unit, scanned in found.items() if scanned is None} == {1, 4}
    meter, other, inverter = (found[unit] for unit in (2, 3, 5))
    assert meter is not None and other is not None and inverter is not None  # noqa: PT018
    values = {value.register: (value.value, value.unit, value.address) for value in meter.meters[0].values}
    assert values["1.8.0"] == (12_345_670.0, "Wh", "2/203/TotWhImp")
    assert values["16.7.0"] == (1234.5, "W", "2/203/W")
    assert values["14.7.0"] == (50.01, "Hz", "2/203/Hz")
    assert other.meters == ()
    assert "no SunSpec device" in other.words
    assert [(scanned.nth, scanned.produces, scanned.values[0].address) for scanned in inverter.meters] == [
        (1, True, "5/103/WH"), (2, True, "5/103:2/WH"),
    ]  # fmt: skip
    assert {function for _, function, _, _ in requests} <= set(READS)
    assert took_s >= 0.01 * len(requests)


@pytest.mark.slow
def test_a_silent_unit_is_none_and_one_that_declines_is_named() -> None:
    """Silence on the line; another exception than that of a missing unit."""
    with TcpDevice() as device:
        assert list(scan(wire(device.port), [7], pause_s=0.0)) == [(7, None)]
    with ModbusServer({7: {72: [1, 2]}}) as server:
        ((_, scanned),) = scan(wire(server.port), [7], pause_s=0.0)
    assert scanned is not None
    assert scanned.words == "answers exception 2 (illegal data address), so it is no SunSpec device"


@pytest.mark.slow
def test_a_line_that_cannot_be_reached_is_named() -> None:
    with pytest.raises(SourceError, match=r"cannot connect to 127\.0\.0\.1:1; is the address right"):
        list(scan(wire(1), [1]))
