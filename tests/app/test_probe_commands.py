"""`meterd probe` reads one instrument with a plan and without one."""

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from meterd.app import probe_commands
from meterd.app.cli import main
from meterd.app.config import load_plan
from meterd.mqtt.link import Link
from meterd.mqtt.settings import LinkSettings
from meterd.sources import probe_mqtt
from meterd.sources.mqtt import MqttSource
from tests.brokers import Mosquitto, until
from tests.sources.devices import ModbusServer, words

PLAN = """\
site = {{ name = "gate-works", zone = "Europe/Vienna" }}
board = [{{ name = "main" }}]
point = [
    {{ point = "grid", role = "feed" }}, {{ point = "joinery", rating_a = 63 }}, {{ point = "kiln" }}, {{ point = "logger" }},
]
instrument = [{{ point = "joinery", ct_ratio = "50/5", serial = "1234" }}, {{ point = "kiln", pulse_wh = 1.25 }}]
broker = {{ host = "127.0.0.1", port = {broker} }}
source = [
    {{ name = "line", protocol = "modbus", host = "127.0.0.1", port = {port}, timeout_s = 0.3 }},
    {{ name = "broker" }},
    {{ name = "log", protocol = "file", path = "." }},
]
input = [
    {{ point = "grid", register = "16.7.0", source = "broker", address = "meters/grid", field = "/p", time_field = "/t" }},
    {{ point = "kiln", register = "1.8.0", source = "broker", address = "pulses/kiln", unit = "imp" }},
    {{ point = "logger", register = "1.8.0", source = "log", address = "kwh" }},
    {{ point = "joinery", register = "16.7.0", source = "line", address = "3/holding/72/float32", scale = "ct" }},
    {{ point = "joinery", register = "32.7.0", source = "line", address = "3/holding/74/float32" }},
    {{ point = "joinery", register = "31.7.0", source = "line", address = "3/holding/76/float32", scale = "ct" }},
]
"""


def written(folder: Path, port: int, *, broker: int = 1) -> str:
    path = folder / "works.toml"
    path.write_text(PLAN.format(port=port, broker=broker), encoding="utf-8")
    return str(path)


@pytest.mark.slow
def test_point_of_a_plan_with_ratio_and_sign(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with ModbusServer({3: {72: [*words(-100.0), *reversed(words(230.5)), *words(1.0)]}}) as server:
        assert main(["probe", written(tmp_path, server.port), "--point", "joinery"]) == 0
    out = capsys.readouterr().out
    assert "> │ 74/float32/abcd" in out
    assert "74/float32/cdab" in out
    assert "current transformers 50/5 A" in out
    assert "-1,000.000 W (-100 x 10)" in out
    assert "power is negative: energy flows against the arrow" in out


@pytest.mark.slow
def test_one_address_without_a_plan(capsys: pytest.CaptureFixture[str]) -> None:
    with ModbusServer({3: {72: words(2.5)}}, "rtu") as server:
        arguments = ["probe", "--protocol", "modbus", "--host", "127.0.0.1", "--port", str(server.port), "--unit", "kW",
                     "--address", "3/holding/72/float32", "--option", "framing=rtu", "--option", "timeout_s=0.5"]  # fmt: skip
        assert main(arguments) == 0
    assert "2,500.000 W" in capsys.readouterr().out


@contextmanager
def publishing(broker: Mosquitto, topic: str, payload: bytes, *, retain: bool = False) -> Iterator[None]:
    """A meter that sends again and again."""
    done = threading.Event()
    with Link(LinkSettings("meter", host="127.0.0.1", port=broker.port, session_expiry_s=0)) as out:

        def send() -> None:
            while not done.wait(0.1):
                out.publish(topic, payload, retain=retain)

        sender = threading.Thread(target=send)
        sender.start()
        yield
        done.set()
        sender.join()


@pytest.mark.slow
def test_pulse_count_is_listened_to_and_weighed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """800 pulses a kilowatt hour: 1,000 of them are 1,250 Wh. The session of the daemon that reads them stays its own."""
    with Mosquitto() as broker:
        plan = written(tmp_path, 1, broker=broker.port)
        site = load_plan(Path(plan)).site
        daemon = MqttSource(next(row for row in site.sources if row.name == "broker"), site)
        daemon.start(lambda _: None)
        assert until(lambda: daemon.state().connected)
        with publishing(broker, "pulses/kiln", b"1000"):
            assert main(["probe", plan, "--point", "kiln"]) == 0
        assert daemon.state().counters.disconnects == 0
        daemon.stop(5)
    out = capsys.readouterr().out
    assert "kiln, topic pulses/kiln" in out
    assert re.search(r"> │ payload +│ 1000 +│ +1,000 │ imp +│ read as 1.8.0", out), out
    assert "1,250.000 Wh (1,000 x 1.25)" in out


@pytest.mark.slow
@pytest.mark.parametrize(
    ("payload", "words_", "code"),
    [
        (b'{"p": 5000, "t": 1700000000}', "read as 16.7.0", 0),
        (b'{"q": 5}', "no such member", 0),
        (b"", "nothing came on meters/grid within 1 s", 1),
    ],
)
def test_what_is_published_is_shown_with_what_the_plan_makes_of_it(
    payload: bytes,
    words_: str,
    code: int,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A value, one that lacks its field, and silence."""
    monkeypatch.setattr(probe_mqtt, "LISTEN_S", 1.0)
    monkeypatch.setattr(probe_commands, "LIMIT_S", 0.5)
    with Mosquitto() as broker:
        plan = written(tmp_path, 1, broker=broker.port)
        with publishing(broker, "meters/grid" if payload else "elsewhere", payload or b"1"):
            assert main(["probe", plan, "--point", "grid"]) == code
    said = capsys.readouterr()
    assert words_ in said.out + said.err


def test_nothing_answers(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_mqtt, "LISTEN_S", 0.5)
    assert main(["probe", written(tmp_path, 1), "--point", "joinery", "--register", "32.7.0"]) == 1
    assert "is the address right" in capsys.readouterr().err
    assert main(["probe", written(tmp_path, 1), "--point", "grid"]) == 1
    assert "no broker at 127.0.0.1:1" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words_"),
    [
        (["PLAN"], "with a plan name the point"),
        (["PLAN", "--point", "joinry"], "did you mean joinery?"),
        (["PLAN", "--point", "joinery", "--register", "2.8.0"], "no input for register 2.8.0"),
        (["PLAN", "--point", "logger"], "read by file"),
        ([], "give a plan and --point NAME"),
        (["--protocol", "modbus", "--host", "h", "--address", "x"], "--address: 'x' is no register address"),
        (["--protocol", "sml", "--host", "h", "--address", "1.8.0", "--register", "9"], "--register: 9 is not known"),
        (["--protocol", "sml", "--host", "h", "--address", "1.8.0", "--option", "x"], "write KEY=VALUE"),
        (["--protocol", "sml", "--host", "h", "--address", "1.8.0", "--option", "x=1"], "unknown option x"),
    ],
)
def test_what_is_wrong_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words_: str
) -> None:
    plan = written(tmp_path, 1)
    assert main(["probe", *(plan if one == "PLAN" else one for one in arguments)]) == 2
    assert words_ in capsys.readouterr().err
