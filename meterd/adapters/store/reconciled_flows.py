"""Reconciled flows of balances as they are stored: packed, a tenth of the room that their text takes.

The points of a list stand once, in `flow_points`. Its number is made of the names, so a list has the same number in every
store, whichever came first. A packed list is the number (4 bytes), a byte that says how the flows are written, and the flows:
of each x = flow + 2^k, first how many bits x has more than k + 1, as so many zeros and a one; behind all of those the bits of
each x after its first. k is the median length of the flows: of a board it comes to three bits a flow more than the least.

A text is a JSON list of pairs, as earlier versions stored all lists: what is empty or does not fit stays one.
"""

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from hashlib import blake2b
from itertools import islice
from typing import Any, TypeVar

import numpy as np

from meterd.adapters.store.digest_writer import DigestWriter
from meterd.adapters.store.digests import KINDS, columns_of
from meterd.core.errors import StoreError
from meterd.core.registers.register_line import Bools, Ints

Flows = Sequence[tuple[str, int]]
Number = TypeVar("Number")
# Version 10: the points of packed lists, and behind which balance those of earlier versions are still texts.
VERSION_10 = """
CREATE TABLE flow_points (id INTEGER PRIMARY KEY, points TEXT NOT NULL);
CREATE TABLE unpacked (kind TEXT PRIMARY KEY, board TEXT NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL,
 version INTEGER NOT NULL) WITHOUT ROWID;
INSERT INTO unpacked SELECT 'balance', '', '', 0, 0 WHERE EXISTS (SELECT 1 FROM balance);
INSERT INTO unpacked SELECT 'balance_old', '', '', 0, 0 WHERE EXISTS (SELECT 1 FROM balance_old);
"""
PIECE_ROWS = 100  # of one piece: some hundredths of a second
MOST = 2**51  # mWh: lengths are those of floating-point numbers, which are exact below 2^53
_SIGNED = 0x80  # flows may be below zero: x is then made of 2 * flow, or of -2 * flow - 1
_NUMBER = 4  # bytes
_MOST_BITS = 53
_PLACES, _BYTES = np.arange(64), np.arange(8)
AT_ONCE = 200  # rows whose bits are numbers at the same time
UNREADABLE = "the flows of a balance cannot be read; restore a backup"
_text = json.JSONEncoder(separators=(",", ":")).encode  # `json.dumps` would make an encoder for each row


def flows_of(text: str) -> tuple[tuple[str, int], ...]:
    """The flows of a JSON list of pairs."""
    return tuple((point, mwh) for point, mwh in json.loads(text))


def flows_of_texts(texts: Sequence[str]) -> list[tuple[tuple[str, int], ...]]:
    """The flows of JSON lists of pairs."""
    return [flows_of(text) for text in texts]


