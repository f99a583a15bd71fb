"""Cells of documents: missing is a word and never 0, and a little is never shown as nothing."""

from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.documents.cells import (
    amount,
    kilowatt,
    kwh,
    none_or,
    percent,
    period_name,
    step_name,
    titled,
    titled_points,
    without_empty,
)
from meterd.adapters.documents.model import Column, Moment, Number, Table
from meterd.adapters.documents.texts import Texts
from meterd.core.model.periods import Period
from meterd.core.model.plan import Point, Role, Site
from meterd.core.reports.figures import Amount, Peak

ENGLISH, GERMAN = Texts("en"), Texts("de")
VIENNA = ZoneInfo("Europe/Vienna")
MAY_MS = 1_777_586_400_000  # 2026-05-01 00:00 in Vienna


def test_energies_are_in_kilowatt_hours_and_missing_is_a_word() -> None:
    assert kwh(1_234_567_890, ENGLISH) == Number(1234.56789, 1)
    assert kwh(0, ENGLISH) == Number(0.0, 1)
    assert kwh(None, ENGLISH) == "missing"
    assert kwh(5, ENGLISH, decimals=3) == Number(5e-6, 3)


def test_an_amount_that_is_missing_says_what_is_known_at_least() -> None:
    assert amount(Amount(None, at_least=2_500_000), ENGLISH) == "missing, at least 2.5"
    assert "2,5" in str(amount(Amount(None, at_least=2_500_000), GERMAN))
    assert amount(Amount(None), ENGLISH) == "missing"
    assert amount(Amount(3_000_000), ENGLISH) == Number(3.0, 1)


def test_a_peak_has_its_moment_and_none_has_a_word() -> None:
    assert kilowatt(Peak(181_254.9, MAY_MS), ENGLISH) == (Number(181.2549, 1), Moment(MAY_MS))
    assert kilowatt(None, ENGLISH) == ("missing", "")


@pytest.mark.parametrize(
    ("part", "shown"),
    [(None, "undefined"), (0.0, Number(0.0, 1)), (0.0004, "< 0.1"), (0.0005, Number(0.05, 1)), (1.0, Number(100.0, 1))],
)
def test_a_little_is_never_shown_as_nothing(part: float | None, shown: object) -> None:
    assert percent(part, ENGLISH) == shown


def test_a_little_has_the_mark_of_the_language() -> None:
    assert percent(0.0001, GERMAN) == "< 0,1"


def test_names_of_points_and_periods_are_those_of_people() -> None:
    assert titled(Point("q01", "north", Role.FEEDER, title="Ovens")) == "q01: Ovens"
    assert titled(Point("q01", "north", Role.FEEDER)) == "q01"
    assert period_name(Period.MONTH, MAY_MS, VIENNA, ENGLISH) == "May 2026"
    assert period_name(Period.MONTH, MAY_MS, VIENNA, GERMAN) == "Mai 2026"
    assert period_name(Period.YEAR, MAY_MS, VIENNA, ENGLISH) == "2026"
    assert step_name(Period.MONTH, MAY_MS, VIENNA, ENGLISH) == "1"
    assert step_name(Period.YEAR, MAY_MS, VIENNA, GERMAN) == "Mai"


def test_an_empty_table_says_that_there_is_nothing() -> None:
    table = Table("t", (Column("a", 10.0), Column("b", 10.0)), ())
    assert none_or(table, ENGLISH).rows == (("none", ""),)
    full = Table("t", table.columns, (("x", "y"),))
    assert none_or(full, ENGLISH) is full


def test_a_column_in_which_no_row_has_anything_is_left_out() -> None:
    """A zero and a word for missing are something; the sums stay sums."""
    columns = tuple(Column(name, 10) for name in "abcd")
    rows = (("x", "", Number(0.0), ""), ("all", "", "missing", ""))
    table = without_empty(Table("t", columns, rows, sums=1))
    assert [column.heading for column in table.columns] == ["a", "c"]
    assert (table.rows, table.sums) == ((("x", Number(0.0)), ("all", "missing")), 1)


def test_points_in_a_sentence_have_their_titles() -> None:
    """Found by looking: the acceptance form of a board named a point that is not live by its id."""
    site = Site(
        "mill",
        "UTC",
        points=(Point("shop", "main", Role.FEEDER, title="Print shop, closed"), Point("q2", "main", Role.FEEDER)),
    )
    assert titled_points(["shop", "q2"], site) == "Print shop, closed; q2"
