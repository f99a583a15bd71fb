"""A whole history at once gives the bits that the daemon's bookkeeper gives, for any registers."""

import random
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.balance.board_balance import Verdict
from meterd.core.energy.aggregation import board_aggregations, pv_aggregation
from meterd.core.energy.batch import Table, all_tables, board_balances, follow, interval_table, parent_table, pv_tables
from meterd.core.energy.rollup import Columns
from meterd.core.engine import begin
from meterd.core.model.periods import MADE_OF, Period
from meterd.core.model.reading import IMPORT, Reading
from tests.app.operations.test_ledger import BEGIN, CHANNELS, QUARTER, SITE, ZONE

HOURS = 3_600_000
# rare long silences, so that gaps, whole days and weeks come into it
STEPS = st.tuples(
    st.sampled_from([300, 600, 900, 1000, 1300, 300, 600, 900, 9000, 100_000]),
    st.sampled_from([0, 1000, 2500, 7_000, 40_000, 300_001, -30_000, 9_000_000_000]),
)
SERIES = st.lists(st.lists(STEPS, min_size=0, max_size=25), min_size=5, max_size=5)


def readings_of(series: list[list[tuple[int, int]]]) -> list[Reading]:
    """Registers that count, stand, fall and jump."""
    readings = []
    for k, ((point, register), steps) in enumerate(zip(CHANNELS, series, strict=True)):
        t, value = BEGIN + 17_000 * k, 5_000_000
        for seconds, rise in steps:
            t, value = t + seconds * 1000, max(value + rise, 0)
            readings.append(Reading(point, register, t, value, t))
    return readings


def bulk(readings: list[Reading]) -> dict[Period, Table]:
    """All tables from the columns of readings, in the order given."""
    rules, followed = begin(SITE, ZONE, None).rules, []
    for channel in CHANNELS:
        own = [r for r in readings if (r.point, r.register) == channel]
        times, values = (
            np.array(column, dtype=np.int64) for column in ([r.at_ms for r in own], [r.value for r in own])
        )
        followed.append(follow(channel, rules[channel], times, values, limits=SITE.limits, interval_ms=QUARTER))
    return all_tables(interval_table(followed, QUARTER), ZONE, QUARTER)


def live(path: Path, readings: list[Reading], size: int) -> SqliteStore:
    """A store kept by the bookkeeper, batch by batch, long after the last interval."""
    store = SqliteStore.writer(path)
    ledger, now = Ledger(store, SITE, ZONE), BEGIN
    for first in range(0, len(readings), size):
        batch = readings[first : first + size]
        now = max([now, *(r.at_ms for r in batch)])
        ledger.tick(batch, now)
    now += 3 * HOURS
    ledger.tick([], now)
    while ledger.late_step(now, 0):  # old times are worked on in pieces
        pass
    ledger.tick([], now)
    return store


@given(SERIES, st.integers(10, 80), st.randoms(use_true_random=False))
@settings(max_examples=12, deadline=None)
def test_bulk_is_live(series: list[list[tuple[int, int]]], size: int, shuffler: object) -> None:
    """Figures, quality, balances with reconciled flows, and PV figures, of every period that is over."""
    readings = readings_of(series)
    shuffler.shuffle(readings)  # type: ignore[attr-defined]
    if not readings:
        return
    with tempfile.TemporaryDirectory() as folder:
        store = live(Path(folder) / "s.sqlite", readings, size)
        all_is_the_same(bulk(readings), store)
        store.close()


# five registers in the order of CHANNELS; some stand, all are silent for a day and more
SILENT = [
    [],
    [],
    [(300, 0)] * 8 + [(100_000, 0)] + [(300, 0)] * 6,
    [(300, 7_000)] * 4 + [(100_000, 40_000)] + [(300, 0)] * 4,
    [(300, 0)] * 18 + [(100_000, 0)] * 4,
]


@pytest.mark.parametrize("seed", range(8))
def test_readings_around_silent_days_in_any_order(seed: int, tmp_path: Path) -> None:
    """A silence ends while readings of before still wait: what lies in it is made with them."""
    readings, draw = readings_of(SILENT), random.Random(seed)
    draw.shuffle(readings)
    store = live(tmp_path / "s.sqlite", readings, draw.choice((1, 10)))
    all_is_the_same(bulk(readings), store)
    store.close()


def test_a_silence_that_ends_while_an_older_reading_waits(tmp_path: Path) -> None:
    """The interval in which it ends has no reading before it but those that are followed in pieces."""
    f1, pv = ("f1", IMPORT), ("pv", IMPORT)
    arrivals = [(f1, 334), (f1, 1834), (f1, 103_034), (pv, 405_468), (f1, 634), (f1, 103_634), (pv, 5168)]
    readings = [Reading(*who, BEGIN + 1000 * s, 5_000_000, BEGIN + 1000 * s) for who, s in arrivals]
    tables = bulk(sorted(readings, key=lambda reading: reading.at_ms))
    store = live(tmp_path / "s.sqlite", readings, 1)
    ends_in = BEGIN + 103_500_000 - QUARTER  # the quarter of an hour with the first reading after the silence
    figures = store.columns([f1], Period.INTERVAL, np.array([ends_in]))
    assert figures.present.tolist() == [[True]]
    all_is_the_same(tables, store)
    store.close()


