"""SunSpec devices are found along their chain and read with the scale factors of the same moment."""

import csv
import struct
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.sources.modbus.registers import AddressFault
from meterd.adapters.sources.modbus.sunspec import (
    SunspecSource,
    address_fault,
    chain,
    decode,
    item_of,
    parse_address,
    raw,
    settings_for,
)
from meterd.adapters.sources.modbus.sunspec_models import MODELS, TYPES, PointDef
from meterd.adapters.sources.modbus.transport import Declined
from meterd.adapters.sources.number import NotANumber
from meterd.adapters.sources.values import wanted
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site, Source
from meterd.core.registers.tracker import Tracker, rules_of
from tests.adapters.sources.devices import ModbusServer
from tests.adapters.sources.lines import Option, plan, running
from tests.brokers import until

VECTORS = Path(__file__).parents[3] / "vectors"
MARK = [0x5375, 0x6E53]
COMMON = [1, 66, *[0] * 66]
END = [0xFFFF, 0]


def model(number: int, **values: float) -> list[int]:
    """Header and registers of a model with these points; all others say "not implemented"."""
    points = MODELS[number]
    data: list[int] = []
    for point in points.values():
        code = TYPES[point.type][1]
        assert code is not None
        value = values.get(point.name)
        size = 2 * point.registers
        if value is None:
            packed = code.to_bytes(size, "big")
        elif point.type.startswith("float"):
            packed = struct.pack(">f", value)
        else:
            packed = int(value).to_bytes(size, "big", signed=value < 0)
        data += struct.unpack(f">{point.registers}H", packed)
    return [number, len(data), *data]


METER = model(203, W=12345, W_SF=-1, TotWhImp=1234567, TotWh_SF=1, TotWhExp=89, PF=-985, PF_SF=-1, Hz=5001, Hz_SF=-2)
INPUTS = (
    Input("q01", "1.8.0", "line", "1/203/TotWhImp"),
    Input("q01", "2.8.0", "line", "1/203/TotWhExp"),
    Input("q01", "16.7.0", "line", "1/203/W"),
    Input("q01", "13.7.0", "line", "1/203/PF", unit="/"),
    Input("q01", "14.7.0", "line", "1/203/Hz", unit="Hz"),
)
VALUES = {"1.8.0": 12_345_670_000, "2.8.0": 890_000, "16.7.0": 1234.5, "13.7.0": -0.985, "14.7.0": 50.01}


def source(port: int, inputs: tuple[Input, ...] = INPUTS, /, **options: Option) -> SunspecSource:
    site = plan("sunspec", port, inputs, **options)
    return SunspecSource(site.sources[0], site)


