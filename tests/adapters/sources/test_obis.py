"""OBIS codes are one and the same however a plan or a telegram writes them."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.modbus.registers import AddressFault
from meterd.adapters.sources.obis import address_fault, of_bytes, parse, short


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("1.8.0", "1.8.0"), ("1-0:1.8.0", "1.8.0"), ("1-0:1.8.0*255", "1.8.0"), ("1.8.0*255", "1.8.0"),
        ("1.8.0*01", "1.8.0*01"), ("1.8.0&01", "1.8.0*01"), ("0-1:24.2.1", "0-1:24.2.1"), ("C.1.0", "C.1.0"), ("F.F", "F.F"),
        ("16.7", "16.7"),
    ],
)  # fmt: skip
def test_one_short_form(written: str, code: str) -> None:
    assert short(written) == code


@pytest.mark.parametrize(
    "written", ["", "1", "1.8.0.0", "1-0 1.8.0", "-1.8.0", "1.8.0*", "999-0:1.8.0", "x.y.z", "1.8.0\n"]
)
def test_what_is_no_code(written: str) -> None:
    assert short(written) is None
    assert address_fault(written) is not None
    with pytest.raises(AddressFault, match="is no OBIS code"):
        parse(written)


def test_published_logical_names() -> None:
    """obis_codes.csv: short code and six-byte logical name, from an open DLMS/COSEM library."""
    path = Path(__file__).parents[2] / "vectors" / "obis_codes.csv"
    checked = 0
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            name = row["logical_name"].split(".")
            if len(name) == 6 and name[0] == "1":
                assert of_bytes(bytes(map(int, name))) == short(row["short_C.D.E"])
                checked += 1
    assert checked > 40


@given(st.binary(min_size=6, max_size=6))
def test_any_six_bytes_have_a_code_of_their_own(name: bytes) -> None:
    assert short(of_bytes(name)) == of_bytes(name)