def all_is_the_same(tables: dict[Period, Table], store: SqliteStore) -> None:
    end = int(store.fact("closed_to_ms") or 0)
    for period, table in tables.items():
        over = table.end_ms <= end
        columns = store.columns(CHANNELS, period, table.start_ms[over])
        for name in ("energy", "present", "flags"):
            assert getattr(columns, name).tolist() == getattr(table.columns, name)[over].tolist(), (period, name)
    balances_are_the_same(tables, store, end)
    pv_is_the_same(tables, store, end)


def balances_are_the_same(tables: dict[Period, Table], store: SqliteStore, end: int) -> None:
    for table, result, estimated in board_balances(board_aggregations(SITE)["main"], tables):
        rows = {row.start_ms: row for row in store.balances("main", table.period, 0, end)}
        for i, (start, stop) in enumerate(zip(table.start_ms.tolist(), table.end_ms.tolist(), strict=True)):
            if stop > end:
                continue
            row, known = rows[start], bool(result.computable[i])
            assert row.verdict == Verdict(int(result.verdict[i])).word
            assert row.feed == (result.feed[i] if result.feed_present[i] else None)
            assert row.outgoing == (result.outgoing[i] if result.outgoing_present[i] else None)
            assert (row.residual, row.band) == ((result.residual[i], result.band[i]) if known else (None, None))
            assert row.estimated == (known and bool(estimated[i]))
            assert row.missing == result.missing_points(i)
            flows = tuple(zip(result.points, result.reconciled[i].tolist(), strict=True))
            assert row.reconciled == (flows if known and table.period is Period.INTERVAL else ())


def pv_is_the_same(tables: dict[Period, Table], store: SqliteStore, end: int) -> None:
    aggregation = pv_aggregation(SITE)
    assert aggregation is not None
    for pv_table in pv_tables(aggregation, tables):
        rows = {row.start_ms: row for row in store.pv(pv_table.table.period, 0, end)}
        for i, (start, stop) in enumerate(
            zip(pv_table.table.start_ms.tolist(), pv_table.table.end_ms.tolist(), strict=True)
        ):
            if stop > end:
                continue
            for name in ("production", "grid_import", "grid_export", "self_use", "consumption"):
                expected = int(getattr(pv_table, name)[i]) if pv_table.present[i] else None
                # where no register of the figures has an interval, the daemon writes no row
                assert getattr(rows.get(start), name, None) == expected, (pv_table.table.period, name)


def test_a_table_without_readings_is_empty() -> None:
    tables = bulk([])
    assert all(len(table.start_ms) == 0 for table in tables.values())


def test_registers_of_different_length_share_one_table() -> None:
    """A register that came later is missing before; one that is not in the table is missing throughout."""
    readings = [Reading("feed", IMPORT, BEGIN + k * QUARTER, 1000 * k, 0) for k in range(9)]
    readings += [Reading("pv", IMPORT, BEGIN + k * QUARTER, 500 * k, 0) for k in range(4, 7)]
    table = bulk(readings)[Period.INTERVAL]
    picked = table.pick([("pv", IMPORT), ("nobody", IMPORT), ("feed", IMPORT)])
    assert picked.present.sum(axis=0).tolist() == [2, 0, 8]
    assert picked.energy[4:6, 0].tolist() == [500, 500]


@pytest.mark.parametrize(("count", "known"), [(96, [True]), (95, [False]), (97, [True, False])])
def test_a_parent_that_is_not_wholly_inside_is_missing(count: int, known: list[bool]) -> None:
    """A day of 96 quarter hours from its local midnight on; a table that ends before it or goes beyond."""
    midnight = BEGIN - 23 * HOURS  # 2026-03-28 in Vienna
    start = midnight + QUARTER * np.arange(count, dtype=np.int64)
    ones = np.ones((count, 1), dtype=np.int64)
    columns = Columns(ones, ones.astype(bool), np.zeros((count, 1), dtype=np.uint8))
    parts = Table(Period.INTERVAL, start, start + QUARTER, (("feed", IMPORT),), columns)
    day = parent_table(parent_table(parts, Period.HOUR, ZONE, QUARTER), Period.DAY, ZONE, QUARTER)
    assert day.columns.present[:, 0].tolist() == known
    assert MADE_OF[Period.DAY] is Period.HOUR
    assert day.columns.energy[0, 0] == (96 if known[0] else 0)
