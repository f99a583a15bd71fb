"""`meterd probe` reads one instrument with a plan and without one."""

from pathlib import Path

import pytest

from meterd.app.cli import main
from tests.sources.devices import ModbusServer, words

PLAN = """\
site = {{ name = "gate-works", zone = "Europe/Vienna" }}
board = [{{ name = "main" }}]
point = [{{ point = "grid", role = "feed" }}, {{ point = "joinery", rating_a = 63 }}]
instrument = [{{ point = "joinery", ct_ratio = "50/5", serial = "1234" }}]
source = [
    {{ name = "line", protocol = "modbus", host = "127.0.0.1", port = {port}, timeout_s = 0.3 }},
    {{ name = "broker" }},
]
input = [
    {{ point = "grid", register = "16.7.0", source = "broker", address = "meters/grid" }},
    {{ point = "joinery", register = "16.7.0", source = "line", address = "3/holding/72/float32", scale = "ct" }},
    {{ point = "joinery", register = "32.7.0", source = "line", address = "3/holding/74/float32" }},
    {{ point = "joinery", register = "31.7.0", source = "line", address = "3/holding/76/float32", scale = "ct" }},
]
"""


def written(folder: Path, port: int) -> str:
    path = folder / "works.toml"
    path.write_text(PLAN.format(port=port), encoding="utf-8")
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


def test_nothing_answers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["probe", written(tmp_path, 1), "--point", "joinery", "--register", "32.7.0"]) == 1
    assert "is the address right" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words_"),
    [
        (["PLAN"], "with a plan name the point"),
        (["PLAN", "--point", "joinry"], "did you mean joinery?"),
        (["PLAN", "--point", "joinery", "--register", "2.8.0"], "no input for register 2.8.0"),
        (["PLAN", "--point", "grid"], "read by mqtt"),
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
