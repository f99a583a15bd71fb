"""The chain of digests: each day of a table and series is linked to the day before it.

A day whose rows and digest both went, or came back as they were before, leaves rows that agree with their digests; the
link of the next day does not agree then. The last day of a chain is linked when a later one begins, or when the store is
closed. A day that changes afterwards loses its link, and the chain is linked anew from there.
"""

import sqlite3
from collections.abc import Iterable
from hashlib import blake2b

Chain = tuple[str, object]  # table, series
_DAYS = "SELECT day, count, sum, link FROM digest WHERE kind = ? AND subject = ? AND day >= ? ORDER BY day"


def link_of(before: bytes, chain: Chain, day: int, content: tuple[int, int]) -> bytes:
    """The link of a day: of the link before it, and of the number and sum of its rows."""
    return blake2b(before + repr((*chain, day, *content)).encode(), digest_size=8).digest()


def open_chains(connection: sqlite3.Connection) -> list[Chain]:
    """Chains with a day that has no link."""
    return connection.execute("SELECT DISTINCT kind, subject FROM digest WHERE link IS NULL").fetchall()


def link_days(connection: sqlite3.Connection, chain: Chain, *, last: bool) -> None:
    """Link the days of a chain from the first that has no link on; the last one only if asked for."""
    (first,) = connection.execute(
        "SELECT MIN(day) FROM digest WHERE kind = ? AND subject = ? AND link IS NULL", chain
    ).fetchone()
    if first is None:
        return
    row = connection.execute(
        "SELECT link FROM digest WHERE kind = ? AND subject = ? AND day < ? ORDER BY day DESC LIMIT 1", (*chain, first)
    ).fetchone()
    days = connection.execute(_DAYS, (*chain, first)).fetchall()
    before, linked = row[0] if row else b"", []
    last = last or days[-1][3] is not None  # one that had a link before, as at an earlier end
    for day, count, total, _ in days if last else days[:-1]:
        before = link_of(before, chain, day, (count, total))
        linked.append((before, *chain, day))
    connection.executemany("UPDATE digest SET link = ? WHERE kind = ? AND subject = ? AND day = ?", linked)


def broken_days(connection: sqlite3.Connection, chain: Chain) -> Iterable[int]:
    """Days whose link does not agree with the days before, up to the first that has no link."""
    before = b""
    for day, count, total, link in connection.execute(_DAYS, (*chain, -(2**62))):
        if link is None:
            return
        if link != link_of(before, chain, day, (count, total)):
            yield day
        before = link
