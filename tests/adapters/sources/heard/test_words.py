"""The names that lead to a number say its register, its unit and its meter, or why it is none."""

import pytest

from meterd.adapters.sources.heard.words import meaning_of


@pytest.mark.parametrize(
    ("topic", "names", "register", "unit", "meter"),
    [
        ("mill/q01", "import_wh", "1.8.0", "Wh", "mill q01"),
        ("mill/q01", "export_kWh", "2.8.0", "kWh", "mill q01"),
        ("mill/q01/power", "", "16.7.0", "", "mill q01"),
        ("mill/power/q01", "", "16.7.0", "", "mill q01"),
        ("mill/cold-store-power-kw", "", "16.7.0", "kW", "mill cold-store"),
        ("mill/q01", "ActivePower", "16.7.0", "", "mill q01"),
        ("mill/q01", "power/l2", "56.7.0", "", "mill q01"),
        ("mill/q01", "voltage/0", "32.7.0", "", "mill q01"),
        ("mill/q01", "u3", "72.7.0", "", "mill q01"),
        ("mill/q01", "current_l1_mA", "31.7.0", "mA", "mill q01"),
        ("mill/q01", "power_factor", "13.7.0", "", "mill q01"),
        ("mill/q01", "frequency", "14.7.0", "", "mill q01"),
        ("mill/q01", "q", "131.7.0", "", "mill q01"),
        ("mill/q01", "reactive_export_kvarh", "4.8.0", "kvarh", "mill q01"),
        ("mill/q01/1-0:2.8.0*255", "", "2.8.0", "", "mill q01"),
        ("mill/q01", "1_8_0", "1.8.0", "", "mill q01"),
        ("mill/kiln/pulses", "", "1.8.0", "imp", "mill kiln"),
        ("mill/roof/yield", "", "1.8.0", "", "mill roof"),
        ("mill/bezug", "", "1.8.0", "", "mill"),
        ("mill/board", "0/energy", "1.8.0", "", "mill board 0"),
        ("mill/studio-a/power", "", "16.7.0", "", "mill studio-a"),
        ("mill/a/power", "", "16.7.0", "", "mill a"),
        ("q01", "q01/power", "16.7.0", "", "q01"),
    ],
)
def test_register_unit_and_meter(topic: str, names: str, register: str, unit: str, meter: str) -> None:
    meant = meaning_of(topic.split("/"), [name for name in names.split("/") if name])
    assert (meant.register, meant.unit, " ".join(meant.meter), meant.why) == (register, unit, meter, "")


@pytest.mark.parametrize(("unit", "register"), [("W", "16.7.0"), ("kWh", "1.8.0"), ("count", "1.8.0"), ("V", "32.7.0")])
def test_unit_that_was_sent_decides(unit: str, register: str) -> None:
    assert meaning_of(("mill",), ("q01", "counter" if unit == "count" else "x"), unit).register == register


@pytest.mark.parametrize(
    ("names", "text"),
    [
        ("temperature", "no name says that it is an electrical quantity"),
        ("energy_today", "a value of a period"),
        ("apparent_power", "a value of a period, a limit or apparent power"),
        ("power_limit", "a value of a period, a limit"),
        ("1.8.1", "register 1.8.1 is not read here"),
        ("export_power", "power of one direction"),
        ("energy_l1", "energy of one phase"),
        ("power_factor_l1", "the power factor of one phase"),
        ("reactive_power_l1", "reactive power of one phase"),
    ],
)
def test_what_is_no_register_says_why(names: str, text: str) -> None:
    meant = meaning_of(("mill", "q01"), (names,))
    assert meant.register == ""
    assert text in meant.why


def test_a_guess_is_said() -> None:
    assert meaning_of(("q01",), ("energy",)).guesses == ("the energy names no direction: import",)
    assert meaning_of(("q01",), ("voltage",)).guesses == ("voltage names no phase: that of L1",)
