"""One rule says when two names are the same."""

import pytest

from meterd.adapters.planfile import name_rules as names
from meterd.core.model.names import sameness, spelled


@pytest.mark.parametrize(
    ("item", "other", "same"),
    [
        ("studio-01", "Studio_1", True),
        ("studio-01", "studio-10", False),
        ("q007", "Q7", True),
        ("q700", "q7", False),
        ("=E1-Q11", "e1.q11", True),
        ("hm-1000", "HM1000", True),
        ("0", "00", True),
    ],
)
def test_case_separators_and_leading_zeros_make_no_difference(item: str, other: str, same: bool) -> None:
    """Zeros inside or at the end of a number do."""
    assert (sameness(item) == sameness(other)) is same


def test_the_plan_compares_names_by_the_same_rule() -> None:
    """There is one function, not two that may drift apart."""
    assert names.sameness is sameness


@pytest.mark.parametrize(
    ("written", "asked"),
    [
        ("Büro 02", "buero-2"),
        ("Café", "cafe"),
        ("Straße 7", "strasse 07"),
        ("Żółw", "zow"),
        ("Bakery, ovens", "BAKERY OVENS"),
    ],
)
def test_accents_and_umlauts_are_spelled_out(written: str, asked: str) -> None:
    """A person without these keys finds the place all the same."""
    assert spelled(written) == spelled(asked)
