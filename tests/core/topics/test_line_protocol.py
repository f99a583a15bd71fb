"""Lines have one fixed layout: every number a float, no empty tag, nothing for what is missing."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.core.topics.line_protocol import LAYOUT, VERDICTS, head, line, number, register_name, shown, wh

# a field that is not a float ends in i or u, is quoted, or is a word (line protocol)
FLOAT = re.compile(r"-?[0-9]+(\.[0-9]+)?(e[+-]?[0-9]+)?\Z")


@given(st.one_of(st.integers(-(2**53), 2**53), st.floats(allow_nan=False, allow_infinity=False)))
def test_d11_every_number_is_a_float_and_comes_back_exactly(value: float) -> None:
    """Never an integer field beside a float one: a database refuses the second type (fault D11)."""
    written = number(value)
    assert FLOAT.match(written)
    assert "." in written or "e" in written
    assert float(written) == value


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(value: float) -> None:
    """NaN and infinities never leave the house (fault F1)."""
    with pytest.raises(ValueError, match="cannot be written"):
        line("reading", ("mill", "q01", "import"), (value,), 0)


def test_d12_empty_tag_is_refused() -> None:
    """An empty tag would begin another series (fault D12)."""
    with pytest.raises(ValueError, match="another series"):
        head("reading", ("mill", "", "import"))
    with pytest.raises(ValueError, match="without any value"):
        line("reading", ("mill", "q01", "import"), (None,), 0)


def test_special_characters_of_tags_are_escaped() -> None:
    """Comma, space and equals sign with a backslash; a backslash at the end would escape the separator."""
    assert head("canary", ("a b,c=d\\",)) == r"canary,site=a\ b\,c\=d"


def test_missing_fields_are_left_out() -> None:
    """Missing is never 0: only the fields that are known."""
    got = line("pv", ("mill", "day"), (9.5, None, None, None, None, 1, 2), 5)
    assert got == "pv,site=mill,period=day production_wh=9.5,estimated=1.0,version=2.0 5"


def test_d12_the_layout_stays_as_it_is() -> None:
    """Ten years of series depend on these names (fault D12): change none, add fields at the end."""
    assert {name: (layout.tags, layout.fields) for name, layout in LAYOUT.items()} == {
        "reading": (("site", "point", "register"), ("value",)),
        "energy": (("site", "point", "register", "period"), ("energy_wh", "quality", "version")),
        "balance": (
            ("site", "board", "period"),
            ("feed_wh", "outgoing_wh", "residual_wh", "band_wh", "verdict", "estimated", "covered", "of", "version"),
        ),
        "pv": (
            ("site", "period"),
            (
                "production_wh", "grid_import_wh", "grid_export_wh", "self_use_wh", "consumption_wh", "estimated",
                "version",
            ),
        ),
        "canary": (("site",), ("number",)),
    }  # fmt: skip
    assert VERDICTS == {"inside": 0, "outside": 1, "not computable": 2}


def test_values_are_in_base_units() -> None:
    """Thousandths of registers that count become units as shown; the others stay."""
    assert shown("2.8.0", 1500) == 1.5
    assert shown("32.7.0", 230.1) == 230.1
    assert wh(None) is None
    assert register_name("1.8.0") == "import"
    assert register_name("99.9.9") == "99.9.9"
