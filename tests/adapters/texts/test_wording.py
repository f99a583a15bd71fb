"""The catalogue: every text in every language, and figures as their readers write them."""

import random
import re
import string
from datetime import datetime
from decimal import Decimal
from itertools import product
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from babel import Locale
from babel.dates import format_date, format_datetime, format_time
from babel.numbers import format_decimal

from meterd.adapters.texts import wording
from meterd.adapters.web.registry import PAGES
from meterd.core.model.finding_cause import CAUSES
from meterd.core.model.plan import Board, Point, Role, Site

TEMPLATES = Path(wording.__file__).parents[1] / "web" / "templates"
VIENNA = ZoneInfo("Europe/Vienna")


def placeholders(text: str) -> set[str]:
    """The names that are filled in."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_languages_say_the_same_things() -> None:
    """The same keys, and the same values in each text."""
    english, german = (wording.catalogue(language) for language in wording.LANGUAGES)
    assert set(english) == set(german)
    assert [key for key in english if placeholders(english[key]) != placeholders(german[key])] == []


def test_german_is_german() -> None:
    """No text was left in English but those that are the same in both."""
    english, german = (wording.catalogue(language) for language in wording.LANGUAGES)
    alike = [key for key in english if english[key] == german[key] and len(english[key].split()) > 2]
    assert [key for key in alike if "(k" not in english[key] and "{" not in english[key]] == []


@pytest.mark.parametrize("language", wording.LANGUAGES)
def test_every_cause_has_a_name_in_a_line(language: str) -> None:
    """Heads of findings and subjects of mails are made of it."""
    assert [cause.name for cause in CAUSES if not wording.has(language, f"cause_name.{cause.name}")] == []


@pytest.mark.parametrize(
    ("cause", "subject", "head"),
    [
        ("stale", "q05", "Zähler schweigt: Cold store"),
        ("refused-import", "q06", "Werte abgelehnt: q06"),  # without a title
        ("balance-shift", "board-north", "Bilanz hat sich verschoben: Main distribution"),
        ("job-failed", "backup", "Aufgabe fehlgeschlagen: Sicherung"),
        ("silent", "mill", "Keine Werte der Anlage"),  # the whole site
        ("of-an-old-program", "q05", "of-an-old-program: Cold store"),
    ],
)
def test_heads_of_findings_say_titles(cause: str, subject: str, head: str) -> None:
    """Found on the page: `drift-bakery-ovens` where people read `Meter drifts: Bakery, ovens`."""
    points = (Point("q05", "north", Role.FEEDER, title="Cold store"), Point("q06", "north", Role.FEEDER))
    site = Site("mill", "Europe/Vienna", boards=(Board("north", title="Main distribution"),), points=points)
    assert wording.finding_head("de", site, cause, subject) == head
    if cause in {known.name for known in CAUSES}:
        assert wording.head_of_id("de", site, f"{cause}-{subject}") == head
    assert wording.head_of_id("de", site, "of-an-old-program-q05") == "of-an-old-program-q05"


def test_every_key_that_templates_name_is_there() -> None:
    """A misspelt key would be found by a reader otherwise."""
    known = wording.catalogue("en")
    for file in TEMPLATES.glob("*.html"):
        for key in re.findall(r"""\bt\(["']([\w.-]+)["'](?!\s*~)""", file.read_text(encoding="utf-8")):
            assert key in known, f"{file.name} says {key}"


def test_every_page_has_title_and_question_in_each_language() -> None:
    """The list of pages needs both."""
    for page_entry in PAGES:
        for language in wording.LANGUAGES:
            assert wording.has(language, f"{page_entry.key}.title")
            assert wording.has(language, f"{page_entry.key}.question")


@pytest.mark.parametrize(
    ("mwh", "english", "german"),
    [
        (None, "missing", "fehlt"),
        (0, "0.00 kWh", "0,00 kWh"),
        (1_234_567, "1.23 kWh", "1,23 kWh"),
        (-12_345_678, "−12.3 kWh", "−12,3 kWh"),
        (1_234_567_890, "1,235 kWh", "1.235 kWh"),
        (123_456_789_000, "123.5 MWh", "123,5 MWh"),
    ],
)
def test_energies_are_written_for_their_readers(mwh: int | None, english: str, german: str) -> None:
    """Digits that matter, separators of the language, missing as a word."""
    assert wording.energy("en", mwh) == english
    assert wording.energy("de", mwh) == german


def test_energies_that_are_compared_have_one_unit() -> None:
    """Found by looking: a year's sides in MWh and their residual in kWh, in one sentence and in one drawing."""
    year = [354_500_000_000, 351_203_000_000, 3_297_000_000, 0, None]
    assert wording.energies("en", year) == ["354.5 MWh", "351.2 MWh", "3.30 MWh", "0.00 MWh", "missing"]
    assert wording.energies("de", year[2:]) == ["3.297 kWh", "0,00 kWh", "fehlt"]
    assert wording.energy("en", None, year) == "missing"


@pytest.mark.parametrize(
    ("stored", "english", "german"),
    [
        (
            "runs at 20000 W of 24000 W, a fair part of what is left",
            "runs at 20.0 kW of 24.0 kW, a fair part of what is left",
            "läuft mit 20,0 kW von 24,0 kW, seinem gerechten Anteil am Verfügbaren",
        ),
        (
            "waits: needs 1500 W and 5000 W to spare, -316 W are left (20000 W less PV expected)",
            "waits: needs 1.50 kW and 5.00 kW to spare, −316 W are left (20.0 kW less PV expected)",
            "wartet: braucht 1,50 kW und 5,00 kW Reserve, verfügbar sind −316 W (20,0 kW weniger PV erwartet)",
        ),
    ],
)
def test_powers_in_reasons_are_written_as_beside_them(stored: str, english: str, german: str) -> None:
    """Found by looking: a share of 20.00 kW, and beside it "runs at 20,000 W"; stored they stay in W."""
    assert wording.translated_line("en", stored, ZoneInfo("UTC")) == english
    assert wording.translated_line("de", stored, ZoneInfo("UTC")) == german


@pytest.mark.parametrize(
    ("watt", "text"), [(None, "missing"), (0.0, "0 W"), (999.4, "999 W"), (-3204.0, "−3.20 kW"), (1.5e6, "1.50 MW")]
)
def test_powers_are_written_with_three_digits(watt: float | None, text: str) -> None:
    """In W, kW or MW."""
    assert wording.power("en", watt) == text


@pytest.mark.parametrize(
    ("sentence", "parts"),
    [
        ("+8.77 kW ± 0.01 kW", ["+8.77\xa0kW", "±\xa00.01\xa0kW"]),
        ("reads −3.10 %; 69 min ago", ["reads", "−3.10\xa0%;", "69\xa0min", "ago"]),
        ("4 values and 2 Admins", ["4", "values", "and", "2", "Admins"]),
        ("3 A, 230 V, 15 MWh", ["3\xa0A,", "230\xa0V,", "15\xa0MWh"]),
        ("0,32 (± 0,02) seit 1. Dez. 2026", ["0,32", "(±\xa00,02)", "seit", "1.\xa0Dez.", "2026"]),
    ],
)
def test_no_line_ends_between_a_number_and_its_unit(sentence: str, parts: list[str]) -> None:
    """Found by looking: on a phone a line of a finding began with "kW"."""
    assert wording.unbroken_units(sentence).split(" ") == parts


def test_nothing_has_no_sign() -> None:
    """Found on the pages of a point and of data: -0.00 kWh and -0.0 s read as if something were less."""
    assert wording.energy("en", -4_000) == "0.00 kWh"
    assert wording.number("de", -0.04, 1) == "0,0"
    assert wording.number("de", -0.06, 1) == "−0,1"


def test_times_are_local_and_say_their_zone() -> None:
    """Summer and winter of Vienna; the zone with its offset stands at the foot of each page."""
    assert wording.moment("en", 1_782_907_200_000, VIENNA) == "1 Jul 2026, 14:00"
    assert wording.moment("de", 1_782_907_200_000, VIENNA) == "1. Juli 2026, 14:00"
    assert wording.zone_words(1_782_907_200_000, VIENNA) == "Europe/Vienna, UTC+02:00"
    assert wording.zone_words(1_795_692_637_113, VIENNA) == "Europe/Vienna, UTC+01:00"
    assert wording.zone_words(1_795_692_637_113, ZoneInfo("Etc/GMT+1")) == "Etc/GMT+1, UTC−01:00"  # a minus


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(-3, "0 s"), (119, "119 s"), (120, "2 min"), (7_199, "119 min"), (7_200, "2 h"), (400_000, "4 days")],
)
def test_ages_say_enough(seconds: float, text: str) -> None:
    """In the largest unit of which there are two."""
    assert wording.age("en", seconds) == text


