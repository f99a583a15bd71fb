"""[[tariff]]: what is written becomes prices, and what cannot be meant is refused where it stands."""

from fractions import Fraction
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.plan import Site
from meterd.core.model.tariff import Division, PriceKind, Times

SITE = """\
site = { name = "mill", zone = "Europe/Vienna" }
board = [{ name = "main", rating_kva = 400 }]
source = [{ name = "meters" }]
point = [{ point = "t1", role = "feed" }, { point = "q01" }]
instrument = [{ point = "*", meter_class = "B" }]
[[input]]
point = "*"
address = "m/{point}"
fields = { "1.8.0" = "/import" }
"""


def loaded(folder: Path, *rows: str) -> Site:
    """The plan with these rows of the tariff."""
    path = folder / "mill.toml"
    path.write_text(SITE + "".join(f"[[tariff]]\n{row}\n" for row in rows), encoding="utf-8")
    return load_plan(path).site


def faults(folder: Path, *rows: str) -> str:
    """What is said of these rows."""
    with pytest.raises(PlanError) as reported:
        loaded(folder, *rows)
    return str(reported.value)


def test_a_row_becomes_a_price_exactly_as_written(tmp_path: Path) -> None:
    """Decimal prices stay exact; dates are local midnights; hours and months are read."""
    row = 'name = "day"\nkind = "import"\nprice = 0.09444\nmonths = "10-4"\ntimes = "mon-fri 08:00-20:00"\nfrom = 2026-07-01'
    (price,) = loaded(tmp_path, row).tariff
    assert (price.kind, price.price, price.per) == (PriceKind.IMPORT, Fraction(9444, 100_000), "month")
    assert price.months == {10, 11, 12, 1, 2, 3, 4}
    assert price.times == (Times(frozenset(range(5)), 480, 1200),)
    assert price.from_ms == 1_782_856_800_000  # 2026-06-30T22:00Z


def test_a_tariff_file_stands_behind_the_rows_of_the_plan_and_is_told_apart(tmp_path: Path) -> None:
    """By what it says, not how it is written; with the moment from which its last price holds."""
    file, plan = tmp_path / "north.toml", tmp_path / "mill.toml"
    own = '[[tariff]]\nname = "own"\nkind = "fixed"\nprice = 9\n'
    plan.write_text(SITE.replace("zone = ", 'tariff = "north.toml", zone = ') + own, encoding="utf-8")
    row = '[[tariff]]\nname = "day"\nkind = "import"\nprice = 0.2\nfrom = 2026-07-01\n'
    file.write_text(row, encoding="utf-8")
    site = load_plan(plan).site
    assert [price.name for price in site.tariff] == ["own", "day"]
    (part,) = site.files
    assert (part.name, part.newest_ms) == ("north.toml", 1_782_856_800_000)
    file.write_text(f"# the same\r\n{row}", encoding="utf-8")
    assert load_plan(plan).site.files == site.files
    file.write_text(row.replace("0.2", "0.3"), encoding="utf-8")
    assert load_plan(plan).site.files != site.files
    for text, message in (
        ("", "north.toml: the file has no [[tariff]]"),
        (row + "[site]\n", "unknown table or key 'site'"),
        (row.replace("import", "imported"), "north.toml:3:1"),
        (row + row, "two lines of the tariff have the name 'day'"),
    ):
        file.write_text(text, encoding="utf-8")
        with pytest.raises(PlanError) as reported:
            load_plan(plan)
        assert message in str(reported.value)
    file.unlink()
    with pytest.raises(PlanError, match=r"north\.toml with the tariff is no file beside the plan; name a file in"):
        load_plan(plan)


def test_demand_is_divided_by_peak_and_fixed_by_energy_unless_the_plan_says_else(tmp_path: Path) -> None:
    """A price of a kWh is not divided at all."""
    kinds = {"demand": "peak", "fixed": "energy", "import": "none"}
    prices = loaded(tmp_path, *(f'name = "{kind}"\nkind = "{kind}"\nprice = 1' for kind in kinds)).tariff
    assert [price.division for price in prices] == list(kinds.values())
    (price,) = loaded(tmp_path, 'name = "a"\nkind = "demand"\nprice = 1\ndivide = "none"').tariff
    assert price.division is Division.NONE


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        (['name = "a"\nkind = "imports"\nprice = 1'], "kind of price 'imports' is not known"),
        (['name = "a"\nkind = "import"\nprice = "1"'], "write it without quotes"),
        (['name = "a"\nkind = "import"'], "price"),
        (['name = "a"\nkind = "import"\nprice = 1\nmonths = "may"'], 'write "5-9", or "10-4"'),
        (['name = "a"\nkind = "import"\nprice = 1\ntimes = "8-20"'], 'write "mon-fri 08:00-20:00'),
        (['name = "a"\nkind = "demand"\nprice = 1\ndivide = "equal"'], "divide 'equal' is not known"),
        (['name = "a"\nkind = "import"\nprice = 1\ndivide = "energy"'], "divide of a does nothing for a price of kind"),
        (['name = "a"\nkind = "fixed"\nprice = 1\ndivide = "peak"'], 'write "energy" or "none"'),
        (
            ['name = "a"\nkind = "fixed"\nprice = 1\ntimes = "08:00-20:00"'],
            "times of a does nothing for a price of kind fixed",
        ),
        (['name = "a"\nkind = "import"\nprice = 1\nabove_kwh = 9\nup_to_kwh = 9'], "a counts nothing"),
        (['name = "a"\nkind = "demand"\nprice = 1\nleast_share = 65'], "write a part of 1"),
        (['name = "a"\nkind = "demand"\nprice = 1\nuse_hours_from = 2500'], 'write per = "year"'),
        (
            ['name = "a"\nkind = "import"\nprice = 1', 'name = "a"\nkind = "import"\nprice = 2'],
            "two lines of the tariff",
        ),
        (
            ['name = "a"\nkind = "import"\nprice = 1', 'name = "b"\nkind = "fixed"\nprice = 2\ncurrency = "CHF"'],
            "b is in CHF and the first line in EUR",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path: Path, rows: list[str], text: str) -> None:
    """With what would be right, and the line of the file."""
    reported = faults(tmp_path, *rows)
    assert text in reported
    assert "mill.toml" in reported


def test_a_price_and_its_follower_bear_one_name(tmp_path: Path) -> None:
    """The old one ends where the new one begins."""
    rows = (
        'name = "a"\nkind = "import"\nprice = 1\nuntil = 2026-07-01',
        'name = "a"\nkind = "import"\nprice = 2\nfrom = 2026-07-01',
    )
    old, new = loaded(tmp_path, *rows).tariff
    assert old.until_ms == new.from_ms
