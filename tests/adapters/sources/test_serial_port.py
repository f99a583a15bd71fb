"""A serial port of this machine: every field protocol over it, an adapter that is pulled out, and words for who sets it up."""

import itertools
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from meterd.adapters.sources.modbus.transport import ModbusOptions
from meterd.adapters.sources.polling import common_faults
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.adapters.sources.serial_port import LineOptions, why_not_opened
from meterd.app.cli.main import main
from meterd.core.model.plan import Input, Site, Source
from tests.adapters.sources.devices import ModbusServer, Piece, SerialLine, TcpDevice, words
from tests.adapters.sources.lines import Option, Taking, running
from tests.adapters.sources.serial.test_dlms_push import energy as energy_telegram
from tests.adapters.sources.serial.test_dlms_push import hdlc
from tests.adapters.sources.serial.test_mbus import Meters, body
from tests.adapters.sources.telegrams import meter
from tests.adapters.sources.test_contract import read_out, relayed
from tests.brokers import until

FAST: dict[str, Option] = {"period_s": 0.2, "timeout_s": 0.5, "retry_max_s": 0.2}
PTY: dict[str, Option] = {"parity": "none", "data_bits": 8}  # a pseudo terminal has no other


@contextmanager
def reading(path: Path, protocol: str, *inputs: Input, **options: Option) -> Iterator[Taking]:
    """A source at that serial port, running."""
    merged = {**FAST, **PTY, "serial_port": str(path), **options}
    row = Source("line", protocol, tuple(merged.items()))
    site = Site("harrow-mill", "Europe/London", inputs=inputs, sources=(row,))
    with running(PROTOCOLS[protocol].source(row, site)) as taking:
        yield taking


def energy(point: str, address: str, unit: str = "Wh") -> Input:
    return Input(point, "1.8.0", "line", address, unit=unit)


@pytest.mark.slow
def test_two_instruments_and_a_silent_one_on_one_line(tmp_path: Path) -> None:
    """Modbus RTU; the frames of the library's own server. The silent unit takes nothing from the others."""
    units = {3: {72: words(12.5)}, 4: {72: words(8.25)}}
    inputs = [energy(f"q{unit}", f"{unit}/holding/72/float32", "kWh") for unit in (3, 4, 9)]

    def on_line(request: bytes) -> Iterable[Piece]:
        return () if request[0] == 9 else relayed(server.port, request)

    with (
        ModbusServer(units, "rtu") as server,
        TcpDevice(on_line) as device,
        SerialLine(tmp_path, device.port) as line,
        reading(line.path, "modbus", *inputs) as taking,
    ):
        for _ in range(3):
            assert taking.reading("q3", limit_s=30).value == 12_500_000
            assert taking.reading("q4", limit_s=30).value == 8_250_000
        assert until(lambda: taking.source.counters()["timeouts"] > 0, 30)
        assert {r.point for r in taking.seen} == {"q3", "q4"}


@pytest.mark.slow
@pytest.mark.parametrize("protocol", ["mbus", "sml", "iec62056-21", "dlms-push"])
def test_other_protocols_over_a_serial_port(protocol: str, tmp_path: Path) -> None:
    device, address, value = {
        "mbus": (TcpDevice(Meters({5: [body(number) for number in itertools.repeat(7, 500)]})), "5/1.8.0", 7000),
        "sml": (TcpDevice(greeting=lambda: itertools.cycle((meter(12), 0.1))), "1.8.0", 12_000),
        "iec62056-21": (TcpDevice(read_out), "1.8.0", 1_500_000),
        "dlms-push": (TcpDevice(greeting=lambda: itertools.cycle((hdlc(energy_telegram(9)), 0.1))), "1.8.0", 9000),
    }[protocol]
    with (
        device,
        SerialLine(tmp_path, device.port) as line,
        reading(line.path, protocol, energy("q01", address)) as taking,
    ):
        assert taking.reading(limit_s=30).value == value


@pytest.mark.slow
@pytest.mark.parametrize("protocol", ["modbus", "iec62056-21"])
def test_an_adapter_that_is_pulled_out_and_plugged_in_again(protocol: str, tmp_path: Path) -> None:
    """What is wrong is said in words; nobody has to start anything again."""
    with ExitStack() as stack:
        if protocol == "modbus":
            port = stack.enter_context(ModbusServer({3: {72: words(12.5)}}, "rtu")).port
            wanted, value = energy("q03", "3/holding/72/float32", "kWh"), 12_500_000
        else:
            port = stack.enter_context(TcpDevice(read_out)).port
            wanted, value = energy("q03", "1.8.0"), 1_500_000
        line = stack.enter_context(SerialLine(tmp_path, port))
        taking = stack.enter_context(reading(line.path, protocol, wanted))
        assert taking.reading(limit_s=30).value == value
        line.pull()
        assert until(lambda: "does not exist; is the adapter plugged in?" in taking.source.error, 30), (
            taking.source.error
        )
        taking.drain()
        line.plug()
        assert taking.reading(limit_s=30).value == value


def test_options_of_a_line_are_checked() -> None:
    """A line is a host or a serial port."""
    assert common_faults(LineOptions(serial_port="/dev/ttyUSB0")) == []
    options = LineOptions(host="m", serial_port="/dev/ttyUSB0", baud=9601, data_bits=9, parity="some", stop_bits=3)
    faults = "; ".join(common_faults(options))
    for output in (
        "baud is one of 300",
        "data_bits is 7 or 8",
        "parity is one of none",
        "stop_bits is 1 or 2",
        "exclude",
    ):
        assert output in faults


@pytest.mark.parametrize(("baud", "silence_ms"), [(9600, 4.01), (19_200, 2.005), (115_200, 1.75)])
def test_silence_between_frames(baud: int, silence_ms: float) -> None:
    """3.5 characters of eleven bits, above 19,200 baud 1.75 ms ("Modbus over serial line" 1.02, section 2.5.1.1)."""
    options = ModbusOptions(serial_port="/dev/ttyUSB0", baud=baud)
    assert options.silence_s * 1000 == pytest.approx(silence_ms, abs=0.01)
    assert ModbusOptions(host="m").silence_s == 0


def test_words_for_a_port_that_is_no_port(tmp_path: Path) -> None:
    assert "does not exist" in why_not_opened(str(tmp_path / "none"))
    (tmp_path / "file").touch()
    assert "does another program use it?" in why_not_opened(str(tmp_path / "file"))


@pytest.mark.slow
def test_probe_reads_a_serial_port_without_a_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with ModbusServer({3: {72: words(12.5)}}, "rtu") as server, SerialLine(tmp_path, server.port) as line:
        asked = ["--protocol", "modbus", "--address", "3/holding/72/float32", "--option", f"serial_port={line.path}"]
        assert (
            main(
                [
                    "probe",
                    "--protocol",
                    "modbus",
                    *asked,
                    "--option",
                    "parity=none",
                    "--register",
                    "1.8.0",
                    "--unit",
                    "kWh",
                ]
            )
            == 0
        ), capsys.readouterr().err
    output = capsys.readouterr().out
    assert f"modbus at {line.path}" in " ".join(output.split())
    assert "12,500.000 Wh" in output
    assert main(["probe", "--protocol", "modbus", "--address", "3/holding/72/float32"]) == 2
    assert "--option serial_port=/dev/ttyUSB0" in capsys.readouterr().err