def test_not_implemented_values_are_those_of_the_published_table() -> None:
    """sunspec_types.csv, values from pysunspec2 1.3.7."""
    checked = 0
    with (VECTORS / "sunspec_types.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["type"] not in TYPES:
                continue
            registers, code = TYPES[row["type"]]
            value = int(row["not_implemented_value"].split()[0], 0)
            assert (registers, code) == (int(row["registers"]), value), row["type"]
            point = PointDef("X", row["type"], "", "", 0, registers)
            assert raw(point, [value >> 16 * place & 0xFFFF for place in reversed(range(registers))]) is None
            checked += 1
    assert checked == 16


def test_worked_example_of_the_table() -> None:
    """sunspec_types.csv: W = 12345 at W_SF -1 is 1234.5 W; TotWhImp = 1234567 at TotWh_SF 1 is 12 345 670 Wh."""
    registers = METER[2:]
    assert item_of(203, MODELS[203]["W"], registers).value == 1234.5
    energy = item_of(203, MODELS[203]["TotWhImp"], registers)
    assert (energy.value, energy.unit) == (12_345_670, "Wh")


@pytest.mark.slow
@pytest.mark.parametrize("base", [0, 40_000, 50_000])
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_meter_is_found_wherever_its_chain_begins(base: int, framing: str) -> None:
    registers = [*MARK, *COMMON, *METER, *END]
    with (
        ModbusServer({1: {base: registers}}, framing) as server,
        running(source(server.port, framing=framing)) as taking,
    ):
        assert until(lambda: taking.source.counters()["readings"] >= 5)
        taking.drain()
    assert {r.register: r.value for r in taking.seen} == VALUES


@pytest.mark.slow
def test_float_meter_of_124_registers_and_inverter_behind_one_gateway() -> None:
    meter = [*MARK, *COMMON, *model(213, W=-5.5, TotWhImp=1e6), *END]
    inverter = [*MARK, *COMMON, *model(103, W=-3, W_SF=2, WH=4_294_967_295, WH_SF=0), *END]
    inputs = (
        Input("q01", "16.7.0", "line", "1/213/W"), Input("q01", "1.8.0", "line", "1/213/TotWhImp"),
        Input("pv", "16.7.0", "line", "2/103/W", scale=-1.0), Input("pv", "1.8.0", "line", "2/103/WH"),
    )  # fmt: skip
    with (
        ModbusServer({1: {40_000: meter}, 2: {40_000: inverter}}) as server,
        running(source(server.port, inputs)) as taking,
    ):
        assert until(lambda: taking.source.counters()["readings"] >= 4)
        taking.drain()
    values = {(r.point, r.register): r.value for r in taking.seen}
    assert values == {
        ("q01", "16.7.0"): -5.5, ("q01", "1.8.0"): 1_000_000_000,
        ("pv", "16.7.0"): 300.0, ("pv", "1.8.0"): 4_294_967_295_000,
    }  # fmt: skip


@pytest.mark.slow
def test_measurements_of_the_newer_inverter_models_and_of_a_battery() -> None:
    """Lengths as in the model definitions: 701 has 32 registers of text behind its numbers, 714 here two ports of 25."""
    ac = [
        701,
        153,
        *model(701, W=-2500, W_SF=1, TotWhInj=2**40, TotWhAbs=7, TotWh_SF=0, PF=985, PF_SF=-3)[2:],
        *[0] * 32,
    ]
    dc = [714, 68, *model(714, **{"Prt2.DCWhInj": 123, "DCWH_SF": 2, "NPrt": 2})[2:70]]
    battery = model(802, W=-12, W_SF=2)
    inputs = (
        Input("q01", "16.7.0", "line", "701/W"), Input("q01", "2.8.0", "line", "701/TotWhInj"),
        Input("q01", "1.8.0", "line", "701/TotWhAbs"), Input("q01", "13.7.0", "line", "701/PF", unit="/"),
        Input("string", "2.8.0", "line", "714/Prt2.DCWhInj"), Input("string", "1.8.0", "line", "714/Prt3.DCWhAbs"),
        Input("battery", "16.7.0", "line", "802/W"),
    )  # fmt: skip
    with (
        ModbusServer({1: {40_000: [*MARK, *COMMON, *ac, *dc, *battery, *END]}}) as server,
        running(source(server.port, inputs)) as taking,
    ):
        assert until(lambda: taking.source.counters()["readings"] >= 6)
        taking.drain()
        refused = {key: refusal.reason for key, refusal in taking.source.refused().items()}
    assert {(r.point, r.register): r.value for r in taking.seen} == {
        ("q01", "16.7.0"): -25_000.0, ("q01", "2.8.0"): 2**40 * 1000, ("q01", "1.8.0"): 7000, ("q01", "13.7.0"): 0.985,
        ("string", "2.8.0"): 12_300_000, ("battery", "16.7.0"): -1200.0,
    }  # fmt: skip
    assert refused == {("string", "1.8.0"): "the model ends before its point Prt3.DCWhAbs"}


@pytest.mark.slow
def test_second_model_of_a_kind() -> None:
    registers = [*MARK, *COMMON, *model(201, W=1, W_SF=0), *model(201, W=2, W_SF=0), *END]
    inputs = (Input("q01", "16.7.0", "line", "1/201/W"), Input("q02", "16.7.0", "line", "1/201:2/W"))
    with ModbusServer({1: {40_000: registers}}) as server, running(source(server.port, inputs)) as taking:
        assert taking.reading("q01").value == 1.0
        assert taking.reading("q02").value == 2.0


@pytest.mark.slow
def test_not_implemented_is_missing_and_counted() -> None:
    inputs = (*INPUTS, Input("q01", "32.7.0", "line", "1/203/PhVphA", unit="V"))
    with (
        ModbusServer({1: {40_000: [*MARK, *COMMON, *METER, *END]}}) as server,
        running(source(server.port, inputs)) as taking,
    ):
        assert until(lambda: taking.source.counters()["not_available"] > 1)
        assert taking.source.refused() == {}


def test_counter_at_zero_is_missing_unless_the_plan_knows_better() -> None:
    registers = model(203, TotWhImp=5, TotWhExp=0, TotWh_SF=0)[2:]
    assert item_of(203, MODELS[203]["TotWhExp"], registers).value is None
    assert item_of(203, MODELS[203]["TotWhExp"], registers, zero_counts=True).value == 0
    assert item_of(203, MODELS[203]["TotWhImp"], registers, zero_counts=True).value == 5


def test_acc32_wraps_at_two_to_the_32_and_no_energy_is_lost() -> None:
    """4294967290 -> (0, which says nothing) -> 14 at TotWh_SF 0 is 20 Wh with the modulus in the plan; then 3 more."""
    point = Point("q01", "north", Role.FEEDER)
    instrument = Instrument("q01", 0, register_max_wh=Fraction(2**32))
    site = Site("mill", "Europe/London", boards=(Board("north"),), points=(point,), instruments=(instrument,))
    tracker = Tracker(rules_of(site, point, "1.8.0", per_ct=False, pulses=False))
    for second, shown in enumerate((4_294_967_290, 0, 14, 15, 16, 17)):
        registers = model(203, TotWhImp=shown, TotWh_SF=0)[2:]
        mine = {"TotWhImp": (wanted(INPUTS[0], INPUTS[0].address, site),)}
        for reading in decode(203, registers, mine, 60_000 * second).readings:
            tracker.step(reading.at_ms, int(reading.value))
    assert tracker.total == 23_000
    assert [event.kind for event in tracker.events] == ["rollover"]


def test_scale_factor_changed_by_the_device_goes_with_its_value() -> None:
    for scale, value in ((0, 12_300), (1, 1230), (2, 123)):
        item = item_of(203, MODELS[203]["TotWhImp"], model(203, TotWhImp=value, TotWh_SF=scale)[2:])
        assert item.value == 12_300


@pytest.mark.parametrize("scale", [11, -11, None])
def test_impossible_scale_factor_is_refused(scale: int | None) -> None:
    values = {"TotWhImp": 5.0} | ({} if scale is None else {"TotWh_SF": float(scale)})
    with pytest.raises(NotANumber, match="scale factor TotWh_SF"):
        item_of(203, MODELS[203]["TotWhImp"], model(203, **values)[2:])


def test_shorter_model_lacks_its_last_points_only() -> None:
    registers = METER[2:40]
    assert item_of(203, MODELS[203]["W"], registers).value == 1234.5
    with pytest.raises(NotANumber, match="ends before its point TotWhImp"):
        item_of(203, MODELS[203]["TotWhImp"], registers)


@pytest.mark.slow
def test_missing_model_and_foreign_device_are_named() -> None:
    inputs = (Input("q01", "16.7.0", "line", "1/204/W"), Input("q02", "16.7.0", "line", "2/203/W"))
    devices = {1: {40_000: [*MARK, *COMMON, *METER, *END]}, 2: {100: [1, 2, 3]}}
    with ModbusServer(devices) as server, running(source(server.port, inputs)) as taking:
        assert until(lambda: len(taking.source.refused()) == 2)
        assert taking.source.refused()[("q01", "16.7.0")].reason == "unit 1 has no model 204; it has 1, 203"
        assert taking.source.refused()[("q02", "16.7.0")].reason == "unit 2 speaks no SunSpec"


@pytest.mark.slow
def test_model_that_moved_is_found_again() -> None:
    with (
        ModbusServer({1: {40_000: [*MARK, *COMMON, *METER, *END, *[0] * 40]}}) as server,
        running(source(server.port, INPUTS[2:3])) as taking,
    ):
        taking.reading()
        server.devices[1][40_000] = [*MARK, *COMMON, 160, 20, *[0] * 20, *METER, *END, *[0] * 18]
        assert until(lambda: taking.source.counters()["garbage"] == 1)
        taking.drain()
        assert taking.reading().value == 1234.5


def test_endless_chain_ends() -> None:
    registers = {0: 0x5375, 1: 0x6E53}
    results = chain(
        lambda first, count: [registers.get(first + place, 64_001 * (place == 0)) for place in range(count)], [0]
    )
    assert len(results) <= 100


def test_chain_without_end_marker_ends_where_the_registers_do() -> None:
    data = [*MARK, *COMMON, *METER]

    def read(first: int, count: int) -> list[int]:
        if first < 40_000 or first - 40_000 + count > len(data):
            raise Declined(2)
        return data[first - 40_000 :][:count]

    assert chain(read, (50_000, 40_000)) == {(1, 1): (40_002, 66), (203, 1): (40_070, 105)}


@pytest.mark.parametrize(
    ("address", "what"),
    [
        ("W", "no SunSpec address"),
        ("1/2/3/4", "no SunSpec address"),
        ("1/999/W", "model 999 is not known"),
        ("1/203/w", "did you mean W"),
        ("1/203/Volts", "has no point 'Volts'"),
        ("1/203/W_SF", "nothing a register takes"),
        ("1/203/VA", "nothing a register takes"),
        ("300/203/W", "'300' is no unit"),
        ("1/203:0/W", "'0' is no place"),
        ("1/x/W", "'x' is no model"),
    ],
)
def test_wrong_address_says_what_is_wrong(address: str, what: str) -> None:
    fault = address_fault(address)
    assert fault is not None
    assert what in "; ".join(fault)
    with pytest.raises(AddressFault):
        parse_address(address)


@pytest.mark.parametrize(
    ("options", "what"), [({"base": 70_000}, "base"), ({"unit": -1}, "unit"), ({"framing": "x"}, "framing")]
)
def test_wrong_options_are_named(options: dict[str, Option], what: str) -> None:
    with pytest.raises(ConfigError, match=f"option {what}"):
        settings_for(Source("line", "sunspec", tuple({"host": "h", **options}.items())))


@settings(max_examples=60)
@given(st.sampled_from(list(MODELS)), st.lists(st.integers(0, 0xFFFF), max_size=130), st.booleans())
def test_any_registers_decode_to_readings_or_refusals(number: int, registers: list[int], zero_counts: bool) -> None:
    site = Site("mill", "Europe/London")
    names = {point.name: (wanted(Input("q01", "1.8.0", "line", point.name), point.name, site),)
             for point in MODELS[number].values()}  # fmt: skip
    taken = decode(number, registers, names, 5, zero_counts=zero_counts)
    assert len(taken.readings) + len(taken.refusals) + taken.missing == len(names)
