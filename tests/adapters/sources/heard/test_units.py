"""A unit that is not named follows from the other numbers of the meter, else from the look of the number."""

import pytest

from meterd.adapters.sources.heard.units import HeardSeries, unit_of

MINUTE_MS = 60_000


def rising(per_hour: float, unit: str = "", *, start: float = 1000.0) -> HeardSeries:
    return HeardSeries("1.8.0", start, start + per_hour / 60, MINUTE_MS, unit)


def still(register: str, value: float, unit: str = "") -> HeardSeries:
    return HeardSeries(register, value, value, MINUTE_MS, unit)


@pytest.mark.parametrize(
    ("series", "others", "unit", "text"),
    [
        (rising(12.0), [still("16.7.0", 11_500.0, "W")], "kWh", "it rises by 12 kWh per hour while the power is 1.15e+04 W"),
        (rising(12_000.0), [still("16.7.0", 11.5, "kW")], "Wh", "it rises by 1.2e+04 Wh per hour"),
        (rising(12.0), [still("16.7.0", 11_500.0)], "kWh", "the power is 1,000 times"),
        (rising(50_000.0), [], "Wh", "in kWh it would rise by 5e+04 per hour"),
        (still("2.8.0", 7.0), [rising(12.0, "Wh")], "Wh", "as the other energy of this meter"),
        (still("1.8.0", 12.5), [], "kWh", "because the number has decimals"),
        (still("1.8.0", 12_345_678.0), [], "Wh", "because the number is large and whole"),
        (still("1.8.0", 1234.0), [], "kWh", "compare with the display"),
        (still("1.8.0", 1234.0, "MWh"), [], "MWh", ""),
        (still("16.7.0", 6500.0), [still("32.7.0", 230.0), still("31.7.0", 10.0), still("52.7.0", 230.0),
         still("51.7.0", 10.0), still("72.7.0", 230.0), still("71.7.0", 10.0)], "W", "0.94 of voltage times current"),
        (still("16.7.0", 6.5), [still("32.7.0", 230.0), still("31.7.0", 10.0), still("52.7.0", 230.0),
         still("51.7.0", 10.0), still("72.7.0", 230.0), still("71.7.0", 10.0)], "kW", "0.94 of voltage times current in kW"),
        (still("16.7.0", 6.5), [rising(6.0, "kWh")], "kW", "the energy rises by 6000 Wh per hour"),
        (still("16.7.0", 6500.0), [rising(6.0)], "W", "1,000 times what the energy rises"),
        (still("16.7.0", 6.512), [], "kW", "3 decimals"),
        (still("16.7.0", 6512.0), [], "W", "compare with the display"),
        (still("131.7.0", 512.0), [], "var", "compare with the display"),
        (still("32.7.0", 0.2301), [], "kV", "a voltage in kV"),
        (still("31.7.0", 12.0), [], "A", "a current in A"),
        (still("14.7.0", 50_010.0), [], "mHz", "a frequency in mHz"),
        (still("13.7.0", 98.0), [], "%", "a power factor in %"),
    ],
)  # fmt: skip
def test_unit(series: HeardSeries, others: list[HeardSeries], unit: str, text: str) -> None:
    guess = unit_of(series, {other.register: other for other in (*others, series)})
    assert guess.unit == unit
    assert text in guess.words
    assert bool(text) == bool(guess.words)


def test_a_guess_by_the_look_of_a_number_is_not_sure() -> None:
    """It must not decide the unit of another number."""
    assert not unit_of(still("1.8.0", 12.5), {}).sure
    assert unit_of(rising(12.0), {"16.7.0": still("16.7.0", 12_000.0, "W")}).sure
