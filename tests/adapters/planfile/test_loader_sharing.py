"""[sharing] of a plan: how the surplus is shared, every setting with its default, every fault with its place."""

from dataclasses import fields
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.plan import Sharing
from tests.plans import FILES, write

PLAN = {
    **FILES,
    "points.csv": FILES["points.csv"]
    .replace("aliases\n", "aliases,tenant\n")
    .replace("Bakery,live,,,\n", "Bakery,live,,,,baker\n")
    + "pv,south,pv,,Roof,live,,,,\n",
}


def load(folder: Path, sharing: str, **files: str) -> Sharing:
    """The sharing of a plan with this table."""
    write(folder, {**PLAN, **files, "site.toml": FILES["site.toml"].replace("[[repeat]]", f"{sharing}\n[[repeat]]", 1)})
    return load_plan(folder).site.sharing


def test_without_a_table_nothing_is_shared(tmp_path: Path) -> None:
    """Nothing acts on a plant before it is asked to: the default mode is off."""
    assert load(tmp_path, "") == Sharing()
    assert Sharing().mode == "off"


def test_every_setting_is_read(tmp_path: Path) -> None:
    """A table with settings of each kind."""
    text = (
        '[sharing]\nmode = "shadow"\nreserve_w = 1_000\nramp_w_per_s = 0\ndelay_samples = 0\noverdraw_part = 0.2\n'
        'key = "static"\nkeys = { baker = 30 }'
    )
    expected = Sharing(
        mode="shadow", reserve_w=1000, delay_samples=0, overdraw_part=0.2, key="static", keys=(("baker", 30),)
    )
    assert load(tmp_path, text) == expected


@pytest.mark.parametrize(
    ("text", "what", "right"),
    [
        ('mode = "yes"', "'yes'", "shadow"),
        ("sample_s = 0", "less than 1", "1 or more"),
        ("reserve_w = -1", "less than 0", "0 or more"),
        ("reserv_w = 1", "unknown key 'reserv_w'", "reserve_w?"),
        ('key = "fair"', "'fair'", "pro-rata"),
        ('key = "static"', "key static has no weights", 'keys = { "baker" = 1 }'),
        ('key = "static"\nkeys = { bakr = 1 }', "no point has the tenant bakr", "baker"),
        ("keys = { baker = -1 }", "below zero", "0 or more"),
        ("keys = 3", "3 is not a table", "bakery = 50"),
        ("overdraw_part = 0", "not above zero", "above zero"),
    ],
)
def test_faults_name_place_and_remedy(tmp_path: Path, text: str, what: str, right: str) -> None:
    """What is wrong, where, and what would be right."""
    with pytest.raises(PlanError) as caught:
        load(tmp_path, f"[sharing]\n{text}")
    assert len(caught.value.faults) == 1
    fault = caught.value.faults[0]
    assert fault.file == "site.toml"
    assert fault.line in (12, 13)
    assert what in fault.what
    assert right in fault.right


def test_sharing_needs_somebody_to_share_with(tmp_path: Path) -> None:
    """Mode on without PV is refused: there would never be a surplus."""
    points = PLAN["points.csv"].replace("pv,south,pv,,Roof,live,,,,\n", "")
    with pytest.raises(PlanError) as caught:
        load(tmp_path, '[sharing]\nmode = "on"', **{"points.csv": points})
    assert "mode on, but the plan has no PV" in caught.value.faults[0].what


def test_a_consumer_may_share_its_point_with_other_loads(tmp_path: Path) -> None:
    """`alone = false`: its draw is then not taken from the point."""
    consumers = (
        FILES["consumers.csv"].replace("fallback_w\n", "fallback_w,alone\n").replace("60,60,0\n", "60,60,0,false\n")
    )
    load(tmp_path, "", **{"consumers.csv": consumers})
    oven = next(c for c in load_plan(tmp_path).site.consumers if c.name == "oven")
    assert not oven.alone


def test_readme_names_every_setting() -> None:
    """Each setting stands in the table of config/README.md with its default."""
    text = (Path(__file__).parents[3] / "config" / "README.md").read_text(encoding="utf-8")
    table = text.split("## Sharing\n")[1].split("\n## ")[0]
    for setting in fields(Sharing):
        lines = [line for line in table.splitlines() if line.startswith("|")]
        row = [line for line in lines if f"`{setting.name}`" in line.split("|")[1]]
        assert len(row) == 1, setting.name
        shown = setting.default if setting.default != () else "none"
        assert str(shown) in row[0].split("|")[3]


def test_plenty_is_more_than_some(tmp_path: Path) -> None:
    """The words for the surplus need two thresholds; the fault says where and what would be right."""
    path = tmp_path / "small.toml"
    small = (Path(__file__).parents[3] / "config" / "small.toml").read_text(encoding="utf-8")
    path.write_text(small.replace("limits = { ", "limits = { surplus_plenty_w = 800, ", 1), encoding="utf-8")
    with pytest.raises(PlanError, match=r"small\.toml:5:12: a surplus of 800 W cannot be plenty where 1000 W are some"):
        load_plan(path)
