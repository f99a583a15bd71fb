"""A probe shows what a person needs to see which order, register, ratio and sign is right."""

import itertools
from collections.abc import Iterable

import pytest

from meterd.adapters.sources.modbus.registers import parse_spot
from meterd.adapters.sources.probe import READERS, Shown, candidates, judge, likely, once, probe
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.core.errors import ConfigError, SourceError
from meterd.core.model.plan import Input, Role, Site
from tests.adapters.sources.devices import ModbusServer, Piece, TcpDevice, words
from tests.adapters.sources.lines import plan
from tests.adapters.sources.modbus.test_sunspec import COMMON, END, MARK, METER
from tests.adapters.sources.serial.test_dlms_push import LISTED, hdlc
from tests.adapters.sources.serial.test_mbus import Meters, body
from tests.adapters.sources.telegrams import customer_port, meter, readout


def lines_of(site: Site) -> dict[str, Shown]:
    return {line.key: line for section in probe(site.sources[0], site.inputs, site) for line in section.lines}


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (230.5, "V", True), (0.0, "V", False), (-230.0, "V", False), (6.9e-41, "V", False), (50.02, "Hz", True),
        (0.0, "W", True), (-4000.0, "W", True), (1e-39, "W", False), (1e7, "W", False), (None, "W", False),
        (12.5, "A", True), (-0.98, "/", True), (98.0, "/", False), (1234.0, "Wh", True), (-5.0, "Wh", False),
        (1e20, "Wh", False),
    ],
)  # fmt: skip
def test_likely_is_what_a_low_voltage_feeder_can_have(value: float | None, unit: str, expected: bool) -> None:
    assert likely(value, unit, 1e6) is expected


@pytest.mark.parametrize("order", ["abcd", "cdab", "badc", "dcba"])
def test_right_order_is_marked_likely_whatever_the_plan_says(order: str) -> None:
    device = {
        "abcd": (0x4366, 0x8000),
        "cdab": (0x8000, 0x4366),
        "badc": (0x6643, 0x0080),
        "dcba": (0x0080, 0x6643),
    }[order]  # 230.5 is 43668000 hex in IEEE 754 single precision
    spot = parse_spot("3/holding/72/float32")
    shown_lines = candidates(device, 72, spot, lambda v: v, lambda v: likely(v, "V", 1e6))
    assert [line.key for line in shown_lines if line.likely] == [f"72/float32/{order}"]
    assert shown_lines[0].chosen


def test_register_one_beside_is_seen() -> None:
    """Data sheets count from 1, the wire from 0: the commonest fault."""
    shown_lines = candidates(
        (0, *words(230.5), 0), 71, parse_spot("3/holding/73/float32"), lambda v: v, lambda v: likely(v, "V", 1e6)
    )
    assert (shown_lines[0].chosen, shown_lines[0].likely) == (True, False)
    assert [line.key for line in shown_lines if line.likely and "float32" in line.key] == ["72/float32/abcd"]


def test_value_not_available_is_shown_as_such() -> None:
    (line,) = candidates((0x8000,), 5, parse_spot("1/holding/5/int16"), lambda v: v, lambda _v: False)
    assert (line.value, line.chosen) == (None, True)


@pytest.mark.slow
def test_modbus_over_a_socket_with_neighbours_and_without() -> None:
    inputs = (
        Input("q01", "32.7.0", "line", "3/holding/73/float32", unit="V"),
        Input("q01", "16.7.0", "line", "3/holding/75/int16", unit="kW"),
        Input("q01", "14.7.0", "line", "3/holding/90/float32", unit="Hz"),
    )
    with ModbusServer({3: {72: [*words(230.5), 0, 0xFFFB]}}) as server:
        site = plan("modbus", server.port, inputs)
        shown = lines_of(site)
        values, refused = once(site.sources[0], site, 5.0)
    assert shown["72/float32/abcd"].likely
    assert shown["73/float32/abcd"].chosen
    assert (shown["75/int16/abcd"].value, shown["75/int16/abcd"].unit) == (-5000.0, "W")
    assert "illegal data address" in shown["90/float32/abcd"].note
    assert values["q01", "16.7.0"] == -5000.0
    assert "illegal data address" in refused["q01", "14.7.0"]


