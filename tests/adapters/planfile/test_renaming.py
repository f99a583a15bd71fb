"""A point gets a new name in every file of a plan, and nothing else changes."""

from pathlib import Path

from meterd.adapters.planfile.edit import PlanFiles
from meterd.adapters.planfile.renaming import rename, renamed, same
from tests.example_plans import example

CONFIG = Path(__file__).parents[3] / "config"


def test_every_point_of_the_example_can_be_renamed(tmp_path: Path) -> None:
    """Each change of Harrow Mill means the same site with one name changed, or is refused in words."""
    site = example("harrow-mill")
    for point in ("t1", "riser-east", "cold-store", "bakery-proving", "pv-hall"):
        files = PlanFiles(CONFIG / "harrow-mill")
        rename(files, site, point, "quite-new")
        before, after = files.check()
        assert same(renamed(before.site, point, "quite-new"), after.site), point
