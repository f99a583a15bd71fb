"""A number is believed only in plain decimal form; everything else has a reason."""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.number import NotANumber, from_json, from_text

# F1 and its neighbours: each refused, with the reason a person reads.
REFUSED_TEXT = [
    ("NaN", "NaN or infinite"),
    ("nan", "NaN or infinite"),
    ("inf", "NaN or infinite"),
    ("-Infinity", "NaN or infinite"),
    ("1e400", "range of a double"),
    ("true", "no plain decimal"),
    ("null", "no plain decimal"),
    ("12,5", "decimal comma"),
    ("1_000", "underscore"),
    ("1 000", "no plain decimal"),
    ("1.000,5", "no plain decimal"),
    ("１２", "outside ASCII"),
    ("0x10", "no plain decimal"),
    ("", "empty"),
    ("   ", "empty"),
    ("12 kWh", "no plain decimal"),
    ("1.2.3", "no plain decimal"),
    ("--1", "no plain decimal"),
    (".", "no plain decimal"),
    ("e5", "no plain decimal"),
    ("1" * 65, "at most 64"),
]


@pytest.mark.parametrize(("text", "reason"), REFUSED_TEXT)
def test_f1_text_is_refused_with_its_reason(text: str, reason: str) -> None:
    with pytest.raises(NotANumber, match=reason):
        from_text(text)


@pytest.mark.parametrize(
    ("text", "value"),
    [("12.5", 12.5), (" 12.50\r\n", 12.5), ("-7", -7.0), ("+7", 7.0), ("000123.4", 123.4), (".5", 0.5), ("5.", 5.0)],
)
def test_plain_decimal_is_read(text: str, value: float) -> None:
    assert from_text(text) == value


@pytest.mark.parametrize("zero", ["-0.0", "-0", "0"])
def test_minus_zero_becomes_zero(zero: str) -> None:
    assert math.copysign(1.0, from_text(zero)) == 1.0
    assert math.copysign(1.0, from_json(float(zero))) == 1.0


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        (True, "true is no number"),
        (False, "false is no number"),
        (None, "null"),
        ("12.5", "in quotes"),
        ([1], "an array"),
        ({"v": 1}, "an object"),
        (math.nan, "NaN"),
        (math.inf, "infinite"),
        (10**400, "range of a double"),
    ],
)
def test_json_value_that_is_no_number_is_refused(value: object, reason: str) -> None:
    with pytest.raises(NotANumber, match=reason):
        from_json(value)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_double_comes_back_from_its_text(value: float) -> None:
    assert from_text(repr(value)) == value


@given(st.text())
def test_any_text_is_a_finite_number_or_refused(text: str) -> None:
    with contextlib.suppress(NotANumber):
        assert math.isfinite(from_text(text))
