"""Values become whole milli-units with one rounding, or are refused."""

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.model.reading import LARGEST_MILLI, REGISTERS, UNITS, milli


@given(st.floats(-1e12, 1e12), st.sampled_from([1.0, 1e3, 1e6, 0.1, 0.001]))
def test_milli_is_within_half_a_milli_unit_of_the_exact_value(value: float, scale: float) -> None:
    """Against exact fractions of what was given: one rounding, and the one unit in the last place of the product."""
    if abs(value * scale * 1000) > LARGEST_MILLI:
        with pytest.raises(ValueError, match="2\\^53"):
            milli(value, scale)
        return
    exact = Fraction(value) * Fraction(scale * 1000)
    assert abs(milli(value, scale) - exact) <= Fraction(1, 2) + abs(exact) / 2**53


@given(st.integers(-(10**12), 10**12))
def test_shown_decimals_come_back_exactly(thousandths: int) -> None:
    """A meter that shows three decimals gives exactly its milli-units, as the total grows to a terawatt-hour."""
    assert milli(thousandths / 1000, 1.0) == thousandths
    assert milli(float(f"{thousandths / 1000:.3f}"), 1.0) == thousandths


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 1e300, 2.0**53])
def test_no_number_is_refused(value: float) -> None:
    """E5 of the rules of numbers: no NaN, no infinity, nothing beyond the exact range."""
    with pytest.raises(ValueError, match="outside the exact range"):
        milli(value, 1.0)


@pytest.mark.parametrize(("value", "expected"), [(0.0005, 0), (0.0015, 2), (-0.0005, 0), (0.0025, 2)])
def test_halves_go_to_the_even_neighbour(value: float, expected: int) -> None:
    """IEC 60559, round half to even: no bias builds up."""
    assert milli(value, 1.0) == expected


def test_registers_and_units_fit_each_other() -> None:
    """IEC 62056-6-1: value groups C.D.E; energy counts, everything else shows a present value."""
    for obis, kind in REGISTERS.items():
        assert kind.obis == obis
        assert kind.cumulative is kind.unit.endswith("h")
        assert kind.unit in UNITS
    names = [kind.name for kind in REGISTERS.values()]
    assert len(set(names)) == len(names), "names are topics"
    for bases, factor in UNITS.values():
        assert factor > 0
        assert {kind.unit for kind in REGISTERS.values()} >= set(bases)