@pytest.mark.parametrize("language", wording.LANGUAGES)
def test_numbers_are_written_as_the_library_of_locales_writes_them(language: str) -> None:
    """Rounded half to even by their shortest decimals; with the separators of British English and of German."""
    draw = random.Random(7)
    values = [draw.uniform(-1, 1) * 10 ** draw.randrange(9) for _ in range(300)]
    values += [0.0, -0.0, 2.675, 0.125, -0.004, 1e15, 999.5, 1234567, -1000, Decimal("12.345"), 0.5, 1.5, 1e-9]
    locale = {"en": Locale("en", "GB"), "de": Locale("de")}[language]
    for value, digits in product(values, range(4)):
        pattern = "#,##0" + ("." + "0" * digits if digits else "")
        shown = str(format_decimal(value, format=pattern, locale=locale))
        nothing = not any(digit in shown for digit in "123456789")
        assert wording.number(language, value, digits) == (
            shown.lstrip("-") if nothing else shown.replace("-", wording.MINUS)
        )


@pytest.mark.parametrize(("language", "locale", "of_day"), [("en", Locale("en", "GB"), ""), ("de", Locale("de"), ".")])
def test_dates_are_those_of_another_program(language: str, locale: Locale, of_day: str) -> None:
    """Every day of five years, with a leap day, at changing local times."""
    date = f"d{of_day} MMM yyyy"
    for at_ms in range(1_704_067_200_000, 1_861_920_000_000, 90_061_000):
        local = datetime.fromtimestamp(at_ms / 1000, VIENNA)
        written = {
            wording.moment(language, at_ms, VIENNA): format_datetime(local, f"{date}, HH:mm", locale=locale),
            wording.clock(language, at_ms, VIENNA): format_time(local.timetz(), "HH:mm:ss", locale=locale),
            wording.day(language, at_ms, VIENNA): format_date(local, f"EEE, {date}", locale=locale),
            wording.month(language, at_ms, VIENNA): format_date(local, "MMMM yyyy", locale=locale),
            wording.short_day(language, local): format_date(local, f"d{of_day} MMM", locale=locale),
            wording.short_month(language, local): format_date(local, "MMM yyyy", locale=locale),
        }
        assert [ours for ours, theirs in written.items() if ours != theirs] == []


@pytest.mark.parametrize(
    ("language", "shown"), [("en", "slope −0.34 instead of −1"), ("de", "Steigung −0,34 statt −1")]
)
def test_a_whole_number_below_zero_has_a_minus_too(language: str, shown: str) -> None:
    """Found on the page: "slope −0.34 instead of -1"."""
    reason = "the draw does not fall when PV rises (slope -0.34 instead of -1): a sign is wrong, nothing is shared"
    reason = f"nothing to share ({reason})"
    assert shown in wording.translated_line(language, reason, ZoneInfo("UTC"))
