"""Dates and numbers as they are written in German mean the same everywhere; what fits two readings is refused with both."""

from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.web.corrections.exchange_fields import shown_milli
from meterd.adapters.web.corrections.fields import WrongError, moment_of
from meterd.app.cli.exchange import local
from meterd.app.cli.shown_registers import readings
from meterd.app.operations.question import moment
from meterd.core.errors import ConfigError
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.written import day_first, iso_date, plain_number
from meterd.core.registers.corrections import written_factor

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("4.5.2026 9:30", "2026-05-04T09:30"),
        ("04.05.2026, 09:30:15 Uhr", "2026-05-04T09:30:15"),
        ("04.05.2026", "2026-05-04"),
        ("2026-05-04T09:30Z", "2026-05-04T09:30Z"),
        ("04/05/2026", "04/05/2026"),
    ],
)
def test_dates_day_first(text: str, wanted: str) -> None:
    assert iso_date(text) == wanted
    assert iso_date(day_first(wanted)) == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("0,125", "0.125"),
        ("123456,7", "123456.7"),
        ("1.234,567", "1234.567"),
        ("1 234,5", "1234.5"),
        ("12.5", "12.5"),
        ("x", "x"),
    ],
)
def test_numbers_with_a_comma(text: str, wanted: str) -> None:
    assert plain_number(text) == wanted


def test_what_fits_two_readings_is_refused_with_both() -> None:
    with pytest.raises(ValueError, match=r"1,234 is 1234 or 1\.234: write one of these"):
        plain_number("1,234")
    with pytest.raises(ConfigError, match=r"--closing 1,234kWh: 1,234 is 1234 or 1\.234"):
        readings("1,234 kWh", [IMPORT], "--closing")
    with pytest.raises(WrongError):
        shown_milli("1,234 kWh", IMPORT)


@pytest.mark.parametrize(
    ("text", "factor"),
    [("1,05", "1.05"), ("1.05", "1.05"), (" 0,9804 ", "0.9804"), ("250/200", "250/200"), ("3", "3")],
)
def test_a_factor_with_a_decimal_comma(text: str, factor: str) -> None:
    assert written_factor(text) == factor


def test_a_factor_that_fits_two_readings_is_refused_with_both() -> None:
    with pytest.raises(ConfigError, match=r"factor 1,050 is 1050 or 1\.050: write one of these"):
        written_factor("1,050")
    with pytest.raises(ConfigError, match="is not a factor"):
        written_factor("1,05,0")


def test_commands_and_forms_read_them_alike() -> None:
    """Of a date, of a time and of what a display shows, with and without a blank before the unit."""
    assert moment("04.05.2026", BERLIN, "--from") == moment("2026-05-04", BERLIN, "--from")
    assert local("4.5.2026 9:30", BERLIN) == local("2026-05-04T09:30", BERLIN) == moment_of("04.05.2026 09:30", BERLIN)
    with pytest.raises(ConfigError, match="has no time of day"):
        local("04.05.2026", BERLIN)
    wanted = {IMPORT: 123_456_700_000, EXPORT: 0}
    assert readings("import=123456,7 kWh export=0", [IMPORT, EXPORT], "--closing") == wanted
    assert readings("import=123.456,7kWh export=0 kWh", [IMPORT, EXPORT], "--closing") == wanted
    assert shown_milli("123456,7 kWh", IMPORT) == shown_milli("123456.7 kWh", IMPORT) == wanted[IMPORT]
