"""Sets figures of local periods aside that are no periods any more, because the rules of the zone have changed."""

from collections.abc import Callable
from functools import cache
from zoneinfo import ZoneInfo

from meterd.adapters.store.digests import FIGURE
from meterd.adapters.store.write_store import WriteStore
from meterd.core.model.periods import Period, bounds

_SERIES = {
    FIGURE: "channel",
    "balance": "board",
    "pv": None,
}  # table -> what tells its series apart, beside the period


def local_starts(zone: ZoneInfo, interval_ms: int) -> Callable[[Period, int], bool]:
    """Whether a period begins at a moment by the present rules, remembered: the same is asked for each register."""

    @cache
    def begins(period: Period, start_ms: int) -> bool:
        return bounds(period, start_ms, zone, interval_ms)[0] == start_ms

    return begins


def withdraw(store: WriteStore, span: tuple[int, int], is_start: Callable[[Period, int], bool]) -> int:
    """Move rows of longer periods that start in a span, but where none begins, to the old ones; how many they were.

    To be called inside a transaction. What a database of lines has got of them stays there.
    """
    db, gone = store.connection, 0
    _take_out(store, span, is_start)
    for table, series in _SERIES.items():
        names = [row[0] for row in db.execute(f"SELECT DISTINCT {series} FROM {table}")] if series else [None]
        for name in names:
            for period in (period for period in Period if period is not Period.INTERVAL):
                where = f"{series} = ? AND " if series else ""
                where += "period = ? AND start_ms BETWEEN ? AND ?"
                values: tuple[object, ...] = (*([name] if series else []), period.value, *span)
                rows = db.execute(f"SELECT start_ms FROM {table} WHERE {where}", values).fetchall()
                for start in (row[0] for row in rows if not is_start(period, row[0])):
                    item = where.replace("BETWEEN ? AND ?", "= ?")
                    key = (*values[:-2], start)
                    db.execute(f"INSERT INTO {table}_old SELECT * FROM {table} WHERE {item}", key)
                    db.execute(f"DELETE FROM {table} WHERE {item}", key)
                    gone += 1
    return gone


def _take_out(store: WriteStore, span: tuple[int, int], is_start: Callable[[Period, int], bool]) -> None:
    """Make rows of the hours in blocks that are none."""
    for (channel,) in store.connection.execute("SELECT id FROM channel").fetchall():
        starts = store.figures.starts(channel, Period.HOUR, span[0], span[1] + 1)
        gone = {start for start in starts if not is_start(Period.HOUR, start)}
        store.figure_packer.take_out((channel, str(Period.HOUR)), gone)
