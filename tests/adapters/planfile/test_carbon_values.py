"""The emission factor as a column of values by time: read from a file beside the plan, refused with its place."""

from fractions import Fraction
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.app.daemon.plan_reload import marks
from tests.adapters.planfile.checks.test_tariff import SITE

ROW = '[[tariff]]\nname = "grid"\nkind = "carbon"\nvalues = "carbon.csv"\n'
GOOD = "time;g_per_kwh\n2026-03-01T00:00:00Z;412.5\n2026-03-01T01:00:00Z;90\n"


def plan(folder: Path, file: str | None = GOOD, row: str = ROW) -> Path:
    """A plan folder with a column of values."""
    (folder / "site.toml").write_text(SITE + row, encoding="utf-8")
    if file is not None:
        (folder / "carbon.csv").write_text(file, encoding="utf-8")
    return folder


def test_each_value_holds_until_the_next_and_the_last_as_long(tmp_path: Path) -> None:
    """Exactly as written, and a gap behind it; the file is one of the plan, so a change of it is seen."""
    path = plan(tmp_path)
    loaded = load_plan(path)
    (price,) = loaded.site.tariff
    first = 1_772_323_200_000
    assert price.values == ((first, Fraction(825, 2)), (first + 3_600_000, Fraction(90)), (first + 7_200_000, None))
    assert not [fault for fault in loaded.warnings if fault.file == "carbon.csv"]
    before = marks(path)
    (tmp_path / "carbon.csv").write_text(GOOD + "2026-03-01T02:00:00Z;100.25\n")
    assert marks(path) != before
    assert load_plan(path).fingerprint != loaded.fingerprint


@pytest.mark.parametrize(
    ("file", "row", "text"),
    [
        (None, ROW, "site.toml:13:1: carbon.csv with the values of grid is no file beside the plan"),
        ("time,g_per_kwh\n2026-03-01,1\n", ROW, "carbon.csv: a column of values needs two rows at least"),
        ("time,g_per_kwh\n2026-03-02,1\n2026-03-01,2\n", ROW, "carbon.csv:3:1: the time is not after the one above it"),
        ("time,g_per_kwh\n2026-03-01,-1\n2026-03-02,2\n", ROW, "carbon.csv:2:12: g_per_kwh: -1 is less than 0"),
        ("time,g_per_kwh\nyesterday,1\n2026-03-02,2\n", ROW, "carbon.csv:2:1"),
        ("when,grams\n2026-03-01,1\n", ROW, "the line with the names of the columns is missing"),
        (GOOD, ROW + "price = 380\n", "grid has a price and values; leave one of them out"),
        (
            GOOD,
            ROW.replace('carbon"\nvalues', 'import"\nvalues'),
            "values of grid does nothing for a price of kind import",
        ),
        (GOOD, ROW + "up_to_kwh = 10\n", "up_to_kwh does nothing beside values"),
        (GOOD, ROW.replace('"carbon.csv"', '"../carbon.csv"'), "is no file beside the plan"),
        (GOOD, ROW.replace('values = "carbon.csv"\n', ""), "price is missing; write the price"),
    ],
    ids=[
        "no file",
        "one row",
        "unsorted",
        "below zero",
        "no time",
        "no columns",
        "both",
        "kind",
        "tier",
        "path",
        "none",
    ],
)
def test_what_cannot_be_meant_is_refused_where_it_stands(tmp_path: Path, file: str | None, row: str, text: str) -> None:
    """Each with its place and what would be right."""
    with pytest.raises(PlanError) as reported:
        load_plan(plan(tmp_path, file, row))
    assert text in str(reported.value)