class ReconciledFlows:
    """Packs and unpacks the flows of balances of one store. `pack` belongs into a transaction of the store."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._numbers: dict[tuple[str, ...], int | None] = {}
        self._points: dict[int, tuple[str, ...]] = {}

    def forget(self) -> None:
        """The transaction was not kept."""
        self._numbers, self._points = {}, {}

    def pack(self, rows: Sequence[Flows]) -> list[bytes | str]:
        """What is stored of the flows of each balance: the same for the same flows, with whatever others they are packed."""
        results: list[bytes | str] = []
        groups: dict[int, list[int]] = {}
        for i, flows in enumerate(rows):
            number = self._number(tuple(point for point, _ in flows)) if _fit(flows) else None
            if number is not None:
                groups.setdefault(number, []).append(i)
            results.append(_text(flows) if number is None else "")
        for number, places in _in_pieces(groups):
            table = np.array([[mwh for _, mwh in rows[i]] for i in places], dtype=np.int64)
            for i, content in zip(places, packed(table), strict=True):
                results[i] = number.to_bytes(_NUMBER, "big") + content
        return results

    def unpack(self, stored: Sequence[bytes | str]) -> list[tuple[tuple[str, int], ...]]:
        """The flows of each balance."""
        results = [flows_of(item) if isinstance(item, str) else () for item in stored]
        groups: dict[bytes, list[int]] = {}
        for i, item in enumerate(stored):
            if isinstance(item, bytes):
                groups.setdefault(item[:_NUMBER], []).append(i)
        for number, places in _in_pieces(groups):
            points = self._points_of(int.from_bytes(number, "big"))
            table = unpacked([stored[i][_NUMBER:] for i in places], len(points))  # type: ignore[misc]
            for i, values in zip(places, table.tolist(), strict=True):
                results[i] = tuple(zip(points, values, strict=True))
        return results

    def repack(self, stored: Sequence[Any]) -> list[Any]:
        """What this version stores of flows that may be stored as an earlier one did; as they are if they cannot be read."""
        results = list(stored)
        texts: dict[int, Flows] = {}
        for i, item in enumerate(stored):
            if isinstance(item, str) and item != "[]":
                with suppress(ValueError, TypeError):
                    flows = flows_of(item)
                    if all(isinstance(point, str) for point, _ in flows):
                        texts[i] = flows
        for i, fresh in zip(texts, self.pack(list(texts.values())), strict=True):
            results[i] = fresh
        return results

    def in_text(self, rows: Iterable[tuple[Any, ...]], place: int) -> Iterator[tuple[object, ...]]:
        """Rows with their flows as a JSON list of pairs, for exports and archives."""
        return self._changed(rows, place, self._texts)

    def repacked(self, rows: Iterable[tuple[Any, ...]], place: int) -> Iterator[tuple[object, ...]]:
        """Rows with their flows as this version stores them."""
        return self._changed(rows, place, self.repack)

    def _texts(self, stored: Sequence[bytes | str]) -> list[str]:
        flows = iter(self.unpack([item for item in stored if isinstance(item, bytes)]))
        return [item if isinstance(item, str) else _text(next(flows)) for item in stored]

    def _changed(
        self, rows: Iterable[tuple[Any, ...]], place: int, change: Callable[[Sequence[Any]], Sequence[Any]]
    ) -> Iterator[tuple[object, ...]]:
        some = iter(rows)
        while batch := list(islice(some, AT_ONCE)):
            for row, value in zip(batch, change([row[place] for row in batch]), strict=True):
                yield (*row[:place], value, *row[place + 1 :])

    def taken_over(self, rows: Sequence[tuple[Any, ...]], other: "ReconciledFlows") -> list[tuple[Any, ...]]:
        """Balances of another store, all columns, as this one stores them: without flows that cannot be read any more."""
        results, place = [], columns_of(self._db, "balance").index("reconciled")
        for row in rows:
            flows: Flows = ()
            with suppress(sqlite3.DatabaseError, StoreError, ValueError, TypeError):
                (flows,) = other.unpack([row[place]])
            results.append((*row[:place], *self.pack([flows]), *row[place + 1 :]))
        return results

    def _number(self, points: tuple[str, ...]) -> int | None:
        """The number of a list of points; None where another list has it."""
        if points not in self._numbers:
            text = _text(points)
            number = int.from_bytes(blake2b(text.encode(), digest_size=_NUMBER).digest(), "big")
            row = self._db.execute("SELECT points FROM flow_points WHERE id = ?", (number,)).fetchone()
            if row is None:
                self._db.execute("INSERT INTO flow_points VALUES (?, ?)", (number, text))
            self._numbers[points] = number if row is None or row[0] == text else None
        return self._numbers[points]

    def _points_of(self, number: int) -> tuple[str, ...]:
        if number not in self._points:
            row = self._db.execute("SELECT points FROM flow_points WHERE id = ?", (number,)).fetchone()
            if row is None:
                raise StoreError(f"the points of list {number} of a balance are not in the store; restore a backup")
            self._points[number] = tuple(json.loads(row[0]))
        return self._points[number]


def _in_pieces(groups: Mapping[Number, list[int]]) -> Iterator[tuple[Number, list[int]]]:
    """Places by number, only so many at a time."""
    for number, places in groups.items():
        for low in range(0, len(places), AT_ONCE):
            yield number, places[low : low + AT_ONCE]


def _fit(flows: Flows) -> bool:
    return bool(flows) and all(type(mwh) is int and -MOST < mwh < MOST for _, mwh in flows)


def packed(flows: Ints) -> list[bytes]:
    """Flows in mWh of T balances by n points, at least one, each less than `MOST` away from 0.

    >>> [content.hex() for content in packed(np.array([[5, 6, 300, 0]]))]
    ['03c1dc6800']
    >>> unpacked(packed(np.array([[5, 6, 300, 0], [-5, 0, 0, 1]])), 4).tolist()
    [[5, 6, 300, 0], [-5, 0, 0, 1]]
    """
    signed: Bools = np.any(flows < 0, axis=1)
    x = np.where(signed[:, None], flows << 1 ^ flows >> 63, flows)
    k = np.sort(_lengths(x), axis=1)[:, x.shape[1] // 2]
    x += (np.int64(1) << k)[:, None]
    widths = _lengths(x) - 1
    ones = np.cumsum(widths - k[:, None] + 1, axis=1) - 1  # places of the ones in their row
    sizes = -(-(ones[:, -1] + 1 + widths.sum(axis=1)) // 8)
    ends = np.cumsum(sizes)
    begins = (ends - sizes)[:, None] * 8
    bits = np.zeros(8 * int(ends[-1]), dtype=np.uint8)
    bits[begins + ones] = 1
    tails = begins + ones[:, -1:] + 1 + np.cumsum(widths, axis=1) - widths  # places of the bits behind the first
    each = widths.ravel()
    runs = np.repeat(tails.ravel() - (np.cumsum(each) - each), each)
    bits[runs + np.arange(len(runs))] = np.unpackbits(x.astype(">u8").view(np.uint8)).reshape(-1, 64)[_tail(each)]
    content, marks = np.packbits(bits).tobytes(), (k | np.where(signed, _SIGNED, 0)).tolist()
    spans = zip(marks, (ends - sizes).tolist(), ends.tolist(), strict=True)
    return [bytes((mark,)) + content[begin:end] for mark, begin, end in spans]


def unpacked(contents: Sequence[bytes], count: int) -> Ints:
    """So many flows of each balance in mWh. StoreError if they are not as `packed` makes them."""
    sizes = np.array([len(content) for content in contents], dtype=np.int64)
    whole = np.frombuffer(b"".join((*contents, bytes(8))), dtype=np.uint8)
    ends = np.cumsum(sizes)
    first = ends - sizes
    k = (whole[first] & ~np.uint8(_SIGNED)).astype(np.int64)[:, None]
    begins = 8 * (first + 1)[:, None]
    every = np.flatnonzero(np.unpackbits(whole))
    which = np.searchsorted(every, begins) + np.arange(count)
    if which.max(initial=-1) >= len(every) or k.max(initial=0) > _MOST_BITS:
        raise StoreError(UNREADABLE)
    ones = every[which]
    widths = np.diff(ones, axis=1, prepend=begins - 1) - 1 + k
    tails = ones[:, -1:] + 1 + np.cumsum(widths, axis=1) - widths
    if widths.max(initial=0) > _MOST_BITS or (tails[:, -1] + widths[:, -1] > 8 * ends).any():
        raise StoreError(UNREADABLE)
    windows = whole[(tails >> 3)[:, :, None] + _BYTES].view(">u8")[:, :, 0].astype(np.uint64)
    rest = (windows << (tails & 7).astype(np.uint64) >> np.uint64(8)) >> (56 - widths).astype(np.uint64)
    x = rest.astype(np.int64) + (np.int64(1) << widths) - (np.int64(1) << k)
    results: Ints = np.where((whole[first] & _SIGNED)[:, None] != 0, x >> 1 ^ -(x & 1), x)
    return results


def _lengths(values: Ints) -> Ints:
    """How many bits each has."""
    return np.frexp(values.astype(np.float64))[1].astype(np.int64)


def _tail(widths: Ints) -> Bools:
    """The last bits of 64, so many of each."""
    places: Bools = 64 - widths[:, None] <= _PLACES
    return places


# -- what earlier versions stored as texts -----------------------------------------------------------------------------


def waits(connection: sqlite3.Connection) -> bool:
    """Whether flows are stored as an earlier version did."""
    return connection.execute("SELECT 1 FROM unpacked").fetchone() is not None


def pack_some(connection: sqlite3.Connection, flows: ReconciledFlows, digests: DigestWriter) -> bool:
    """Pack the next flows that are texts; whether a table is done. Belongs into a transaction of the store.

    Old versions come last: what replaces a balance sets it aside as it is. From a row on whose texts cannot be read a table
    stays as it is: the digest of that day tells. Rows are written anew in their order, since pages
    whose rows only become shorter stay half empty.
    """
    kind, *after = connection.execute(
        "SELECT kind, board, period, start_ms, version FROM unpacked ORDER BY kind"
    ).fetchone()
    key = "board, period, start_ms, version"
    rows: list[tuple[Any, ...]] = []
    with _whole_texts():
        rows = connection.execute(
            f"SELECT * FROM {kind} WHERE ({key}) > (?, ?, ?, ?) ORDER BY {key} LIMIT {PIECE_ROWS}", after
        ).fetchall()
    if not rows:
        connection.execute("DELETE FROM unpacked WHERE kind = ?", (kind,))
        return True
    columns = columns_of(connection, kind)
    fresh = list(flows.repacked(rows, columns.index("reconciled")))
    last = rows[-1][: len(after)]
    connection.execute(f"DELETE FROM {kind} WHERE ({key}) > (?, ?, ?, ?) AND ({key}) <= (?, ?, ?, ?)", (*after, *last))
    connection.executemany(f"INSERT INTO {kind} VALUES ({', '.join('?' * len(columns))})", fresh)
    if KINDS[kind].in_bulk:
        for row in fresh:
            digests.added(kind, row[0], columns.index("start_ms"), [row])
    move = "UPDATE unpacked SET board = ?, period = ?, start_ms = ?, version = ? WHERE kind = ?"
    connection.execute(move, (*last, kind))
    return False


@contextmanager
def _whole_texts() -> Iterator[None]:
    """What is read inside is given up where a byte of a text is none of UTF-8 any more."""
    try:
        yield
    except sqlite3.OperationalError as exc:
        if "UTF-8" not in str(exc):
            raise
