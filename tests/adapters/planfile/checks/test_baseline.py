"""[[baseline]] and the outdoor temperatures: what is written becomes periods and days, and what cannot be meant is refused."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.edit import PlanFiles
from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.adapters.planfile.renaming import rename, renamed
from meterd.core.model.plan import BaselinePeriod
from meterd.core.texts.plan_diff import change
from tests.adapters.planfile.checks.test_tariff import SITE

DAY_MS = 86_400_000
MARCH = 1_772_319_600_000  # 2026-02-28T23:00Z: 1 March in Vienna
ROW = '[[baseline]]\npoint = "q01"\nfrom = "2026-03-01"\nuntil = "2026-03-03"\nreason = "new lamps"\n'
OUTDOOR = "day,outdoor_c\n2026-03-01,-4.5\n2026-03-02,11\n"
WARM = SITE.replace('zone = "Europe/Vienna"', 'zone = "Europe/Vienna", temperature = "outdoor.csv"')


def plan(folder: Path, row: str = ROW, site: str = SITE, outdoor: str | None = None) -> Path:
    """A plan folder."""
    (folder / "site.toml").write_text(site + row, encoding="utf-8")
    if outdoor is not None:
        (folder / "outdoor.csv").write_text(outdoor, encoding="utf-8")
    return folder


def test_periods_are_local_days_and_names_follow_the_plan(tmp_path: Path) -> None:
    """The saving counts from the end of the baseline, or from a later day; a point, a board and the site have names."""
    later = ROW.replace("q01", "main") + 'reporting_from = "2026-03-05"\n'
    site = load_plan(plan(tmp_path, ROW + later + ROW.replace("q01", "mill"))).site
    until = MARCH + 2 * DAY_MS
    assert site.baselines == (
        BaselinePeriod("q01", MARCH, until, until, "new lamps"),
        BaselinePeriod("main", MARCH, until, MARCH + 4 * DAY_MS, "new lamps"),
        BaselinePeriod("mill", MARCH, until, until, "new lamps"),
    )


def test_temperatures_belong_to_their_local_days(tmp_path: Path) -> None:
    """The file is one of the plan: no warning, another fingerprint after a change of it, named among the changes."""
    before = load_plan(plan(tmp_path, site=WARM, outdoor=OUTDOOR))
    assert before.site.outdoor_c == ((MARCH, -4.5), (MARCH + DAY_MS, 11.0))
    assert before.warnings == ()
    after = load_plan(plan(tmp_path, row="", site=WARM, outdoor=OUTDOOR + "2026-03-03,12\n"))
    assert after.fingerprint != before.fingerprint
    assert change(before.site, after.site) == "baselines removed: q01; outdoor temperatures changed"


def test_a_renamed_point_keeps_its_baseline(tmp_path: Path) -> None:
    """In the file and in what it means."""
    old = load_plan(plan(tmp_path)).site
    files = PlanFiles(tmp_path)
    rename(files, old, "q01", "lamps")
    (tmp_path / "site.toml").write_text(files.texts["site.toml"], encoding="utf-8")
    new = load_plan(tmp_path).site
    assert [row.name for row in new.baselines] == ["lamps"]
    assert new.baselines == renamed(old, "q01", "lamps").baselines


@pytest.mark.parametrize(
    ("row", "outdoor", "text"),
    [
        (ROW.replace("q01", "q02"), OUTDOOR, "baseline of q02: there is no point, board or site of that name"),
        (ROW.replace("2026-03-03", "2026-03-01"), OUTDOOR, "baseline of q01 ends before it begins"),
        (ROW + 'reporting_from = "2026-03-02"\n', OUTDOOR, "reporting_from of q01 lies in its own baseline"),
        (ROW.replace('reason = "new lamps"\n', ""), OUTDOOR, "reason is missing"),
        (ROW.replace('until = "2026-03-03"\n', ""), OUTDOOR, "until is missing"),
        (ROW, None, "outdoor.csv with the outdoor temperatures is no file beside the plan"),
        (ROW, OUTDOOR + "2026-03-02,3\n", "outdoor.csv:4:1: the day is not after the one above it"),
        (ROW, OUTDOOR + "2026-03-03,72\n", "outdoor_c: 72 is no mean temperature of a day; write degrees Celsius"),
        (ROW, OUTDOOR + "2026-03-03,cold\n", "outdoor.csv:4:12"),
    ],
    ids=["no such name", "empty", "inside", "no reason", "no end", "no file", "twice", "fahrenheit", "no number"],
)
def test_what_cannot_be_meant_is_refused_where_it_stands(
    tmp_path: Path, row: str, outdoor: str | None, text: str
) -> None:
    """Each fault with its place and what would be right."""
    with pytest.raises(PlanError) as reported:
        load_plan(plan(tmp_path, row, WARM, outdoor))
    assert text in str(reported.value)