@pytest.mark.slow
def test_sunspec_shows_all_points_and_the_chain() -> None:
    inputs = (Input("q01", "16.7.0", "line", "1/203/W"), Input("q02", "16.7.0", "line", "1/204/W"))
    with ModbusServer({1: {40_000: [*MARK, *COMMON, *METER, *END]}}) as server:
        site = plan("sunspec", server.port, inputs)
        sections = probe(site.sources[0], inputs, site)
    shown = {line.key: line for line in sections[0].lines}
    assert "its chain has 1, 203" in sections[0].title
    assert (shown["W"].value, shown["W"].chosen, shown["TotWhImp"].value) == (1234.5, True, 12_345_670)
    assert sections[1].lines[0].note == "the unit has no such model"


@pytest.mark.slow
def test_mbus_shows_every_record_with_its_key() -> None:
    with TcpDevice(Meters({5: [body(7)]})) as device:
        shown = lines_of(plan("mbus", device.port, (Input("q01", "1.8.0", "line", "5/1.8.0"),)))
    assert (shown["0403"].value, shown["0403"].note) == (7.0, "energy, as 1.8.0; read as 1.8.0")
    assert shown["0403"].chosen
    assert not shown["022B"].chosen


def read_out(request: bytes) -> Iterable[Piece]:
    return (b"/TST5METER\r\n",) if request.startswith(b"/?") else (readout("1.8.0(1.5*kWh)", "2.8.0(0*kWh)"),)


@pytest.mark.slow
def test_telegrams_show_every_code() -> None:
    inputs = (Input("q01", "1.8.0", "line", "1.8.0"), Input("q01", "3.8.0", "line", "3.8.0", unit="varh"))
    with TcpDevice(greeting=lambda: itertools.cycle((b"\xff", meter(12), 0.02))) as device:
        shown = lines_of(plan("sml", device.port, inputs))
    assert (shown["1.8.0"].value, shown["16.7.0"].value) == (12.0, 100.0)
    assert shown["3.8.0"].note == "not in the telegram"
    with TcpDevice(read_out) as device:
        shown = lines_of(plan("iec62056-21", device.port, inputs))
    assert (shown["1.8.0"].value, shown["1.8.0"].unit) == (1.5, "kWh")
    with TcpDevice(greeting=lambda: itertools.cycle((customer_port("1-0:1.8.0(2.5*kWh)"), 0.02))) as device:
        shown = lines_of(plan("iec62056-21", device.port, inputs, start="listen"))
    assert shown["1.8.0"].value == 2.5
    with TcpDevice(greeting=lambda: itertools.cycle((hdlc(LISTED), 0.02))) as device:
        shown = lines_of(plan("dlms-push", device.port, inputs))
    assert (shown["1.8.0"].value, shown["3.8.0"].value, shown["71.7.0"].value) == (22_721_380, 582_430, 0.9)


ADDRESSES = {
    "modbus": "holding/1/int16",
    "sunspec": "203/W",
    "mbus": "5/1.8.0",
    "sml": "1.8.0",
    "iec62056-21": "1.8.0",
    "dlms-push": "1.8.0",
}


@pytest.mark.slow
@pytest.mark.parametrize("name", ADDRESSES)
def test_silence_and_absence_are_said(name: str) -> None:
    inputs = (Input("q01", "1.8.0", "line", ADDRESSES[name]),)
    with TcpDevice() as device:
        site = plan(name, device.port, inputs, timeout_s=0.1)
        with pytest.raises(SourceError):
            probe(site.sources[0], inputs, site)
    with pytest.raises(SourceError):
        probe(site.sources[0], inputs, site)


def test_every_protocol_that_is_asked_can_be_probed() -> None:
    assert set(READERS) == set(PROTOCOLS) - {"file"}
    site = plan("file", 1, ())
    with pytest.raises(ConfigError, match="is not read once"):
        probe(site.sources[0], (), site)


PHASES = {
    f"{code}.7.0": value for code, value in ((32, 230.0), (52, 230.0), (72, 230.0), (31, 10.0), (51, 10.0), (71, 10.0))
}


@pytest.mark.parametrize(
    ("power", "role", "words_"),
    [
        (6500.0, Role.FEEDER, ["0.94 of voltage times current"]),
        (-6500.0, Role.FEEDER, ["negative", "0.94"]),
        (-6500.0, Role.PV, ["a PV point is positive", "0.94"]),
        (-6500.0, Role.FEED, ["0.94"]),
        (325_000.0, Role.FEEDER, ["47.10", "more than there can be"]),
        (130.0, Role.FEEDER, ["0.02", "very little"]),
    ],
)
def test_judgement_of_sign_and_ratio(power: float, role: Role, words_: list[str]) -> None:
    texts = judge({"16.7.0": power, **PHASES}, role)
    assert len(texts) == len(words_)
    for item, text in zip(words_, texts, strict=True):
        assert item in text
