"""`meterd probe` reads one instrument with a plan and without one."""

from pathlib import Path

import pytest

from meterd.app.cli.main import main
from tests.adapters.sources.devices import ModbusServer, words
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
    assert main(["probe", *(plan if item == "PLAN" else item for item in arguments)]) == 2
    assert words_ in capsys.readouterr().err
