"""Files of a plan are checked together, written whole, and kept as they were."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.edit import PlanFiles
from meterd.adapters.planfile.loader import PlanError
from meterd.core.errors import ConfigError, StoreError
from tests.plans import FILES, write


def test_only_what_changed_is_written_and_kept_aside(tmp_path: Path) -> None:
    """Also a new file, and the rights of an old one stay."""
    folder = write(tmp_path / "plan", {**FILES, "consumers.csv": None})
    (folder / "points.csv").chmod(0o640)
    files = PlanFiles(folder)
    files.texts["points.csv"] += "\n# seen\n"
    files.texts["consumers.csv"] = FILES["consumers.csv"]
    before, after = files.check()
    assert (len(before.site.consumers), len(after.site.consumers)) == (3, 4)
    aside = files.put("now")
    assert (folder / "points.csv").read_text() == FILES["points.csv"] + "\n# seen\n"
    assert (folder / "points.csv").stat().st_mode & 0o777 == 0o640
    assert [str(p.relative_to(aside)) for p in aside.rglob("*") if p.is_file()] == ["points.csv"]
    assert (aside / "points.csv").read_text() == FILES["points.csv"]
    assert {p.name for p in folder.iterdir()} == {*(name for name in FILES if "/" not in name), "patterns", ".before"}


def test_a_fault_is_found_before_anything_is_written(tmp_path: Path) -> None:
    """With its file and line, as `meterd check` says it."""
    folder = write(tmp_path / "plan", FILES)
    files = PlanFiles(folder)
    files.texts["points.csv"] = FILES["points.csv"].replace("q02,south", "q02,west")
    with pytest.raises(PlanError) as caught:
        files.check()
    assert [fault.file for fault in caught.value.faults] == ["points.csv"]
    assert (folder / "points.csv").read_text() == FILES["points.csv"]


def test_what_somebody_else_changed_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    """None of the files is written then."""
    folder = write(tmp_path / "plan", FILES)
    files = PlanFiles(folder)
    files.texts["points.csv"] += "# ours\n"
    files.texts["inputs.csv"] += "# ours\n"
    (folder / "inputs.csv").write_text(FILES["inputs.csv"] + "# theirs\n")
    with pytest.raises(ConfigError, match=r"inputs\.csv has been changed by somebody else"):
        files.put("now")
    assert (folder / "points.csv").read_text() == FILES["points.csv"]
    assert not (folder / ".before").exists()


def test_a_plan_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    """The place for the old files is taken by a file."""
    folder = write(tmp_path / "plan", FILES)
    (folder / ".before").write_text("")
    files = PlanFiles(folder)
    files.texts["points.csv"] += "# ours\n"
    with pytest.raises(StoreError, match="cannot write the plan"):
        files.put("now")
    assert (folder / "points.csv").read_text() == FILES["points.csv"]
