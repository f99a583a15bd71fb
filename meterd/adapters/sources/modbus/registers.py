"""Modbus registers to numbers: types, word and byte order, "not available" codes, and which registers are read together.

Pure. A value is 1 to 4 registers of 16 bits. Orders are written as the bytes of a 32-bit value arrive, `a` the highest:
`abcd` as the standard says, `cdab` low word first, `badc` bytes swapped in each word, `dcba` both. They hold for 16 and
64 bits alike.
"""

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from meterd.adapters.sources.number import NotANumber

ORDERS = ("abcd", "cdab", "badc", "dcba")
TABLES = ("holding", "input")
LAST_REGISTER = 65_535
DIGITS_OF_WORD = 10_000  # of the mod10 types: each register holds four decimal digits


@dataclass(frozen=True, slots=True)
class Kind:
    """A type: registers, format of `struct`, and the raw values that mean "not available"."""

    registers: int
    format: str
    unavailable: tuple[int, ...] = ()


# Largest and smallest values stand for "not available" by wide habit; those of SunSpec are among them. In an unsigned type
# 0x8000 and in a signed one 0xFFFF are honest values. NaN and infinities of float types are never values.
KINDS: dict[str, Kind] = {
    "int16": Kind(1, ">h", (0x7FFF, -0x8000)),
    "uint16": Kind(1, ">H", (0xFFFF,)),
    "int32": Kind(2, ">i", (0x7FFF_FFFF, -0x8000_0000)),
    "uint32": Kind(2, ">I", (0xFFFF_FFFF,)),
    "int64": Kind(4, ">q", (0x7FFF_FFFF_FFFF_FFFF, -0x8000_0000_0000_0000)),
    "uint64": Kind(4, ">Q", (0xFFFF_FFFF_FFFF_FFFF,)),
    "float32": Kind(2, ">f"),
    "float64": Kind(4, ">d"),
    "mod10x2": Kind(2, ""),
    "mod10x3": Kind(3, ""),
    "mod10x4": Kind(4, ""),
}


_WORDS = {count: struct.Struct(f">{count}H") for count in (1, 2, 3, 4)}


@dataclass(frozen=True, slots=True)
class Spot:
    """Where one value lies: unit (address on the line), table, first register as on the wire, type and order."""

    unit: int
    table: str
    first: int
    kind: str
    order: str

    @property
    def end(self) -> int:
        """First register after it."""
        return self.first + KINDS[self.kind].registers


@dataclass(frozen=True, slots=True)
class Block:
    """Registers read in one request, and the values in them."""

    unit: int
    table: str
    first: int
    count: int
    spots: tuple[Spot, ...]


class AddressFault(ValueError):
    """What is wrong with an address, and what would be right."""

    def __init__(self, what: str, right: str) -> None:
        super().__init__(f"{what}; {right}")
        self.what, self.right = what, right


def number(text: str, name: str, lowest: int, highest: int) -> int:
    """A whole number of an address within its limits; AddressFault otherwise."""
    if not (text.isascii() and text.isdigit() and len(text) < 10) or not lowest <= int(text) <= highest:
        raise AddressFault(f"{text[:40]!r} is no {name}", f"write a whole number from {lowest} to {highest}")
    return int(text)


def parse_spot(text: str, *, unit: int = 1, order: str = "abcd", first_register: int = 0) -> Spot:
    """The spot of an address `[unit/]table/register/type[/order]`; AddressFault says what is wrong with it.

    `first_register` is the number the data sheet gives the first register (0 or 1).

    >>> parse_spot("3/holding/40072/float32/cdab").first
    40072
    """
    parts = text.split("/")
    if parts and parts[0].isdigit():
        unit = number(parts.pop(0), "unit", 0, 255)
    if not 3 <= len(parts) <= 4:
        raise AddressFault(
            f"{text[:60]!r} is no register address", "write unit/table/register/type, such as 3/holding/72/float32"
        )
    table, register, kind = parts[:3]
    if table not in TABLES:
        raise AddressFault(f"table {table[:40]!r} is not known", "write holding or input")
    if kind not in KINDS:
        raise AddressFault(f"type {kind[:40]!r} is not known", f"write one of {', '.join(KINDS)}")
    if len(parts) == 4:
        order = parts[3]
    if order not in ORDERS:
        raise AddressFault(f"order {order[:40]!r} is not known", f"write one of {', '.join(ORDERS)}")
    first = number(register, "register", first_register, LAST_REGISTER) - first_register
    spot = Spot(unit, table, first, kind, order)
    if spot.end > LAST_REGISTER + 1:
        raise AddressFault(f"{kind} at register {register} ends beyond 65535", "correct the register")
    return spot


def blocks(spots: Iterable[Spot], *, gap: int, most: int) -> tuple[Block, ...]:
    """The fewest requests of at most `most` registers; no value is ever split, at most `gap` unused registers are bridged."""
    results: list[Block] = []
    for spot in sorted(set(spots), key=lambda s: (s.unit, s.table, s.first, s.end, s.kind, s.order)):
        last = results[-1] if results else None
        if last is not None and (last.unit, last.table) == (spot.unit, spot.table):
            end = last.first + last.count
            joined = max(end, spot.end) - last.first
            if spot.first - end <= gap and joined <= most:
                results[-1] = Block(last.unit, last.table, last.first, joined, (*last.spots, spot))
                continue
        results.append(Block(spot.unit, spot.table, spot.first, spot.end - spot.first, (spot,)))
    return tuple(results)


def words_of(block: Block, spot: Spot, registers: Sequence[int]) -> tuple[int, ...]:
    """The registers of one value in the answer to its block."""
    return tuple(registers[spot.first - block.first : spot.end - block.first])


def decode(words: Sequence[int], kind: str, order: str) -> int | float | None:
    """The number in the registers, or None if they say "not available". NotANumber for what cannot be a value.

    >>> decode((0x42F6, 0xE979), "float32", "abcd"), decode((0x8000,), "int16", "abcd")
    (123.45600128173828, None)
    """
    rule = KINDS[kind]
    try:
        data = _WORDS[rule.registers].pack(*(words if order == "abcd" else arranged(words, order)))
    except struct.error as exc:
        raise NotANumber(f"{len(words)} registers cannot hold {kind}") from exc
    if not rule.format:
        return _mod10(_WORDS[rule.registers].unpack(data))
    value: int | float = struct.unpack(rule.format, data)[0]
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None
    return None if value in rule.unavailable else value


def arranged(words: Sequence[int], order: str) -> tuple[int, ...]:
    """The words with the highest first and their bytes the right way round."""
    turned = tuple(words) if order in ("abcd", "badc") else tuple(reversed(words))
    if order in ("badc", "dcba"):
        turned = tuple((word & 0xFF) << 8 | word >> 8 for word in turned)
    return turned


def _mod10(words: Sequence[int]) -> int | None:
    if all(word == 0xFFFF for word in words):
        return None
    value = 0
    for word in words:
        if word >= DIGITS_OF_WORD:
            raise NotANumber(f"a word of {word} is no four decimal digits: check type and order")
        value = value * DIGITS_OF_WORD + word
    return value
