"""What a block of figures holds comes back to the last bit, and what is no block is refused."""

import json
import random
import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.store.bit_planes import DamagedBlock, compressed
from meterd.adapters.store.figure_blocks import (
    STRETCH_MS,
    Row,
    header_of,
    is_packable,
    joined,
    opened,
    packed,
    same,
    stretch_of,
    unpacked,
)

WIDE = st.integers(-(2**63), 2**63 - 1)
NUMBERS = st.one_of(st.integers(-9, 9), WIDE)
PARTS = st.none() | NUMBERS
STARTS = st.one_of(st.integers(0, 12).map(lambda n: n * 900_000), st.integers(-(2**50) + 1, 2**50 - 1))
ENERGIES = st.none() | st.integers(-3, 3) | st.integers(-(2**50) + 1, 2**50 - 1)
REASONS = st.sampled_from(["closed", "late readings", "correction 1", "", "Zähler \u20ac", '["q01"]'])
ROWS = st.lists(
    st.tuples(STARTS, NUMBERS, ENERGIES, NUMBERS, PARTS, PARTS, PARTS, NUMBERS, REASONS),
    min_size=1,
    max_size=30,
    unique_by=lambda row: row[0],
)


def quarters(count: int, seed: int = 7) -> list[Row]:
    """Quarter hours of a meter that sends each minute, as the daemon writes them."""
    draw = random.Random(seed)
    raw, results = 0, []
    for number in range(count):
        start = 700 * STRETCH_MS + 900_000 * number
        raw, at = raw + draw.randrange(4_000_000), start - draw.randrange(60_000)
        written = start + 1_800_000 + draw.randrange(9_000)
        results.append((start, 1, draw.randrange(4_000_000), 0, at, raw, at, written, "closed"))
    return results


@given(ROWS)
def test_any_figures_come_back(rows: list[Row]) -> None:
    """With holes between them, without energies, with a part of an anchor; all numbers of 64 bits, in order of their starts."""
    assert all(map(is_packable, rows))
    result = unpacked(*packed(stretch_of(rows)))
    assert result.rows() == sorted(rows)
    assert same(result, stretch_of(rows))


@given(ROWS, st.data())
def test_energies_are_found_at_any_place(rows: list[Row], data: st.DataObject) -> None:
    block, by_start = opened(packed(stretch_of(rows))[0]), {row[0]: row for row in rows}
    asked = data.draw(st.sets(st.one_of(STARTS, st.sampled_from(sorted(by_start))), min_size=1))
    hit, places = block.places(np.array(sorted(asked)))
    there = [sorted(asked)[place] for place in hit.tolist()]
    assert there == sorted(asked & by_start.keys())
    assert (block.first_ms, block.last_ms) == (min(by_start), max(by_start))
    found = zip(there, block.known(places), block.energy(places), block.flags(places), places.tolist(), strict=True)
    for start, known, energy, flags, place in found:
        assert (int(energy) if known else None, int(flags)) == by_start[start][2:4]
        assert not known or block.one_energy(place) == energy


@given(ROWS, ROWS)
def test_blocks_are_joined(some: list[Row], others: list[Row]) -> None:
    known = {row[0] for row in some}
    fresh = [row for row in others if row[0] not in known]
    if fresh:
        assert joined([stretch_of(some), stretch_of(fresh)]).rows() == sorted([*some, *fresh])


def test_a_quarter_hour_takes_less_than_twelve_bytes() -> None:
    """Readings at any second of a minute, energies of any milliwatt-hour, written some seconds after they are over."""
    energies, rest = packed(stretch_of(quarters(3_072)))
    assert len(energies) / 3_072 < 3.1
    assert len(rest) / 3_072 < 9


@pytest.mark.parametrize(
    ("place", "value"),
    [(0, "soon"), (0, 2**50), (1, None), (1, 1.5), (2, 2**50), (2, -(2**50)), (2, "7"), (2, 0.5), (3, None), (4, "x"), (5, 1.0),
     (7, None), (8, None), (8, b"closed"), (8, 5)],
)  # fmt: skip
def test_what_no_figure_of_ours_has_stays_a_row(place: int, value: object) -> None:
    row: list[object] = [5, 1, 7, 0, None, None, None, 9, "closed"]
    assert is_packable(row)
    row[place] = value
    assert not is_packable(row)


def test_each_bit_of_a_content_that_changes_is_refused_or_changes_nothing() -> None:
    rows, draw = quarters(60), random.Random(3)
    rows[7:9] = [(*row[:2], None, 3, None, None, None, *row[7:]) for row in rows[7:9]]
    contents = packed(stretch_of(rows))
    harmless = 0
    for which in (0, 1):
        for place in range(len(contents[which])):
            changed = [*contents]
            byte = contents[which][place] ^ 1 << draw.randrange(8)
            changed[which] = contents[which][:place] + bytes([byte]) + contents[which][place + 1 :]
            try:
                result = unpacked(*changed)
            except DamagedBlock:
                continue
            assert result.rows() == rows
            harmless += 1
    assert harmless < 9, "spare bits of the compression"


def test_what_is_no_content_is_refused() -> None:
    """Nothing, texts, contents of other lengths, of another number of figures, with a reason that is none."""
    energies, rest = packed(stretch_of(quarters(5)))
    data = zlib.decompress(rest[1:])
    (length,) = struct.unpack_from("<I", data)
    for reasons in (["closed", 5], [], "closed", {"closed": 1}):
        text = json.dumps(reasons).encode()
        other = b"\0" + compressed(struct.pack("<I", len(text)) + data[4:60] + text + data[60 + length :])
        with pytest.raises(DamagedBlock):
            unpacked(energies, other)
    for wrong in (None, "text", b"", b"\x01" + rest[1:], rest[:-1], rest + b"x", packed(stretch_of(quarters(90)))[1]):
        with pytest.raises(DamagedBlock):
            unpacked(energies, wrong)
    for wrong in (None, 5, b"", b"\x01" + energies[1:], energies[:-1], energies + b"x", bytes(99)):
        with pytest.raises(DamagedBlock):
            opened(wrong)


def test_what_a_row_says_of_its_contents() -> None:
    stretch = stretch_of(quarters(96))
    first = 700 * STRETCH_MS
    assert header_of(3, "interval", stretch) == (3, "interval", first, first, first + 95 * 900_000, 96)
    assert [row[0] for row in stretch.between(first + 1, first + 2_700_000).rows()] == [
        first + 900_000,
        first + 1_800_000,
    ]
    assert stretch.between(-(2**63), 2**63 - 1) is stretch
