"""`meterd rename`: new name in every file, history under it, the old name finds it."""

import json
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.planfile.renaming import renamed, same
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period, text
from meterd.core.model.reading import Reading
from tests.app.commands import CONFIG, run
from tests.app.small_plant import DAY, FILES, MAY, MINUTE, filled, keep, plan, readings
from tests.plans import FILES as MILL
from tests.plans import write

WHO = ("--person", "Ada", "--note", "as on the new drawing")


def energy(capsys: pytest.CaptureFixture[str], made: Path, point: str) -> list[float]:
    """Daily energies of a point in Wh, by whatever name."""
    span = ("--from", "2026-05-04", "--until", "2026-05-07", "--format", "json")
    code, out, _ = run(capsys, "energy", str(made), "--point", point, *span)
    assert code == 0
    return [line["energy_wh"] for line in json.loads(out)]


def test_history_goes_on_under_the_new_name(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Energies before and after in one line of days, found by the new name, the old one and the one before that."""
    made, path = filled(tmp_path)
    code, out, err = run(capsys, "rename", str(made), "--point", "q01", "--to", "bakery-ovens", *WHO)
    assert (code, err) == (0, "")
    assert "is now called bakery-ovens" in out
    later = [
        Reading("bakery-ovens" if r.point == "q01" else r.point, r.register, r.at_ms, r.value, r.received_ms)
        for r in readings(MAY + 2 * DAY, MAY + 3 * DAY)
    ]
    keep(made, path, later, MAY + 3 * DAY + 2 * MINUTE)
    days = [288 * 800.0] * 3
    assert [energy(capsys, made, name) for name in ("bakery-ovens", "q01", "oven-hall")] == [days] * 3
    store = SqliteStore.reader(path)
    assert {point for point, _ in store.channels()} == {"t1", "bakery-ovens", "q02", "roof"}
    (record,) = store.records.all("bakery-ovens")
    assert (record.kind, record.details, record.note) == (
        "rename", {"old": "q01", "new": "bakery-ovens"}, "as on the new drawing",
    )  # fmt: skip
    rows = store.balances("main", Period.DAY, MAY, MAY + 3 * DAY)
    store.close()
    assert [row.residual for row in rows] == [288 * 200_000] * 3


def test_corrections_of_the_old_name_hold_for_the_new_one(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """A correction goes with the point, and a new one on the old name finds it."""
    made, _ = filled(tmp_path)
    span = ("--from", text(MAY + 90 * MINUTE), "--to", text(MAY + 210 * MINUTE), "--factor", "2")
    why = ("--reason", "r", "--person", "Ada")
    assert run(capsys, "correct", str(made), "--point", "q01", *span, *why)[0] == 0
    assert run(capsys, "rename", str(made), "--point", "q01", "--to", "ovens", *WHO)[0] == 0
    assert energy(capsys, made, "ovens")[0] == 288 * 800.0 + 24 * 800
    assert run(capsys, "correct", str(made), "--point", "q01", *span, *why)[0] == 0
    assert energy(capsys, made, "ovens")[0] == 288 * 800.0 + 3 * 24 * 800
    listed = json.loads(run(capsys, "correct", str(made), "--list", "--format", "json")[1])
    assert [item["point"] for item in listed] == ["ovens", "ovens"]


def test_every_file_follows_and_nothing_else_changes(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Only cells with the name change; the topic of the meter stays what it is, also where it was written by {point}."""
    made = plan(tmp_path)
    assert run(capsys, "rename", str(made), "--point", "q01", "--to", "ovens", *WHO)[0] == 0
    expected = {
        "points.csv": FILES["points.csv"].replace("q01,main", "ovens,main").replace("oven-hall", "oven-hall q01"),
        "instruments.csv": FILES["instruments.csv"].replace("q01,", "ovens,"),
        "inputs.csv": FILES["inputs.csv"].replace("q01,1.8.0", "ovens,1.8.0").replace("{point}", "q01"),
    }
    assert {name: (made / name).read_text() for name in expected} == expected
    stored = {p.name: p.read_text() for p in (made / ".before").rglob("*.csv")}
    assert stored == {name: FILES[name] for name in expected}


def test_a_riser_keeps_what_hangs_below_it(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """[[repeat]] and rows of points below name it; the copies of the pattern are the same points as before."""
    folder = write(tmp_path / "plan", MILL)
    before = load_plan(folder).site
    assert run(capsys, "rename", str(folder), "--point", "q01", "--to", "riser-east", *WHO)[0] == 0
    after = load_plan(folder).site
    assert same(renamed(before, "q01", "riser-east"), after)
    assert after.point("room-02").below == "riser-east"
    assert (folder / "site.toml").read_text() == MILL["site.toml"].replace('below = "q01"', 'below = "riser-east"')


@pytest.mark.parametrize("point", ["joinery", "grid"])
def test_a_plan_in_one_file_is_renamed_too(point: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The alias goes into its table; a point read by a row for every point gets rows with its old topic."""
    copy = tmp_path / "small.toml"
    copy.write_bytes((CONFIG / "small.toml").read_bytes())
    before = load_plan(copy).site
    assert run(capsys, "rename", str(copy), "--point", point, "--to", "new-name", *WHO)[0] == 0
    after = load_plan(copy).site
    assert same(renamed(before, point, "new-name"), after)
    assert after.point("new-name").aliases == (point,)
    assert {meter_input.address for meter_input in after.inputs if meter_input.point == "new-name"} == {
        f"meters/{point}"
    }
    assert copy.read_text().startswith("# A whole plan in one file")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("q09", "x", "the plan has no point q09"),
        ("oven-hall", "x", "oven-hall is called q01 now"),
        ("q01", "Q 1", "point"),
        ("q01", "q02", "q02"),
        ("q01", "oven-hall", "oven-hall"),
        ("q01", "t-1", "t1"),
    ],
)
def test_a_name_that_cannot_be_is_refused(
    old: str, new: str, expected: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """In words, and no file is changed."""
    made = plan(tmp_path)
    code, _, err = run(capsys, "rename", str(made), "--point", old, "--to", new, *WHO)
    assert (code, expected in err) == (2, True), err
    assert {name: (made / name).read_text() for name in FILES} == FILES


def test_a_copy_of_a_pattern_keeps_its_name(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Its name is the drawing's."""
    folder = write(tmp_path / "plan", MILL)
    code, _, err = run(capsys, "rename", str(folder), "--point", "room-02", "--to", "corner", *WHO)
    assert (code, "is a copy of pattern room" in err) == (2, True)
