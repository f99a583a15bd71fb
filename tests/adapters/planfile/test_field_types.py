"""A value of the plan is read exactly or refused with a reason."""

import csv
from datetime import date, datetime, timedelta, timezone
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from pydantic_core import PydanticCustomError

from meterd.adapters.planfile import field_types as cells
from meterd.adapters.planfile.checks.site import DESIGNATION
from meterd.adapters.planfile.field_types import Cell

VECTORS = Path(__file__).parents[2] / "vectors"


def rows(name: str) -> list[dict[str, str]]:
    with (VECTORS / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_meter_classes_of_the_error_limit_table_are_known() -> None:
    """IEC 62053-21 and -22, EN 50470-3."""
    listed = {row["class"] for row in rows("meter_error_limits.csv") if row["quantity"] == "active energy"}
    assert {name.removeprefix("MID ") for name in listed} <= set(cells.METER_CLASSES)


def test_current_transformer_classes_are_those_of_the_standard() -> None:
    """IEC 61869-2; class 3 and 5 are in the table of a second page or not limited in phase."""
    assert {row["class"] for row in rows("ct_classes_61869_2.csv")} <= set(cells.CT_CLASSES)


def test_reference_designations_of_the_standard_are_accepted() -> None:
    """IEC 81346: the examples and forms of the table; letter codes stand alone or with a number."""
    written = " ".join(row["meaning"] for row in rows("iec81346_designations.csv") if "level" in row["sign_or_letter"])
    examples = [word for word in written.replace(";", " ").split() if word[0] in "=+-" and any(map(str.isdigit, word))]
    listed = next(row["meaning"] for row in rows("iec81346_designations.csv") if row["sign_or_letter"] == "example")
    examples += [word.strip(" ,") for word in listed.split() if word[0] in "=+-"]
    assert {"=E1.PV1", "+B2.LV1", "-T1", "-Q11", "-Q1-K2", "-Q1K2", "=A1.B2"} <= set(examples)
    assert [word for word in examples if not DESIGNATION.match(word)] == []


@pytest.mark.parametrize("text", ["Q11", "-", "=", "q11", "-Q 11 x", "--- Q", "=E1..PV1", "-Q1,"])
def test_other_texts_are_no_designations(text: str) -> None:
    assert not DESIGNATION.match(text)


@pytest.mark.parametrize(
    ("value", "number"),
    [
        (Cell("12.5"), "12.5"),
        (Cell("-3"), "-3"),
        (Cell("1e9"), "1e9"),
        (Cell("1E+11"), "1e11"),
        (Cell(".5"), "0.5"),
        (Cell("5."), "5"),
        (7, "7"),
        (Decimal("0.1"), "0.1"),
    ],
)
def test_numbers_are_kept_as_written(value: object, number: str) -> None:
    assert cells.number(value) == Decimal(number)


@pytest.mark.parametrize(
    ("value", "what"),
    [
        (Cell("12,5"), "decimal comma"),
        (Cell("1.234,5"), "decimal comma"),
        (Cell("1_000"), "not a number"),
        (Cell("1 000"), "not a number"),
        (Cell("١٢"), "not a number"),
        (Cell("0x10"), "not a number"),
        (Cell("inf"), "not a number"),
        (Cell("NaN"), "not a number"),
        (Cell("1e400"), "larger than 1e15"),
        (Cell("1e-13"), "decimal places"),
        ("12.5", "not a number"),
        (True, "true is not a number"),
        (Decimal("NaN"), "not finite"),
        (10**400, "larger than 1e15"),
        (None, "a NoneType is not a number"),
    ],
)
def test_what_is_no_number_is_refused(value: object, what: str) -> None:
    with pytest.raises(PydanticCustomError, match=what):
        cells.number(value)


def test_registers_shown_are_whole_milli_units() -> None:
    assert cells.shown_registers(Cell("412345.678")) == (("1.8.0", 412_345_678),)
    assert cells.shown_registers(Cell("1.8.0=0.001 2.8.0=4")) == (("1.8.0", 1), ("2.8.0", 4000))
    assert cells.shown_registers(Decimal("5.5")) == (("1.8.0", 5500),)


def test_a_register_may_be_written_in_full() -> None:
    """The full form of IEC 62056-6-1: medium and channel before, storage after."""
    assert cells.register("1-0:1.8.0*255") == "1.8.0"


def test_moments_are_dates_or_times_with_zone() -> None:
    assert cells.moment("2026-05-04") == date(2026, 5, 4)
    assert cells.moment(date(2026, 5, 4)) == date(2026, 5, 4)
    wanted = datetime(2026, 5, 4, 9, 30, tzinfo=timezone(timedelta(hours=2)))
    for text in ("2026-05-04T09:30+02:00", "2026-05-04 07:30Z", "2026-05-04t07:30:00.000z"):
        assert cells.moment(text) == wanted


@pytest.mark.parametrize(
    "text", ["20260504", "2026-W19-1", "4.5.2026", "05/04/2026", "2026-05-04T09:30+0200", "today", ""]
)
def test_other_forms_of_a_date_are_refused(text: str) -> None:
    with pytest.raises(PydanticCustomError, match="is not a date"):
        cells.moment(text)


def test_holidays_are_a_list_of_dates() -> None:
    assert cells.local_days(["1970-01-02", date(1970, 1, 3)]) == {1, 2}
    for value, text in (
        ("2026-05-01", "is not a list"),
        (["1.5.2026"], "is not a date"),
        (["2026-05-01T09:30+02:00"], "is a time"),
    ):
        with pytest.raises(PydanticCustomError, match=text):
            cells.local_days(value)


def test_scales_and_ratios() -> None:
    assert cells.scale(Cell("ct * 0.001")) == (0.001, True)
    assert cells.scale("ct") == (1.0, True)
    assert cells.scale(Decimal("0.1")) == (0.1, False)
    assert cells.ratio("250 A / 5 A") == (250.0, 5.0)
    assert cells.exact(Cell("1.25")) == Fraction(5, 4)
