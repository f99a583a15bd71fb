"""A file that is missing, or there in another form, is one fault and not one for every name that stood in it."""

import shutil
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan

MILL = Path(__file__).parents[3] / "config" / "harrow-mill"


@pytest.fixture
def mill(tmp_path: Path) -> Path:
    return Path(shutil.copytree(MILL, tmp_path / "mill"))


def faults(plan: Path) -> list[str]:
    with pytest.raises(PlanError) as caught:
        load_plan(plan)
    return [str(fault) for fault in caught.value.faults]


def test_a_missing_list_of_points_is_one_fault(mill: Path) -> None:
    """Found with 144 faults about points that do not exist."""
    (mill / "points.csv").unlink()
    assert faults(mill) == [
        "points.csv: the file is missing; write it with a row for each metering point; its columns: meterd help plan"
    ]


def test_the_main_file_named_instead_of_its_folder_is_one_fault(mill: Path) -> None:
    """Found with "the plan has no feed", though points.csv lies beside it."""
    text = "points.csv lies beside it and is not read: this is one file of a plan folder"
    assert faults(mill / "site.toml") == [f"site.toml: {text}; name the folder: {mill}"]


@pytest.mark.parametrize(
    ("kind", "there", "right"),
    [
        ("points.csv", "points.xlsx", "save it as CSV (UTF-8) named points.csv"),
        ("points.csv", "Points.ods", "save it as CSV (UTF-8) named points.csv"),
        ("points.csv", "Points.CSV", "rename it to points.csv"),
        ("points.csv", "points.csv.txt", "rename it to points.csv"),
        ("inputs.csv", "inputs.xlsx", "save it as CSV (UTF-8) named inputs.csv"),
        ("instruments.csv", "instruments.txt", "rename it to instruments.csv"),
    ],
)
def test_another_file_in_its_place_is_one_fault(mill: Path, kind: str, there: str, right: str) -> None:
    (mill / kind).rename(mill / there)
    assert faults(mill) == [f"{there}: the plan reads {kind}, and this file is not read; {right}"]


@pytest.mark.parametrize("name", ["points.csv", "inputs.csv", "instruments.csv"])
def test_a_missing_line_of_names_is_one_fault(mill: Path, name: str) -> None:
    """Found with an unknown column for every cell and a row fault for every point."""
    lines = (mill / name).read_text(encoding="utf-8").splitlines()
    (mill / name).write_text("\n".join([*lines[1:], ""]), encoding="utf-8")
    (results,) = faults(mill)
    assert "the line with the names of the columns is missing; the first one begins with 't1'; write point," in results


def test_points_without_inputs_are_one_warning(mill: Path) -> None:
    (mill / "inputs.csv").unlink()
    warnings = [str(warning) for warning in load_plan(mill).warnings if "no input" in warning.what]
    assert len(warnings) == 1
    assert "29 points (t1, t2, backup, ...) are live or accepted, but they have no input" in warnings[0]


def test_a_name_beside_a_pointer_is_warned_of(mill: Path) -> None:
    text = (mill / "inputs.csv").read_text(encoding="utf-8")
    assert not any("SenML" in warning.what for warning in load_plan(mill).warnings)
    (mill / "inputs.csv").write_text(text.replace("/import_wh", "import_wh", 1), encoding="utf-8")
    (warning,) = (warning for warning in load_plan(mill).warnings if "SenML" in warning.what)
    assert str(warning).startswith("inputs.csv:2:")
    assert warning.right == "write /import_wh if the payload is a JSON object"
