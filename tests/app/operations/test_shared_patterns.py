"""Patterns shared by several plans: what would change is said for each site, and taken over only where it is asked for."""

import json
import shutil
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main

MILL = Path(__file__).parents[3] / "config" / "harrow-mill"
Capture = pytest.CaptureFixture[str]


def sites(folder: Path) -> tuple[Path, list[Path]]:
    """A folder of shared patterns, and three sites with copies of them."""
    plans = []
    for name in ("mill", "quay", "yard"):
        plan = folder / name
        shutil.copytree(MILL, plan)
        site = plan / "site.toml"
        site.write_text(site.read_text("utf-8").replace('"harrow-mill"', f'"{name}"', 1), encoding="utf-8")
        plans.append(plan)
    shutil.copytree(MILL / "patterns", folder / "shared")
    return folder / "shared", plans


def test_a_change_is_shown_for_each_site_and_taken_site_by_site(tmp_path: Path, capsys: Capture) -> None:
    """The class of a meter in the shared pattern: named with its points; two sites take it, the third stays as it is."""
    shared, plans = sites(tmp_path)
    arguments = ["patterns", str(shared), *map(str, plans)]
    assert main(arguments) == 0
    assert "mill: studio: is the shared one" in capsys.readouterr().out
    pattern = shared / "studio.toml"
    text = pattern.read_text("utf-8")
    assert 'meter_class = "' in text
    pattern.write_text(text.replace('meter_class = "', 'meter_class = "A" # "', 1), encoding="utf-8")
    before = {plan: (plan / "patterns" / "studio.toml").read_bytes() for plan in plans}
    assert main(arguments) == 0
    out = capsys.readouterr().out
    assert out.count("studio: would change: instruments changed: ") == 3
    assert {plan: (plan / "patterns" / "studio.toml").read_bytes() for plan in plans} == before

    assert main(["patterns", str(shared), *map(str, plans[:2]), "--take", "--format", "json"]) == 0
    assert [
        (entry["site"], entry["same"]) for entry in json.loads(capsys.readouterr().out) if entry["pattern"] == "studio"
    ] == [
        ("mill", False),
        ("quay", False),
    ]
    assert main(arguments) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if ": studio:" in line]
    assert [line.partition(" instruments")[0] for line in lines] == [
        "mill: studio: is the shared one",
        "quay: studio: is the shared one",
        "yard: studio: would change:",
    ]
    studios = {item.meter_class for item in load_plan(plans[0]).site.instruments if item.point.startswith("studio")}
    assert studios == {"A"}


def test_a_pattern_with_a_fault_is_taken_nowhere(tmp_path: Path, capsys: Capture) -> None:
    """The plan would be refused: its faults are listed with their line, and the copies stay."""
    shared, plans = sites(tmp_path)
    pattern = shared / "studio.toml"
    pattern.write_text(
        pattern.read_text("utf-8") + "\n[[point]]\npoint = 'studio-{n}'\nroll = 'feeder'\n", encoding="utf-8"
    )
    before = (plans[0] / "patterns" / "studio.toml").read_bytes()
    assert main(["patterns", str(shared), str(plans[0]), "--take"]) == 1
    out = capsys.readouterr().out
    assert "mill: studio: NOT taken, the plan would have faults:" in out
    assert "patterns/studio.toml:" in out
    assert (plans[0] / "patterns" / "studio.toml").read_bytes() == before
    assert main(["patterns", str(tmp_path), str(plans[0])]) == 2
    assert "has no patterns" in capsys.readouterr().err
    assert main(["patterns", str(shared), str(MILL.parent / "small.toml")]) == 2
    assert "is no plan folder" in capsys.readouterr().err
