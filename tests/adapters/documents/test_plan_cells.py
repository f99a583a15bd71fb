"""Cells about the plan."""

from fractions import Fraction

import pytest

from meterd.adapters.documents.model import Number
from meterd.adapters.documents.plan_cells import energy_wh, fitted_now, opening_readings, ratio, register_name, unit_of
from meterd.adapters.documents.texts import Texts
from meterd.core.model.plan import Input, Instrument, Site
from meterd.core.model.reading import REGISTERS


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (None, ""),
        (Fraction(0), ""),
        (Fraction(5, 4), Number(1.25, 2, "Wh")),
        (Fraction(100), Number(100.0, 0, "Wh")),
        (Fraction(10**9), Number(10.0**6, 0, "kWh")),
        (Fraction(1, 3), Number(1 / 3, 6, "Wh")),
    ],
)
def test_energy_has_as_many_decimals_as_it_needs(value: Fraction | None, cell: object) -> None:
    """A pulse of 1.25 Wh, a register of six digits of kWh."""
    assert energy_wh(value) == cell


def test_instrument_in_force_is_the_one_that_is_not_taken_out() -> None:
    """At a moment the one of that time, otherwise the newest that is there; none after the last was taken out."""
    first, second = Instrument("q", 0, 100, serial="1"), Instrument("q", 100, serial="2")
    site = Site("mill", "UTC", instruments=(second, first))
    assert fitted_now(site, "q") == second
    assert fitted_now(site, "q", 99) == first
    assert fitted_now(Site("mill", "UTC", instruments=(first,)), "q") is None
    assert fitted_now(Site("mill", "UTC", instruments=(first,)), "q", 100) is None


def test_ratio_units_and_readings_as_written_on_the_plate() -> None:
    """Rated currents, secondary values."""
    texts = Texts("en")
    assert ratio(Instrument("q", 0, ct_primary_a=250.0, ct_secondary_a=5.0), texts) == "250/5 A"
    assert ratio(Instrument("q", 0), texts) == "direct"
    assert unit_of(Input("q", "1.8.0", "s", "a", unit="kWh", scale=0.1, per_ct=True), texts) == "kWh × 0.1 × CT ratio"
    assert unit_of(Input("q", "1.8.0", "s", "a", unit="kWh", scale=0.125, per_ct=True), Texts("de")) == (
        "kWh × 0,125 × Übersetzung"
    )
    assert unit_of(Input("q", "1.8.0", "s", "a", unit="kWh", scale=1000), texts) == "kWh × 1,000"
    assert unit_of(Input("q", "16.7.0", "s", "a", unit="W", scale=-1), texts) == "W × −1"
    assert unit_of(Input("q", "1.8.0", "s", "a", unit="imp"), Texts("de")) == "Impulse"
    assert unit_of(Input("q", "13.7.0", "s", "a", unit="/"), Texts("de")) == "Verhältnis"
    assert register_name("1.8.0", texts) == "import (1.8.0)"
    assert register_name("9.9.9", texts) == "9.9.9"


def test_opening_readings_have_a_unit_and_the_separators_of_the_language() -> None:
    """Found by looking: the meter schedule had bare digits, and nobody could tell Wh from kWh or from pulses."""
    both = Instrument("q", 0, opening=(("1.8.0", 412_345_680_500), ("3.8.0", 7_000)))
    assert opening_readings(both, Texts("en")) == "1.8.0 = 412,345.680500 kWh; 3.8.0 = 0.007 kvarh"
    assert opening_readings(both, Texts("de")) == "1.8.0 = 412.345,680500 kWh; 3.8.0 = 0,007 kvarh"
    counter = Instrument("q", 0, opening=(("1.8.0", 8_421_000),), pulse_wh=Fraction(5, 4))
    assert opening_readings(counter, Texts("de")) == "1.8.0 = 8.421 Impulse"
    assert opening_readings(Instrument("q", 0), Texts("en")) == ""


def test_every_register_has_a_name_in_the_language_of_the_document() -> None:
    """Found by looking: `import` and `power-factor` stood in German forms."""
    assert register_name("1.8.0", Texts("de")) == "Bezug (1.8.0)"
    assert register_name("13.7.0", Texts("de")) == "Leistungsfaktor (13.7.0)"
    assert register_name("13.7.0", Texts("en")) == "power factor (13.7.0)"
    for code in REGISTERS:
        assert all(register_name(code, Texts(lang)).endswith(f"({code})") for lang in ("en", "de"))
