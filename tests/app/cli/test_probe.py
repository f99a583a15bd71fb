"""`meterd probe` reads one instrument with a plan and without one."""

import re
from pathlib import Path

import pytest

from meterd.app.cli.main import main
from tests.adapters.sources.devices import ModbusServer, words
from tests.adapters.sources.test_probe_mqtt import publishing
from tests.brokers import Mosquitto
from tests.probed_plan import written


@pytest.mark.slow
def test_point_of_a_plan_with_ratio_and_sign(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with ModbusServer({3: {72: [*words(-100.0), *reversed(words(230.5)), *words(1.0)]}}) as server:
        assert main(["probe", written(tmp_path, server.port), "--point", "joinery"]) == 0
    out = capsys.readouterr().out
    assert "> │ 74/float32/abcd" in out
    assert "74/float32/cdab" in out
    assert "current transformers 50/5 A" in out
    assert "-1,000.000 W (-100 x 10)" in out
    assert "power is negative: export" in out


@pytest.mark.slow
def test_one_address_without_a_plan(capsys: pytest.CaptureFixture[str]) -> None:
    with ModbusServer({3: {72: words(2.5)}}, "rtu") as server:
        arguments = ["probe", "--protocol", "modbus", "--host", "127.0.0.1", "--port", str(server.port), "--unit", "kW",
                     "--address", "3/holding/72/float32", "--option", "framing=rtu", "--option", "timeout_s=0.5"]  # fmt: skip
        assert main(arguments) == 0
    assert "2,500.000 W" in capsys.readouterr().out


@pytest.mark.slow
def test_an_address_in_place_of_the_plan(capsys: pytest.CaptureFixture[str]) -> None:
    with ModbusServer({3: {72: words(230.5)}}) as server:
        where = f"modbus://127.0.0.1:{server.port}/3/holding/72/float32"
        assert main(["probe", where, "--register", "32.7.0", "--option", "timeout_s=0.5"]) == 0
    assert "230.500 V" in capsys.readouterr().out


@pytest.mark.slow
def test_a_topic_without_a_plan(capsys: pytest.CaptureFixture[str]) -> None:
    """All numbers of its payload with what they seem to be, or the one that is named."""
    payload = b'{"import_wh": 1234567, "power": 420, "temp": 21, "unit": "x"}'
    with Mosquitto() as broker, publishing(broker, "meters/q01", payload):
        assert main(["probe", f"mqtt://127.0.0.1:{broker.port}/meters/q01"]) == 0
        out = capsys.readouterr().out
        named = ["--host", "127.0.0.1", "--port", str(broker.port), "--address", "meters/q01", "--field", "/power"]
        assert main(["probe", "--protocol", "mqtt", *named, "--unit", "kW"]) == 0
        assert "420,000.000 W" in capsys.readouterr().out
    assert "not read: /temp: no name says that it is an electrical quantity" in out
    assert "guessed: 16.7.0 power: unit W" in out
    assert re.search(r"1\.8\.0 +import +1,234,567\.000 Wh", out), out


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
        (["ftp://h/x"], "write PROTOCOL://HOST:PORT/ADDRESS with modbus, sunspec"),
        (["sml://h"], "its address is missing"),
        (["sml://h/1.8.0", "--port", "3"], "says it already; leave out --port"),
        (["modbus://h/x"], "--address: 'x' is no register address"),
        (["sml://h/1.8.0", "--field", "/x"], "--field is for MQTT"),
        (["sml://h/1.8.0", "--ca-file", "x"], "--ca-file is for mqtts://"),
        (["mqtt://h"], "no topic: name one topic"),
        (["mqtt://h/a/#"], "a filter: name one topic; meterd init --listen lists all"),
        (["mqtt://joe:pw@h/a"], "write mqtt://joe@h and --password-env"),
        (["mqtt://h/a", "--register", "9"], "--register: 9 is not known"),
        (["mqtt://h/a", "--option", "qos=1"], "unknown option qos"),
    ],
)
def test_what_is_wrong_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words_: str
) -> None:
    plan = written(tmp_path, 1)
    assert main(["probe", *(plan if item == "PLAN" else item for item in arguments)]) == 2
    assert words_ in capsys.readouterr().err
