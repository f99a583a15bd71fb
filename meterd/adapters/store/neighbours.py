"""What stands around moments of one register: readings on both sides, anchors of many intervals."""

from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.periods import Period
from meterd.core.model.results import Anchor, Channel


def readings_around(store: SqliteStore, channel: Channel, at_ms: int) -> tuple[int | None, int | None]:
    """Times of the newest reading of a register before a moment and of the first one from it on."""
    number, ask = store.channel_number(channel), store.connection.execute
    before = ask("SELECT MAX(at_ms) FROM reading WHERE channel = ? AND at_ms < ?", (number, at_ms)).fetchone()
    after = ask("SELECT MIN(at_ms) FROM reading WHERE channel = ? AND at_ms >= ?", (number, at_ms)).fetchone()
    return before[0], after[0]


def anchors(store: SqliteStore, channel: Channel, from_ms: int, until_ms: int) -> dict[int, Anchor]:
    """Anchors of the intervals of a register that start in [from, until), by start."""
    rows = store.connection.execute(
        "SELECT start_ms, anchor_ms, anchor_raw, anchor_plateau FROM figure WHERE channel = ? AND period = ?"
        " AND start_ms >= ? AND start_ms < ? AND anchor_ms IS NOT NULL",
        (store.channel_number(channel), Period.INTERVAL, from_ms, until_ms),
    )
    return {start: Anchor(at_ms, raw, plateau) for start, at_ms, raw, plateau in rows}
