"""A store whose figures are packed again and again, beside one that keeps rows: both must answer every question the same."""

from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np

from meterd.adapters.store.as_of import AsOfStore
from meterd.adapters.store.change_feed import OutboxReader, Position
from meterd.adapters.store.dump import ArchiveReader
from meterd.adapters.store.figure_blocks import STRETCH_MS
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.month_rows import MonthRows
from meterd.core.model.periods import Period
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Anchor, Channel, FigureRow

QUARTER, HOUR = 900_000, 3_600_000
BEGIN = 625 * STRETCH_MS  # of a stretch
CHANNELS: tuple[Channel, ...] = (("q01", IMPORT), ("q02", IMPORT), ("q02", EXPORT))
WHOLE = (-(2**61), 2**61)


def figure(channel: Channel, period: Period, start_ms: int, energy: int | None, anchor: int | None = None) -> FigureRow:
    """A figure whose flags and anchor follow from its numbers."""
    flags = 0 if energy is None else energy % 4
    own = None if anchor is None or period is not Period.INTERVAL else Anchor(start_ms + anchor, 7 * anchor, anchor)
    return FigureRow(channel, period, start_ms, energy, flags, own)


def filled(path: Path, days: int = 4, now_ms: int = BEGIN) -> SqliteStore:
    """So many days of quarter hours and hours of two registers."""
    store = SqliteStore.writer(path)
    with store.transaction():
        for channel in CHANNELS[:2]:
            for period, step in ((Period.INTERVAL, QUARTER), (Period.HOUR, HOUR)):
                starts = range(BEGIN, BEGIN + days * 86_400_000, step)
                rows = [figure(channel, period, start, 5_000_000 + start // 997 % 9_999, 7) for start in starts]
                store.write_figures(rows, now_ms=now_ms, reason="x")
    return store


def blocks(store: SqliteStore) -> int:
    """How many blocks of figures there are."""
    return int(store.connection.execute("SELECT COUNT(*) FROM figure_block").fetchone()[0])


def rows(store: SqliteStore) -> int:
    """How many figures stand in rows of their own."""
    return int(store.connection.execute("SELECT COUNT(*) FROM figure").fetchone()[0])


def stored(store: SqliteStore) -> list[tuple[object, ...]]:
    """Every figure as it was stored, and every version that was set aside."""
    results: list[tuple[object, ...]] = []
    for channel in store.channels():
        number = store.channel_number(channel)
        results += [(*channel, p, *row) for p in Period for row in store.figures.rows(number, p, *WHOLE)]
    old = "SELECT point, register, o.* FROM figure_old AS o JOIN channel ON id = channel ORDER BY 1, 2, 4, 5, 6"
    return results + [(*row[:2], *row[3:]) for row in store.connection.execute(old).fetchall()]


def answers(store: SqliteStore, path: Path, moments: Sequence[int], written: Iterable[int]) -> list[object]:
    """What a store says to everything that is asked of figures."""
    results: list[object] = [store.channels(), *(store.span(period) for period in Period)]
    for channel in store.channels():
        for low in moments:
            spans = [(low, low + 7 * QUARTER), (low, low + 86_400_000), (low - STRETCH_MS, low + 2 * STRETCH_MS)]
            for span in spans:
                results += [
                    store.known_sum(channel, *span),
                    store.largest(channel, *span),
                    store.anchors(channel, *span),
                ]
                results += [store.interval_starts(channel, *span, period) for period in Period]
            results += [store.anchor(channel, low), *(store.versions(channel, p, low) for p in Period)]
    return [*results, *_columns(store, moments), *_of_readers(path, moments), *_as_of(path, moments, written)]


def _columns(store: SqliteStore, moments: Sequence[int]) -> list[object]:
    """A day, two stretches, scattered moments and scattered spans, of all registers and of one."""
    low, results = moments[0], [store.stored_energies(store.channels(), moments[0], moments[-1] + 1)]
    nights = [np.arange(low + day * 86_400_000, low + day * 86_400_000 + 4 * HOUR, QUARTER) for day in range(3)]
    grids = [
        np.arange(low - low % QUARTER, low + 86_400_000, QUARTER),
        np.array(sorted(set(moments))),
        np.concatenate(nights),
    ]
    grids += [np.arange(low - low % HOUR - STRETCH_MS, low + STRETCH_MS, HOUR), np.array([], dtype=np.int64)]
    channels = [*store.channels(), ("nobody", IMPORT)]
    for grid in grids:
        for period in Period:
            for some in (channels, channels[:1], [*channels[:1], *channels]):
                columns = store.columns(some, period, grid)
                results.append([c.tolist() for c in (columns.energy, columns.present, columns.flags)])
    return results


def _of_readers(path: Path, moments: Sequence[int]) -> list[object]:
    """Exports, the archive and a database of lines, from connections of their own."""
    results: list[object] = []
    with closing(ArchiveReader(path)) as reader:
        results.append(reader.span())
        results += [list(reader.figures(c, p, *WHOLE)) for c in reader.channels for p in Period]
    spans = dict.fromkeys(Period, (moments[0], moments[-1]))
    with closing(MonthRows(path)) as month:
        results += [month.first_ms(), list(month.rows("energy", spans)), month.fingerprint("energy", spans)]
    feed, position = OutboxReader(path, "mill"), Position()
    while (batch := feed.next(position, 40)).position != position:
        results.append(batch.lines)
        position = batch.position
    feed.close()
    return results


def _as_of(path: Path, moments: Sequence[int], written: Iterable[int]) -> list[object]:
    results: list[object] = []
    for moment in written:
        with closing(AsOfStore.at(path, moment)) as store:
            results += [store.span(period) for period in Period]
            for channel in store.channels():
                results += [
                    store.known_sum(channel, moments[0], moments[-1]),
                    store.largest(channel, moments[0], moments[-1]),
                ]
            results += _columns(store, moments)
    return results
