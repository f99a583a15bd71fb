"""Cost allocation: every line whole watt-hours and cents, nothing lost, nothing invented."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.plan import Allocation
from meterd.core.reports.cost_allocation import AllocationInputs, MeteredEnergy, Statement, allocate, sum_of, tenants_of

AREAS = (("Bakery", Fraction(300)), ("Cafe", Fraction(100)))
WH = 1000  # mWh


def given_of(pot: int, residual: int, **uses: int | None) -> AllocationInputs:
    """One month; energies in mWh, a tenant without figure is None."""
    counted = {
        name: MeteredEnergy(use, missing=() if use is not None else (f"{name}-meter",)) for name, use in uses.items()
    }
    return AllocationInputs("2026-03", MeteredEnergy(pot), MeteredEnergy(residual), counted)


def lines(made: Statement) -> dict[str, int]:
    """Wh by name, or kind where there is no name."""
    return {line.name or line.kind: line.wh for line in made.lines}


CASES = [
    # what, rule, expected of a pot of 100 Wh with a residual of 10 Wh, Bakery 60 and Cafe 20 Wh
    ("use 3:1", Allocation("a", basis="use"), {"Bakery": 68, "Cafe": 22, "residual": 10}),  # 67.5 and 22.5: tie by name
    ("area 3:1", Allocation("a", basis="area", areas=AREAS), {"Bakery": 68, "Cafe": 22, "residual": 10}),
    (
        "fixed 2:1",
        Allocation("a", basis="fixed", weights=(("Bakery", 2), ("Cafe", 1))),
        {"Bakery": 60, "Cafe": 30, "residual": 10},
    ),
    (
        "mixed 50/50 of use 3:1 and area 1:1",
        Allocation("a", basis="mixed", use_percent=50, areas=(("Bakery", Fraction(1)), ("Cafe", Fraction(1)))),
        {"Bakery": 56, "Cafe": 34, "residual": 10},  # 33.75 + 22.5 = 56.25; 11.25 + 22.5 = 33.75
    ),
    (
        "a tenant with an area and no meter",
        Allocation("a", basis="mixed", use_percent=50, areas=(("Bakery", Fraction(1)), ("Empty", Fraction(1)))),
        {"Bakery": 68, "Empty": 22, "residual": 10},  # 45 + 22.5; 0 + 22.5
    ),
    ("only the tenants that are named", Allocation("a", basis="use", tenants=("Cafe",)), {"Cafe": 90, "residual": 10}),
    ("nobody", Allocation("a", basis="use", tenants=("Empty",)), {"Empty": 0, "residual": 10, "undivided": 90}),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "expected"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_pot_is_divided_by_the_basis_and_the_residual_stands_alone(rule: Allocation, expected: dict[str, int]) -> None:
    """Worked by hand: 90 of 100 Wh are divided, the residual never is."""
    assert lines(allocate(rule, given_of(100 * WH, 10 * WH, Bakery=60 * WH, Cafe=20 * WH))) == expected


def test_hundred_among_three_is_34_33_33() -> None:
    """Largest remainder, ties by name (checks.md)."""
    rule = Allocation("a", basis="fixed", weights=(("c", 1), ("a", 1), ("b", 1)))
    assert lines(allocate(rule, given_of(100 * WH, 0))) == {"a": 34, "b": 33, "c": 33, "residual": 0}


def test_negative_residual_is_a_line_and_more_is_divided_than_came_in() -> None:
    """The feeders counted 10 Wh more than the feed: meters differ, and the statement shows it."""
    made = allocate(Allocation("a", basis="use"), given_of(100 * WH, -10 * WH, Bakery=1))
    assert lines(made) == {"Bakery": 110, "residual": -10}
    assert made.pot_mwh == 100 * WH


def test_missing_use_leaves_no_line_and_names_the_point() -> None:
    """A sum with a missing term is missing: nobody pays for a meter that was not read."""
    made = allocate(Allocation("a", basis="use"), given_of(100 * WH, 0, Bakery=60 * WH, Cafe=None))
    assert (made.lines, made.missing, made.pot_mwh) == ((), ("Cafe-meter",), None)


def test_missing_use_does_not_matter_where_it_is_not_asked_for() -> None:
    """By area nobody's meter is needed."""
    made = allocate(Allocation("a", basis="area", areas=AREAS), given_of(100 * WH, 0, Cafe=None))
    assert lines(made) == {"Bakery": 75, "Cafe": 25, "residual": 0}


