"""`meterd init --scan`: a plan from the units that answer, which a daemon's source reads; nothing is written to any unit."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.sources.probe import once
from meterd.app.cli import init_scan
from meterd.app.cli.init_scan import scan_address
from meterd.app.cli.main import main
from meterd.core.errors import ConfigError
from meterd.core.model.plan import PointState, Role
from tests.adapters.sources.devices import ModbusServer, SerialLine, TcpDevice
from tests.adapters.sources.modbus.test_scan import INVERTER, READS
from tests.adapters.sources.modbus.test_sunspec import COMMON, END, MARK, METER, model
from tests.adapters.sources.serial.test_mbus import Meters, body

Said = pytest.CaptureFixture[str]


@pytest.mark.slow
def test_the_plan_passes_the_check_and_is_read(tmp_path: Path, capsys: Said) -> None:
    devices = {
        1: {40_000: [*MARK, *COMMON, *METER, *END]},
        2: {72: [1, 2]},
        3: {40_000: [*MARK, *COMMON, *INVERTER, *END]},
        4: {40_000: [*MARK, *COMMON, *model(103, W=10, W_SF=0), *END]},
    }
    folder = tmp_path / "mill"
    with ModbusServer(devices) as server:
        assert main(["init", str(folder), "--scan", f"modbus://127.0.0.1:{server.port}/1-4", "--zone", "UTC"]) == 0
        out = capsys.readouterr().out
        assert main(["check", str(folder)]) == 0
        site = load_plan(folder).site
        values, refused = once(site.sources[0], site, 5.0)
        assert {function for _, function, _, _ in server.requests} <= set(READS)
    assert "unit 1: SunSpec model 203: import 1.23457e+07 Wh" in out
    assert {(row.point, row.register) for row in site.inputs} == {*values, ("unit-004", "1.8.0")}
    assert refused == {}
    assert "# guessed: read although the counter shows no value yet" in (folder / "inputs.csv").read_text()
    assert {point.name: (point.role, point.state) for point in site.points} == {
        "unit-001": (Role.FEEDER, PointState.LIVE),
        "unit-002": (Role.FEEDER, PointState.PLANNED),
        "unit-003": (Role.PV, PointState.LIVE),
        "unit-004": (Role.PV, PointState.LIVE),
    }
    points = (folder / "points.csv").read_text()
    assert "# guessed: unit 3 is an inverter, so role pv; board main" in points
    assert f"try meterd probe modbus://127.0.0.1:{server.port}/2/holding/REGISTER/TYPE" in points


@pytest.mark.slow
def test_an_m_bus_line_on_a_serial_port_and_at_a_level_converter(tmp_path: Path, capsys: Said) -> None:
    with TcpDevice(Meters({5: [body(7)]})) as device, SerialLine(tmp_path, device.port) as line:
        for name, where in (("serial", line.path), ("network", f"127.0.0.1:{device.port}")):
            folder = tmp_path / name
            baud = ["--baud", "9600"] if name == "serial" else []
            scanned = ["init", str(folder), "--scan", f"mbus://{where}/5", "--zone", "UTC", *baud]
            assert main(scanned) == 0
            assert "unit 5: M-Bus meter 0000000000000000: import 7 Wh" in capsys.readouterr().out
            assert main(["check", str(folder)]) == 0
            (row,) = load_plan(folder).site.sources
            assert row.protocol == "mbus"
            assert (
                dict(row.options).items()
                >= (
                    {"serial_port": str(line.path), "baud": 9600}
                    if baud
                    else {"host": "127.0.0.1", "port": device.port}
                ).items()
            )
    site = load_plan(tmp_path / "network").site
    assert {(r.point, r.register, r.address) for r in site.inputs} == {
        ("unit-005", "1.8.0", "5/1.8.0"), ("unit-005", "16.7.0", "5/16.7.0"),
    }  # fmt: skip


@pytest.mark.slow
def test_silence_writes_nothing(tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(init_scan, "TIMEOUT_S", 0.1)
    with ModbusServer({9: {72: [1, 2]}}) as server:
        assert (
            main(["init", str(tmp_path / "mill"), "--scan", f"modbus://127.0.0.1:{server.port}/1-2", "--zone", "UTC"])
            == 1
        )
    assert "no unit from 1 to 2 answers" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("10.0.0.5/1-20", "write modbus://HOST:PORT/UNITS"),
        ("modbus://10.0.0.5", "write modbus://HOST:PORT/UNITS"),
        ("modbus://10.0.0.5/0-3", "units are 1 to 247"),
        ("modbus://10.0.0.5/5-3", "the smaller one first"),
        ("modbus://10.0.0.5/1,,3", "is no range of units"),
        ("modbus://10.0.0.5:70000/1", "port 70000 is none"),
        ("mbus:///dev/ttyUSB0/251", "units are 0 to 250"),
        ("mbus:///dev/ttyUSB0", "write modbus://HOST:PORT/UNITS or mbus:///dev/PORT/UNITS"),
    ],
)
def test_a_range_that_is_none_is_refused(text: str, message: str) -> None:
    with pytest.raises(ConfigError, match=message):
        scan_address(text)


def test_a_range_has_to_be_stated_and_one_origin_named(tmp_path: Path, capsys: Said) -> None:
    both = ["--scan", "modbus://h/1", "--listen", "mqtt://h", "--zone", "UTC"]
    assert main(["init", str(tmp_path / "mill"), *both]) == 2
    assert "--scan stands alone" in capsys.readouterr().err


def test_a_speed_is_for_a_serial_port_alone(tmp_path: Path, capsys: Said) -> None:
    scanned = ["init", str(tmp_path / "mill"), "--scan", "mbus://h/1", "--baud", "2400", "--zone", "UTC"]
    assert main(scanned) == 2
    assert "a device server has its own speed" in capsys.readouterr().err


@pytest.mark.parametrize("where", ["mbus://h/1", "modbus:///dev/ttyUSB0/1"])
def test_framing_is_for_modbus_over_a_network_alone(where: str, tmp_path: Path, capsys: Said) -> None:
    assert main(["init", str(tmp_path / "mill"), "--scan", where, "--framing", "rtu", "--zone", "UTC"]) == 2
    assert "--framing is for Modbus through a device server" in capsys.readouterr().err
