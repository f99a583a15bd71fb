"""One daemon reads instruments of all field protocols side by side, and one that is gone holds nobody up."""

import itertools
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.sources.serial.mbus import short
from meterd.app.daemon.daemon import Daemon
from tests.adapters.sources.devices import ModbusServer, Piece, TcpDevice, words
from tests.adapters.sources.modbus.test_sunspec import COMMON, END, MARK, METER
from tests.adapters.sources.serial.test_dlms_push import SEGMENTS, SEGMENTS_KEY
from tests.adapters.sources.serial.test_mbus import Meters, Selectable, body
from tests.adapters.sources.serial.test_mbus_encryption import KEY, sealed
from tests.adapters.sources.telegrams import meter
from tests.adapters.sources.test_contract import read_out
from tests.brokers import Mosquitto, free_port, until

PLAN = """\
site = {{ name = "gate-works", zone = "Europe/Vienna" }}
broker = {{ host = "127.0.0.1", port = {broker} }}
board = [{{ name = "main" }}]
point = [
    {{ point = "grid", role = "feed" }}, {{ point = "joinery" }}, {{ point = "offices" }}, {{ point = "roof", role = "pv" }},
    {{ point = "light" }}, {{ point = "heat-pump" }}, {{ point = "tenant" }}, {{ point = "old" }}, {{ point = "gone" }},
    {{ point = "cellar" }},
]
source = [
    {{ name = "board-line", protocol = "modbus", host = "127.0.0.1", port = {modbus}, framing = "rtu", {fast} }},
    {{ name = "inverter", protocol = "sunspec", host = "127.0.0.1", port = {sunspec}, {fast} }},
    {{ name = "bus", protocol = "mbus", host = "127.0.0.1", port = {mbus}, {fast} }},
    {{ name = "second-bus", protocol = "mbus", host = "127.0.0.1", port = {second}, {fast} }},
    {{ name = "sealed-bus", protocol = "mbus", host = "127.0.0.1", port = {sealed}, {sealed_keys}, {fast} }},
    {{ name = "head", protocol = "sml", host = "127.0.0.1", port = {sml}, {fast} }},
    {{ name = "readout", protocol = "iec62056-21", host = "127.0.0.1", port = {iec}, {fast} }},
    {{ name = "port", protocol = "dlms-push", host = "127.0.0.1", port = {push}, {key}, {fast} }},
    {{ name = "web", protocol = "http", host = "127.0.0.1", port = {web}, {fast} }},
    {{ name = "dead", protocol = "modbus", host = "127.0.0.1", port = {dead}, {fast} }},
]
input = [
    {{ point = "joinery", register = "1.8.0", source = "board-line", address = "3/holding/72/float32", unit = "kWh" }},
    {{ point = "roof", register = "1.8.0", source = "inverter", address = "1/203/TotWhImp" }},
    {{ point = "offices", register = "1.8.0", source = "bus", address = "5/1.8.0" }},
    {{ point = "grid", register = "1.8.0", source = "head", address = "1.8.0" }},
    {{ point = "light", register = "1.8.0", source = "readout", address = "1.8.0" }},
    {{ point = "heat-pump", register = "1.8.0", source = "web", address = "/status", field = "/total", unit = "kWh" }},
    {{ point = "tenant", register = "1.8.0", source = "port", address = "1.8.0" }},
    {{ point = "old", register = "1.8.0", source = "second-bus", address = "00123456/1.8.0" }},
    {{ point = "cellar", register = "1.8.0", source = "sealed-bus", address = "5/1.8.0" }},
    {{ point = "gone", register = "1.8.0", source = "dead", address = "1/holding/0/uint32" }},
]
"""
FAST = "period_s = 0.2, timeout_s = 0.5, retry_max_s = 0.5"
EXPECTED = {
    "joinery": 12_500_000,
    "roof": 12_345_670_000,
    "offices": 7000,
    "grid": 12_000,
    "light": 1_500_000,
    "heat-pump": 2_250_000,
    "tenant": 12_937_000,
    "old": 9000,
    "cellar": 4_321_000,
}

STATUS = b'HTTP/1.1 200 OK\r\nContent-Length: 15\r\n\r\n{"total": 2.25}'


def sealed_meter(request: bytes) -> Iterator[Piece]:
    """A meter at primary address 5 that answers in security mode 5."""
    yield b"\xe5" if request == short(0x40, 5) else sealed(body(4321))


def journal(store: Path) -> dict[str, int]:
    """The newest value of each point."""
    connection = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
    try:
        rows = connection.execute(
            "SELECT c.point, r.value FROM reading r JOIN channel c ON c.id = r.channel ORDER BY r.at_ms"
        )
        return dict(rows.fetchall())
    except sqlite3.OperationalError:
        return {}
    finally:
        connection.close()


@pytest.mark.slow
def test_all_field_protocols_side_by_side(tmp_path: Path) -> None:
    with ExitStack() as stack:
        broker = stack.enter_context(Mosquitto())
        ports = {
            "modbus": stack.enter_context(ModbusServer({3: {72: words(12.5)}}, "rtu")).port,
            "sunspec": stack.enter_context(ModbusServer({1: {40_000: [*MARK, *COMMON, *METER, *END]}})).port,
            "mbus": stack.enter_context(TcpDevice(Meters({5: [body(7)]}))).port,
            "sealed": stack.enter_context(TcpDevice(sealed_meter)).port,
            "sml": stack.enter_context(TcpDevice(greeting=lambda: itertools.cycle((meter(12), 0.1)))).port,
            "iec": stack.enter_context(TcpDevice(read_out)).port,
            "second": stack.enter_context(TcpDevice(Selectable({"0012345624400102": lambda: body(9)}))).port,
            "push": stack.enter_context(TcpDevice(greeting=lambda: itertools.cycle((SEGMENTS, 0.1)))).port,
            "web": stack.enter_context(TcpDevice(lambda _request: (STATUS, None))).port,
            "dead": free_port(),
        }
        path, store = tmp_path / "works.toml", tmp_path / "works.sqlite"
        (tmp_path / "port.key").write_text(SEGMENTS_KEY, encoding="utf-8")
        (tmp_path / "meters.keys").write_text(f"12345678 {KEY.hex()}\n", encoding="utf-8")
        keys = {
            "key": 'framing = "mbus", encryption_key_file = "port.key"',
            "sealed_keys": 'encryption_keys_file = "meters.keys"',
        }
        path.write_text(PLAN.format(broker=broker.port, fast=FAST, **keys, **ports), encoding="utf-8")
        stop = threading.Event()
        daemon = Daemon(load_plan(path).site, store)
        thread = threading.Thread(target=daemon.run, args=(stop,))
        thread.start()
        try:
            assert until(lambda: store.exists() and journal(store).keys() >= EXPECTED.keys())
        finally:
            stop.set()
            thread.join(20)
        assert not thread.is_alive()
    assert journal(store) == EXPECTED
