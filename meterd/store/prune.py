"""Deletes old readings from a store: counted first, in steps, never the newest of a register."""

from collections.abc import Mapping
from dataclasses import dataclass

from meterd.figure import Channel
from meterd.store.sqlite import SqliteStore

STEP = 50_000  # rows of one transaction: a quarter of a second


@dataclass(frozen=True, slots=True)
class Prunable:
    """What may go of one register: readings before a moment that no other rule keeps."""

    before_ms: int
    first_ms: int
    rows: int  # that go
    held: int  # that are there before the moment


def prunable(store: SqliteStore, cuts: Mapping[Channel, int]) -> dict[Channel, Prunable]:
    """What may go of each register that has something to go."""
    found = {}
    for channel, before in cuts.items():
        number = store.channel_number(channel)
        first, held = store.connection.execute(
            "SELECT MIN(at_ms), COUNT(*) FROM reading WHERE channel = ? AND at_ms < ?", (number, before)
        ).fetchone()
        where, values = _where(store, channel, before)
        rows = store.connection.execute(f"SELECT COUNT(*) FROM reading WHERE {where}", values).fetchone()[0]
        if rows:
            found[channel] = Prunable(before, int(first), int(rows), int(held))
    return found


def _where(store: SqliteStore, channel: Channel, before: int) -> tuple[str, tuple[int, ...]]:
    """Which readings go. Two kinds stay that are old enough: those a database has not been seen to hold, and the newest."""
    number = store.channel_number(channel)
    newest = store.connection.execute(
        "SELECT seq FROM reading WHERE channel = ? ORDER BY at_ms DESC, value DESC LIMIT 1", (number,)
    ).fetchone()
    # the last number given stays too: without it the next reading would get a number that was used before
    last = store.connection.execute("SELECT COALESCE(MAX(seq), 0) FROM reading").fetchone()[0]
    proven = store.outbox.proven()
    values = (number, before, newest[0] if newest else -1, last, 2**62 if proven is None else proven)
    return "channel = ? AND at_ms < ? AND seq <> ? AND seq < ? AND seq <= ?", values


def prune(store: SqliteStore, what: Mapping[Channel, Prunable]) -> int:
    """Delete; returns how many readings went. Stopped in the middle, it goes on where it was when it is called again."""
    gone = 0
    for channel, one in what.items():
        while True:
            with store.transaction():
                where, values = _where(store, channel, one.before_ms)
                step = store.connection.execute(
                    f"DELETE FROM reading WHERE seq IN (SELECT seq FROM reading WHERE {where} LIMIT {STEP})", values
                ).rowcount
            gone += step
            if step < STEP:
                break
    return gone
