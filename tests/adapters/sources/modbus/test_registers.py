"""Registers become the number a data sheet promises, in every word order, and "not available" is never a number."""

import csv
import math
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.modbus.registers import (
    KINDS,
    ORDERS,
    AddressFault,
    Spot,
    arranged,
    blocks,
    decode,
    parse_spot,
    words_of,
)
from meterd.adapters.sources.number import NotANumber

VECTORS = Path(__file__).parents[3] / "vectors"

# IEEE 754: 123.456 is 42F6E979 in single precision; the bytes as they arrive in each order (common practice of data sheets).
FLOAT_123_456 = {
    "abcd": (0x42F6, 0xE979),
    "cdab": (0xE979, 0x42F6),
    "badc": (0xF642, 0x79E9),
    "dcba": (0x79E9, 0xF642),
}


@pytest.mark.parametrize("order", ORDERS)
def test_one_number_in_four_orders(order: str) -> None:
    value = decode(FLOAT_123_456[order], "float32", order)
    assert value == pytest.approx(123.456, rel=1e-7)


@pytest.mark.parametrize("order", [o for o in ORDERS if o != "abcd"])
def test_a6_wrong_order_gives_another_number_or_none(order: str) -> None:
    value = decode(FLOAT_123_456["abcd"], "float32", order)
    assert value is None or abs(value - 123.456) > 1


@pytest.mark.parametrize(
    ("words", "kind", "value"),
    [
        ((0x022B,), "uint16", 555),  # Modbus application protocol 1.1b3, section 6.3: register 108 holds 555
        ((0x0064,), "uint16", 100),  # same place, register 110
        ((0xFFFB,), "int16", -5),
        ((0x8000,), "uint16", 32_768),  # 32.768 kW is a power, not a code
        ((0xFFFF,), "int16", -1),
        ((0xFFFF, 0xFFFB), "int32", -5),
        ((0x0001, 0x0000), "uint32", 65_536),
        ((0, 0, 0, 1), "uint64", 1),
        ((0xFFFF, 0xFFFF, 0xFFFF, 0xFFFE), "int64", -2),
        ((0x4009, 0x21FB, 0x5444, 0x2D18), "float64", math.pi),
        ((12, 3456, 7890), "mod10x3", 1_234_567_890),
        ((0, 0, 1, 9999), "mod10x4", 19_999),
        ((5678, 9), "mod10x2", 56_780_009),
    ],
)
def test_known_registers(words: tuple[int, ...], kind: str, value: float) -> None:
    assert decode(words, kind, "abcd") == value


def test_a8_codes_of_the_published_table_are_missing() -> None:
    """sunspec_types.csv: the values pysunspec2 1.3.7 gives as not implemented, for the types that are plain registers."""
    seen = 0
    with (VECTORS / "sunspec_types.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["type"] in KINDS:
                code, registers = int(row["not_implemented_value"].split()[0], 16), int(row["registers"])
                words = tuple(code >> 16 * place & 0xFFFF for place in reversed(range(registers)))
                assert KINDS[row["type"]].registers == registers
                assert decode(words, row["type"], "abcd") is None, row["type"]
                seen += 1
    assert seen == 8


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ((0x7FFF,), "int16"),
        ((0x7FFF, 0xFFFF), "int32"),
        ((0x7F80, 0), "float32"),
        ((0xFF80, 0), "float32"),
        ((0xFFFF, 0xFFFF), "float32"),
        ((0xFFFF, 0xFFFF), "mod10x2"),
    ],
)
def test_a8_other_codes_in_use_are_missing(words: tuple[int, ...], kind: str) -> None:
    assert decode(words, kind, "abcd") is None


@pytest.mark.parametrize("words", [(10_000, 0), (0, 0xFFFE)])
def test_word_beyond_four_digits_is_refused(words: tuple[int, ...]) -> None:
    with pytest.raises(NotANumber, match="four decimal digits"):
        decode(words, "mod10x2", "abcd")


