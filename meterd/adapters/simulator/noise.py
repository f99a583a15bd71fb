"""Random numbers addressed by key and time: the same moment gives the same number, whatever was asked before.

A running generator would make the simulated day depend on how it is stepped; numbers looked up by (key, lattice index)
make stepping, jumping and replaying agree to the last bit. The mixing function is the finaliser of SplitMix64 (Steele,
Lea and Flood, "Fast splittable pseudorandom number generators", 2014; constants from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from zlib import crc32

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Keys = npt.NDArray[np.uint64]

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_1, _MIX_2 = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
_S30, _S27, _S31, _S11 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(11)
_ONE = np.uint64(1)


def _mix(x: Keys) -> Keys:
    x = (x ^ (x >> _S30)) * _MIX_1
    x = (x ^ (x >> _S27)) * _MIX_2
    return x ^ (x >> _S31)


def keys(seed: int, names: Sequence[str]) -> Keys:
    """One key per name, shape (n,). A name keeps its key when others are added to the plan."""
    raw = np.array([crc32(name.encode()) for name in names], dtype=np.uint64)
    return _mix(_mix(raw + _GOLDEN) + np.full(1, seed % 2**63, dtype=np.uint64))


def uniform(key: Keys, index: Ints) -> Floats:
    """Uniform numbers in [0, 1), shape (n, m), for keys (n,) and lattice indices (m,)."""
    return _spread(key[:, None] + (index.astype(np.uint64) * _GOLDEN)[None, :])


def _spread(mixed: Keys) -> Floats:
    return (_mix(mixed) >> _S11).astype(np.float64) * 2.0**-53


@dataclass(frozen=True, slots=True)
class Stream:
    """An independent use of some names: keys (n,), how far each one's lattice is shifted (n, 1), first flat index (n, 1)."""

    key: Keys
    shift: Floats
    rows: Ints


def stream(key: Keys, number: int) -> Stream:
    """The stream of that number for keys (n,). Make it once: it costs more than a look into it."""
    own = _mix(key + np.full(1, number + 1, dtype=np.uint64) * _GOLDEN)
    shift = uniform(_mix(own + _GOLDEN), np.zeros(1, dtype=np.int64))
    return Stream(own, shift, np.arange(len(key), dtype=np.int64)[:, None])


def draw(key: Keys, number: int) -> Floats:
    """One fixed uniform number in [0, 1) per key, shape (n,): a property that does not change with time."""
    return uniform(stream(key, number).key, np.zeros(1, dtype=np.int64))[:, 0]


def steps(source: Stream, at_ms: Ints, scale_s: float) -> Floats:
    """Numbers in [0, 1) that hold for `scale_s` seconds, shape (n, m); each key's steps begin at its own moment."""
    return _at_lattice(source, np.floor(_place(source, at_ms, scale_s)))[0]


def smooth(source: Stream, at_ms: Ints, scale_s: float) -> Floats:
    """Numbers in [0, 1) joined by straight lines over `scale_s` seconds, shape (n, m).

    Neighbouring moments closer than `scale_s` are correlated; moments two scales apart are independent.
    """
    place = _place(source, at_ms, scale_s)
    whole = np.floor(place)
    low, high = _at_lattice(source, whole)
    return low + (high - low) * (place - whole)


def _place(source: Stream, at_ms: Ints, scale_s: float) -> Floats:
    return np.asarray((at_ms / (scale_s * 1000.0))[None, :] + source.shift)


def _at_lattice(source: Stream, whole: Floats) -> tuple[Floats, Floats]:
    """Numbers at the lattice points `whole` (n, m) and at the next ones, by the cheaper of two ways."""
    first, last = int(whole.min()), int(whole.max()) + 2
    if last - first > 2 * whole.shape[1]:  # moments far apart: most of a table would never be looked at
        index = whole.astype(np.int64).astype(np.uint64)
        return _spread(source.key[:, None] + index * _GOLDEN), _spread(source.key[:, None] + (index + _ONE) * _GOLDEN)
    table = uniform(source.key, np.arange(first, last, dtype=np.int64))
    flat = (whole - first).astype(np.int64) + source.rows * table.shape[1]
    return np.take(table, flat), np.take(table, flat + 1)
