"""`meterd drift`: what it shows, and what it refuses."""

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from meterd.adapters.simulator.faults import fault
from meterd.app.cli.main import main
from tests.app.drift_histories import PLAN, history_of, mill


def test_commands(quiet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Tables a person can act on, and a drawing that is well-formed."""
    arguments = [str(PLAN), "--store", str(quiet)]
    assert main(["visible-error", *arguments, "--plan-only"]) == 0
    assert "bakery-ovens" in capsys.readouterr().out
    assert main(["visible-error", *arguments, "--format", "json"]) == 0
    assert {"point", "seen", "named", "rival"} <= set(json.loads(capsys.readouterr().out)[0])
    plot = tmp_path / "drill.svg"
    code = main(
        ["drill", *arguments, "--point", "cold-store", "--factor", "0.95", "--from", "2026-05-06", "--plot", str(plot)]
    )
    assert code == 0
    assert "cold-store reading" in capsys.readouterr().out
    assert ElementTree.fromstring(plot.read_text()).tag.endswith("svg")
    assert "Cold store reading 0.95 of the truth" in plot.read_text()
    nothing = tmp_path / "nothing.svg"
    assert main(["suspects", *arguments, "--plot", str(nothing)]) == 0
    output = capsys.readouterr()
    assert "No balance can detect an error" in output.out
    assert "no suspicion has a week of daily balances" in output.err
    assert not nothing.exists()


def test_the_evidence_for_a_suspect_is_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A reversed current transformer since the tenth day: its words and the day stand in the drawing."""
    store = history_of(
        tmp_path / "s.sqlite", mill(), fault("reversed-ct", "bakery-ovens", start_s=10 * 86_400), days=16
    )
    plot = tmp_path / "evidence.svg"
    assert main(["suspects", str(PLAN), "--store", str(store), "--plot", str(plot)]) == 0
    assert "bakery-ovens reads 0.33" in capsys.readouterr().out
    arguments = [
        item.text or "" for item in ElementTree.fromstring(plot.read_text()).iter() if item.tag.endswith("text")
    ]
    assert any(text.startswith("Bakery, ovens reads 0.33") for text in arguments)
    assert any(text.startswith("began 1") and text.endswith(" Mar 2026") for text in arguments)
    assert main(["suspects", str(PLAN), "--store", str(store), "--plot", str(plot), "--lang", "de"]) == 0
    assert "Bakery, ovens zählt das 0,33" in plot.read_text()
    assert "begann am 1" in plot.read_text()
    assert main(["suspects", str(PLAN), "--store", str(store), "--plot", "evidence.png"]) == 2
    assert "the drawing is SVG" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (
            ["--factor", "1"],
            "cannot drill with --factor 1: write the reading as a factor of the true energy, such as 0.98",
        ),
        (["--factor", "0,98"], "cannot drill with --factor 0,98: write"),
        (["--factor", "nan"], "cannot drill with --factor nan"),
        (["--factor", "101"], "cannot drill with --factor 101"),
        (["--from", "5/6/2026"], "cannot read --from '5/6/2026'"),
        (["--from", "2020-01-01"], "the history begins after the fault: it goes from 2026-03-01 to"),
        (["--from", "2036-01-01"], "the history ends before the fault begins: it goes from 2026-03-01 to"),
        (["--point", "cold-stor"], "the plan has no point cold-stor; did you mean cold-store"),
        (["--plot", "drill.png"], "cannot draw --plot drill.png: the drawing is SVG; write a name that ends in .svg"),
    ],
)
def test_a_drill_that_cannot_be_is_refused(
    quiet: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], expected: str
) -> None:
    """With what would be right, and before anything long is computed where that can be."""
    asked = {"--point": "cold-store", "--factor": "0.95", "--from": "2026-05-06"} | {arguments[0]: arguments[1]}
    flat = [word for pair in asked.items() for word in pair]
    assert main(["drill", str(PLAN), "--store", str(quiet), *flat]) == 2
    assert expected in capsys.readouterr().err