@given(st.lists(st.integers(0, 0xFFFF), min_size=0, max_size=5), st.sampled_from(list(KINDS)), st.sampled_from(ORDERS))
def test_any_registers_give_a_finite_number_none_or_a_refusal(words: list[int], kind: str, order: str) -> None:
    try:
        value = decode(words, kind, order)
    except NotANumber:
        return
    assert value is None or math.isfinite(value)


@given(st.floats(width=64, allow_nan=False, allow_infinity=False), st.sampled_from(ORDERS))
def test_arranging_twice_changes_nothing(value: float, order: str) -> None:
    words = struct.unpack(">4H", struct.pack(">d", value))
    sent = arranged(words, order)
    assert decode(sent, "float64", order) == value


@pytest.mark.parametrize(
    ("address", "spot"),
    [
        ("3/holding/40072/float32/cdab", Spot(3, "holding", 40072, "float32", "cdab")),
        ("input/0/uint16", Spot(7, "input", 0, "uint16", "dcba")),
        ("0/holding/65534/int32", Spot(0, "holding", 65534, "int32", "dcba")),
    ],
)
def test_address_is_read_with_the_defaults_of_its_source(address: str, spot: Spot) -> None:
    assert parse_spot(address, unit=7, order="dcba") == spot


def test_data_sheet_that_counts_from_one() -> None:
    assert parse_spot("holding/1/int16", first_register=1).first == 0
    with pytest.raises(AddressFault, match="from 1 to"):
        parse_spot("holding/0/int16", first_register=1)


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("", "no register address"),
        ("3", "no register address"),
        ("3/holding/72", "no register address"),
        ("3/holding/72/float32/abcd/x", "no register address"),
        ("3/coil/72/int16", "table 'coil'"),
        ("3/holding/72/real", "type 'real'"),
        ("3/holding/72/float32/bacd", "order 'bacd'"),
        ("3/holding/x/int16", "'x' is no register"),
        ("3/holding/-1/int16", "'-1' is no register"),
        ("3/holding/65536/int16", "'65536' is no register"),
        ("3/holding/65535/int32", "ends beyond"),
        ("256/holding/1/int16", "'256' is no unit"),
        ("3/holding/\u0661/int16", "is no register"),
    ],
)
def test_wrong_address_says_what_is_wrong(address: str, words: str) -> None:
    with pytest.raises(AddressFault, match=words):
        parse_spot(address)


def test_neighbours_are_read_in_one_request_and_no_value_is_split() -> None:
    spots = [Spot(1, "holding", first, "float32", "abcd") for first in range(0, 200, 2)]
    results = blocks(spots, gap=0, most=125)
    assert [(block.first, block.count) for block in results] == [(0, 124), (124, 76)]


def test_gap_unit_and_table_part_requests() -> None:
    spots = [
        Spot(1, "holding", 0, "int16", "abcd"), Spot(1, "holding", 3, "int16", "abcd"),
        Spot(1, "input", 4, "int16", "abcd"), Spot(2, "input", 5, "int16", "abcd"),
    ]  # fmt: skip
    assert [(b.first, b.count) for b in blocks(spots, gap=1, most=125)] == [(0, 1), (3, 1), (4, 1), (5, 1)]
    assert [(b.first, b.count) for b in blocks(spots, gap=2, most=125)] == [(0, 4), (4, 1), (5, 1)]


SPOTS = st.builds(
    Spot, st.integers(0, 2), st.sampled_from(["holding", "input"]), st.integers(0, 400), st.sampled_from(list(KINDS)),
    st.sampled_from(ORDERS),
)  # fmt: skip


@given(st.lists(SPOTS, max_size=40), st.integers(0, 125))
def test_every_value_lies_whole_in_exactly_one_request(spots: list[Spot], gap: int) -> None:
    results = blocks(spots, gap=gap, most=125)
    assert {s for b in results for s in b.spots} == set(spots)
    assert sum(len(b.spots) for b in results) == len(set(spots))
    for block in results:
        assert 1 <= block.count <= 125
        for spot in block.spots:
            assert len(words_of(block, spot, range(block.count))) == KINDS[spot.kind].registers
