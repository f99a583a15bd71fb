"""A forecast as a value: its courses by quantity, and what they come to in the next hours."""

from meterd.core.model.forecast import Course, Quantity, SiteForecast

QUARTER_MS = 900_000


def forecast(*watts: int | None) -> SiteForecast:
    """Of the load alone."""
    values = tuple(watts)
    return SiteForecast(0, QUARTER_MS, False, 50, ((Quantity.LOAD, Course(values, values, values)),))


def test_the_energy_of_an_hour_is_that_of_its_four_quarters() -> None:
    """4 kW for an hour are 4 kWh; what the course does not reach is missing, and so is one with a hole."""
    assert forecast(4000, 4000, 4000, 4000, 9).energy_mwh(Quantity.LOAD, 1) == 4_000_000
    assert forecast(4000, 4000, 4000, 4000, 9).energy_mwh(Quantity.LOAD, 2) is None
    assert forecast(4000, None, 4000, 4000).energy_mwh(Quantity.LOAD, 1) is None


def test_a_quantity_without_a_course_is_none() -> None:
    """A site without PV."""
    assert forecast(1).of(Quantity.PV) is None
    assert forecast(1).energy_mwh(Quantity.PV, 1) is None