def test_estimates_are_stated_on_the_lines_they_touch() -> None:
    """An estimated use marks its tenant, an estimated pot everybody."""
    rule = Allocation("a", basis="use")
    uses = {"Bakery": MeteredEnergy(60 * WH, estimated=True), "Cafe": MeteredEnergy(20 * WH)}
    made = allocate(rule, AllocationInputs("m", MeteredEnergy(100 * WH), MeteredEnergy(0), uses))
    assert {line.name: line.estimated for line in made.lines} == {"Bakery": True, "Cafe": False, "": False}
    assert made.estimated
    every = allocate(rule, AllocationInputs("m", MeteredEnergy(100 * WH, estimated=True), MeteredEnergy(0), uses))
    assert all(line.estimated for line in every.lines)


def test_cents_add_up_to_the_price_of_all_rounded_once() -> None:
    """Three times 0.333 is one cent less than 1.00: the first by name gets it."""
    rule = Allocation("a", basis="fixed", weights=(("a", 1), ("b", 1), ("c", 1)), price=Fraction(1, 3))
    made = allocate(rule, given_of(3_000 * WH, 0))  # 3 kWh at a third
    assert [line.cents for line in made.lines] == [34, 33, 33, 0]
    assert made.cents == 100


def test_export_of_a_tenant_is_not_a_negative_use() -> None:
    """Who gave more than it took has used nothing; the others share the whole."""
    assert lines(allocate(Allocation("a", basis="use"), given_of(10 * WH, 0, Bakery=-5 * WH, Cafe=WH))) == {
        "Bakery": 0, "Cafe": 10, "residual": 0,
    }  # fmt: skip


def test_year_is_the_sum_of_its_months_and_missing_with_one() -> None:
    """Line by line; whole watt-hours that gather below the lines stay in the rest."""
    rule = Allocation("a", basis="use", price=Fraction(1, 4))
    months = [allocate(rule, given_of(100_700, 10_000, Bakery=3 * WH, Cafe=WH)) for _ in range(12)]
    year = sum_of(months, "2026")
    assert lines(year) == {name: 12 * wh for name, wh in lines(months[0]).items()}
    assert year.pot_mwh == 12 * 100_700
    assert year.cents == 12 * (months[0].cents or 0)
    broken = sum_of([*months[:11], allocate(rule, given_of(1, 0, Cafe=None))], "2026")
    assert (broken.lines, broken.missing) == ((), ("Cafe-meter (2026-03)",))


def test_tenants_come_from_the_figures_of_the_basis() -> None:
    """A wish first, else who has an area or a weight, else who is metered; in order of name."""
    assert tenants_of(Allocation("a", basis="area", areas=AREAS[::-1]), ("Shop",)) == ("Bakery", "Cafe")
    assert tenants_of(Allocation("a", basis="use"), ("Shop", "Bar", "Shop")) == ("Bar", "Shop")


@given(
    st.sampled_from(("use", "area", "fixed", "mixed")),
    st.integers(0, 100),
    st.integers(-(10**12), 10**12),
    st.integers(-(10**12), 10**12),
    st.lists(st.tuples(st.integers(-(10**6), 10**12), st.integers(1, 10**6)), min_size=1, max_size=6),
)
def test_nothing_is_lost_whatever_comes(
    basis: str, percent: int, pot: int, residual: int, tenants: list[tuple[int, int]]
) -> None:
    """Lines and rest are the pot to the milliwatt-hour, cents are the price of all lines to half a cent."""
    names = [f"t{i}" for i in range(len(tenants))]
    rule = Allocation(
        "a",
        basis=basis,
        use_percent=percent,
        areas=tuple((name, Fraction(area, 7)) for name, (_, area) in zip(names, tenants, strict=True)),
        weights=tuple((name, area) for name, (_, area) in zip(names, tenants, strict=True)),
        price=Fraction(2431, 10_000),
    )
    uses = {name: MeteredEnergy(use) for name, (use, _) in zip(names, tenants, strict=True)}
    made = allocate(rule, AllocationInputs("m", MeteredEnergy(pot), MeteredEnergy(residual), uses))
    assert made.pot_mwh == pot
    assert 0 <= made.rest_mwh < 1000
    assert sum(line.cents or 0 for line in made.lines) == made.cents
    assert abs(Fraction(made.cents or 0) - made.wh * Fraction(2431, 10_000) / 10) <= Fraction(1, 2)
    assert all(line.wh >= 0 for line in made.lines if line.kind == "tenant")
    assert made == allocate(
        rule, AllocationInputs("m", MeteredEnergy(pot), MeteredEnergy(residual), dict(reversed(uses.items())))
    )
