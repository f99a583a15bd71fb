"""The worked example of config/README.md is carried out as it is written, from an empty folder to the report of a month."""

import re
import shlex
from pathlib import Path

import openpyxl
import pytest

from meterd.app.cli.main import main
from tests.app.boat_yard import FEEDERS, german_export, histories

pytestmark = pytest.mark.slow
README = Path(__file__).parents[3] / "config" / "README.md"
HOURS = 24 * 731


def blocks() -> dict[str, list[str]]:
    """Code blocks of the example by their language, in order."""
    text = README.read_text(encoding="utf-8").partition("## Worked example")[2]
    results: dict[str, list[str]] = {}
    for language, body in re.findall(r"```(\w*)\n(.*?)```", text, re.DOTALL):
        results.setdefault(language, []).append(body)
    return results


def test_the_example_leads_from_an_empty_folder_to_the_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Files and commands as they stand there; figures of the report against what the registers counted."""
    results = blocks()
    monkeypatch.chdir(tmp_path)
    plan = tmp_path / "boat-yard"
    plan.mkdir()
    for name, text in zip(
        ("site.toml", "points.csv", "inputs.csv", "instruments.csv"), [*results["toml"], *results["csv"]], strict=True
    ):
        (plan / name).write_text(text, encoding="utf-8")
    assert sum(len(text) for text in (*results["toml"], *results["csv"])) < 800
    moments, readings = histories(HOURS)
    export = german_export(moments, readings)
    for line in results[""][0].splitlines():
        assert line.removesuffix("...") in export[:3000]
    (tmp_path / "export.csv").write_bytes(export.encode("windows-1252"))
    output = ""
    for command in results["sh"][0].splitlines():
        assert main(shlex.split(command)[1:]) == 0, capsys.readouterr().err
        output += capsys.readouterr().out
    promised = README.read_text(encoding="utf-8").partition("## Worked example")[2]
    shown = [line.strip() for line in re.findall(r"^    (\S.*)$", promised, re.MULTILINE)]
    assert len(shown) == 4
    for line in shown:
        assert " ".join(line.split()) in " ".join(output.split())
    assert (tmp_path / "november.pdf").read_bytes().startswith(b"%PDF")
    cells = [cell for sheet in openpyxl.load_workbook("november.xlsx") for row in sheet.iter_rows() for cell in row]
    first, last = (
        next(i for i, m in enumerate(moments) if f"{m:%Y-%m-%d %H}" == at) for at in ("2025-10-31 23", "2025-11-30 23")
    )
    values = {round(cell.value, 3) for cell in cells if isinstance(cell.value, float)}
    for name in FEEDERS:
        counted = readings[name, "1.8.0"][last] - readings[name, "1.8.0"][first]
        assert any(abs(value - counted / 1e6) < 6e-4 for value in values), (name, counted / 1e6)
