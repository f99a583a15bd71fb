"""Columns of whole numbers as planes of bits, compressed: what blocks of readings and of figures are coded with.

    a table of numbers  ->  the sign as the last bit  ->  bits of equal significance together  ->  zlib

All arithmetic is modulo 2^64, so whatever a column holds comes back exactly.
"""

import zlib
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from meterd.core.registers.register_line import Ints

_MOST_BYTES = 64_000_000  # of a content that is believed: a reading each 70 ms
_FLOAT_BITS = 53  # whole numbers below 2^53 are exact as floats
_ONE = np.uint64(1)
_LEVEL = 6  # of zlib: 9 takes three times as long for a hundredth less


class DamagedBlock(ValueError):
    """A content that cannot be what was packed."""


def compressed(data: bytes) -> bytes:
    """What is read by `inflated`."""
    return zlib.compress(data, _LEVEL)


def inflated(content: memoryview) -> bytes:
    """What was compressed, up to the last byte; DamagedBlock where it was not."""
    stream = zlib.decompressobj()
    try:
        data = stream.decompress(content, _MOST_BYTES)
    except zlib.error as exc:
        raise DamagedBlock(f"the content of a block cannot be read: {exc}") from exc
    if not stream.eof or stream.unused_data:
        raise DamagedBlock("the content of a block has another length")
    return data


def planes_of(table: Ints) -> bytes:
    """How many bits the numbers of each row of a table have, and the planes of these bits."""
    turned = ((table << 1) ^ (table >> 63)).view(np.uint64)  # the sign last: what is small has zeros in front
    lengths = [int(most).bit_length() for most in turned.max(axis=1)]
    places, weights = _layout(tuple(lengths))
    bits = (turned[places] >> weights).astype(np.uint8) & 1
    planes = np.packbits(bits, axis=1, bitorder="little")
    return bytes(lengths) + planes.tobytes()


def table_of(data: bytes, begin: int, rows: int, count: int) -> Ints:
    """The table of so many rows and columns whose planes stand behind a place; DamagedBlock where there are others."""
    at = begin + rows
    lengths, size = tuple(data[begin:at]), (count + 7) // 8
    whole = count and len(data) == at + sum(lengths) * size
    if not whole or len(lengths) != rows or max(lengths) > 64:
        raise DamagedBlock("the content of a block has another length")
    planes = np.frombuffer(data, np.uint8, offset=at).reshape(-1, size)
    turned = _numbers(lengths, np.unpackbits(planes, axis=1, count=count, bitorder="little"))
    return (turned >> _ONE).view(np.int64) ^ -((turned & _ONE).view(np.int64))


@lru_cache(1_000)
def _layout(lengths: tuple[int, ...]) -> tuple[Ints, NDArray[np.uint64]]:
    """Of each plane of bits its column, and which bit it is."""
    places = np.repeat(np.arange(len(lengths)), lengths)
    bits = np.concatenate([np.arange(length, dtype=np.uint64) for length in (*lengths, 0)])
    return places, bits[:, None]


@lru_cache(1_000)
def _weights(lengths: tuple[int, ...]) -> NDArray[np.float64]:
    """What each plane counts in the numbers of each column, as far as floats are exact."""
    weights = np.zeros((len(lengths), sum(lengths)))
    places, bits = _layout(lengths)
    weights[places, np.arange(len(places))] = np.where(bits[:, 0] < _FLOAT_BITS, np.exp2(bits[:, 0].astype(float)), 0.0)
    return weights


def _numbers(lengths: tuple[int, ...], bits: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """The numbers of each column. A product of floats is exact below 2^53 and takes a tenth of the time of shifts."""
    numbers: NDArray[np.uint64] = (_weights(lengths) @ bits.astype(np.float64)).astype(np.uint64)
    if max(lengths) > _FLOAT_BITS:
        places, which = _layout(lengths)
        for plane in np.flatnonzero(which[:, 0] >= _FLOAT_BITS).tolist():
            numbers[places[plane]] |= bits[plane].astype(np.uint64) << which[plane]
    return numbers
