"""[[allocation]] in a plan: every fault with its place and what would be right."""

from fractions import Fraction
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import Plan, PlanError, load_plan
from tests.plans import FILES, write

SOUND = """
[[allocation]]
name = "house"
board = "north"
basis = "mixed"
use_percent = 60
areas = { Bakery = 320.5, Shop = 80 }
price = 0.2431
"""


def load(tmp_path: Path, allocation: str) -> Plan:
    """The plan with a tenant and an allocation."""
    points = (
        FILES["points.csv"]
        .replace(",aliases\n", ",aliases,tenant\n")
        .replace("q02,south,feeder,,Bakery,live,,,", "q02,south,feeder,,Bakery,live,,,,Bakery")
    )
    return load_plan(write(tmp_path, {**FILES, "points.csv": points, "site.toml": FILES["site.toml"] + allocation}))  # fmt: skip


def test_allocation_keeps_areas_and_price_exactly(tmp_path: Path) -> None:
    """A price is no binary fraction, an area neither; the order is that of the plan."""
    (allocation,) = load(tmp_path, SOUND).site.allocations
    assert (allocation.name, allocation.board, allocation.basis, allocation.use_percent, allocation.per) == (
        "house",
        "north",
        "mixed",
        60,
        "month",
    )
    assert allocation.areas == (("Bakery", Fraction(641, 2)), ("Shop", Fraction(80)))
    assert allocation.price == Fraction(2431, 10_000)


def test_a_price_by_the_tariff_has_its_currency(tmp_path: Path) -> None:
    """The word instead of a number."""
    tariff = '[[tariff]]\nname = "a"\nkind = "import"\nprice = 1\ncurrency = "CHF"\n'
    (allocation,) = load(tmp_path, SOUND.replace("price = 0.2431", 'price = "tariff"') + tariff).site.allocations
    assert (allocation.price, allocation.currency) == ("tariff", "CHF")


def test_tenant_without_a_point_is_a_warning(tmp_path: Path) -> None:
    """An empty flat has an area and no meter; a slip of the pen has a near name."""
    results = [str(fault) for fault in load(tmp_path, SOUND.replace("Shop", "Bakerry")).warnings]
    assert any("no point has the tenant Bakerry" in text and "did you mean Bakery?" in text for text in results)


def test_another_allocation_is_another_plan(tmp_path: Path) -> None:
    """The revision on the documents follows the price."""
    first = load(tmp_path / "a", SOUND).fingerprint
    assert first != load(tmp_path / "b", SOUND.replace("0.2431", "0.2432")).fingerprint


FAULTS = [
    ('board = "north"\n', "", "allocation house divides nothing; write board, or points, and not both"),
    ('board = "north"\n', 'board = "north"\npoints = "q01"\n', "allocation house divides a board and points"),
    ('board = "north"', 'board = "nord"', "board nord of allocation house does not exist; did you mean north?"),
    ('board = "north"', 'points = "q1"', "point q1 of allocation house does not exist; did you mean q01?"),
    ('board = "north"', 'points = "q01 room-02"', "point room-02 of allocation house is counted in q01 already"),
    ('board = "north"', 'points = "q02 q02"', "point q02 of allocation house is counted in q02 already"),
    ("areas = { Bakery = 320.5, Shop = 80 }\n", "", "basis mixed of allocation house has no areas"),
    (
        '"mixed"\nuse_percent = 60\nareas = { Bakery = 320.5, Shop = 80 }',
        '"fixed"',
        "basis fixed of allocation house has no weights",
    ),
    ('basis = "mixed"', 'basis = "use"', "areas are not used by basis use; leave out areas"),
    ('basis = "mixed"', 'basis = "flat"', "basis:"),
    ("Shop = 80", "Shop = 0", "the area of Shop is not above zero"),
    ("use_percent = 60", "use_percent = 101", "101 % is more than 100 %"),
    ("price = 0.2431", "price = -1", "-1 is not above zero"),
    ("price = 0.2431", 'price = "cheap"', "'cheap' is no price; write a price per kWh such as 0.2431, or \"tariff\""),
    ("price = 0.2431", 'price = "tariff"', "is priced by the tariff, and the plan has no price of kind import"),
    (
        "price = 0.2431\n",
        'price = "tariff"\ncurrency = "EUR"\n[[tariff]]\nname = "a"\nkind = "import"\nprice = 1\ncurrency = "CHF"\n',
        "allocation house is in EUR and the tariff in CHF; leave currency out",
    ),
    ("price = 0.2431", "prize = 1", "unknown key 'prize'; did you mean price?"),
    ("price = 0.2431", 'tenants = "Bakery"', "is not a list"),
    ("use_percent = 60\nareas = { Bakery = 320.5, Shop = 80 }", "areas = 5", "is not a table"),
]


@pytest.mark.parametrize(("old", "new", "says"), FAULTS, ids=[case[2][:40] for case in FAULTS])
def test_fault_says_what_is_wrong_and_what_would_be_right(tmp_path: Path, old: str, new: str, says: str) -> None:
    """One thing broken, one fault, in site.toml with its line."""
    assert SOUND.count(old) == 1
    with pytest.raises(PlanError) as raised:
        load(tmp_path, SOUND.replace(old, new))
    (fault,) = raised.value.faults
    assert says in str(fault)
    assert str(fault).startswith("site.toml:")


def test_names_differ_in_more_than_case_and_zeros(tmp_path: Path) -> None:
    """Two statements of one name could not be distinguished."""
    with pytest.raises(PlanError, match="allocation house is too like house; choose another name"):
        load(tmp_path, SOUND + SOUND)


def test_weights_of_zero_divide_nothing(tmp_path: Path) -> None:
    """All zero is a slip."""
    broken = SOUND.replace('"mixed"', '"fixed"').replace(
        "areas = { Bakery = 320.5, Shop = 80 }", "weights = { Bakery = 0 }"
    )
    with pytest.raises(PlanError, match="all weights of allocation house are zero"):
        load(tmp_path, broken)
