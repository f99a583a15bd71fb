"""The stored figures come out the same for any order of arrival, any batches and any restart."""

import tempfile
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import MADE_OF, Period, starts
from meterd.core.model.plan import Board, Input, Limits, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, Reading

ZONE = ZoneInfo("Europe/Vienna")
QUARTER = 900_000
BEGIN = 1_774_735_200_000  # 2026-03-28 22:00 UTC: an hour before the local spring day of 23 hours
CHANNELS = [("feed", IMPORT), ("feed", EXPORT), ("f1", IMPORT), ("f2", IMPORT), ("pv", IMPORT)]
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("main"),),
    points=(
        Point("feed", "main", Role.FEED),
        Point("f1", "main", Role.FEEDER),
        Point("f2", "main", Role.FEEDER),
        Point("pv", "main", Role.PV),
    ),
    inputs=tuple(Input(p, r, "s", f"{p}/{r}") for p, r in CHANNELS),
    limits=Limits(gap_exact_s=1200),
)


def everything(store: SqliteStore) -> dict[str, object]:
    """The newest figure, balance and PV figure of every period."""
    until = BEGIN + 3 * 86_400_000
    results: dict[str, object] = {}
    for period in Period:
        grid = np.array(starts(period, BEGIN - 2 * 86_400_000, until, ZONE, QUARTER), dtype=np.int64)
        columns = store.columns(CHANNELS, period, grid)
        results[period] = [c.tolist() for c in (columns.energy, columns.present, columns.flags)]
        results[f"balance {period}"] = store.balances("main", period, 0, until)
        results[f"pv {period}"] = store.pv(period, 0, until)
    return results


RISES = st.sampled_from([0, 1000, 2500, 7_000, 40_000, -30_000, 9_000_000_000])
SERIES = st.lists(st.tuples(st.integers(60, 1500), RISES), min_size=5, max_size=25)


def readings_of(series: list[list[tuple[int, int]]]) -> list[Reading]:
    """Registers of five channels that count, stand, fall and jump."""
    readings = []
    for (point, register), steps in zip(CHANNELS, series, strict=True):
        t, value = BEGIN, 5_000_000
        for seconds, rise in steps:
            t, value = t + seconds * 1000, max(value + rise, 0)
            readings.append(Reading(point, register, t, value, t))
    return readings


def play(batches: list[list[Reading]], restarts: set[int], end: int) -> dict[str, object]:
    """Feed batches to a store, beginning anew from the file before some of them."""
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore.writer(Path(folder) / "s.sqlite")
        ledger = Ledger(store, SITE, ZONE)
        now = BEGIN
        for i, batch in enumerate(batches):
            if i in restarts:
                store.close()
                store = SqliteStore.writer(Path(folder) / "s.sqlite")
                ledger = Ledger(store, SITE, ZONE)
            now = max([now, *(r.at_ms for r in batch)])
            ledger.tick(batch, now)
        ledger.tick([], end)
        ledger.tick([], end)
        results = everything(store)
        store.close()
        return results


@given(st.lists(SERIES, min_size=5, max_size=5), st.randoms(use_true_random=False), st.data())
@settings(max_examples=20, deadline=None)
def test_any_order_any_batches_any_restart_give_the_same_figures(
    series: list[list[tuple[int, int]]], random: object, data: st.DataObject
) -> None:
    """Figures, balances and PV figures are a function of the set of readings alone (faults B4, B5, E1, E2)."""
    readings = readings_of(series)
    end = max(r.at_ms for r in readings) + 3 * 3_600_000
    whole = play([sorted(readings, key=lambda r: r.at_ms)], set(), end)
    shuffled = list(readings)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    shuffled += shuffled[:7]  # some arrive twice
    size = data.draw(st.integers(12, 60))
    batches = [shuffled[i : i + size] for i in range(0, len(shuffled), size)]
    restarts = data.draw(st.sets(st.integers(0, len(batches)), max_size=4))
    assert play(batches, restarts, end) == whole


@given(st.lists(SERIES, min_size=5, max_size=5))
@settings(max_examples=10, deadline=None)
def test_parents_are_the_sums_of_their_children(series: list[list[tuple[int, int]]]) -> None:
    """Every hour, day, week, month and year equals the sum of its parts, or is missing because a part is."""
    readings = readings_of(series)
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore.writer(Path(folder) / "s.sqlite")
        ledger = Ledger(store, SITE, ZONE)
        ledger.tick(readings, BEGIN)
        ledger.tick([], BEGIN + 3 * 86_400_000)
        for period, part in MADE_OF.items():
            grid = starts(period, BEGIN - 3 * 86_400_000, BEGIN + 4 * 86_400_000, ZONE, QUARTER)
            for low, high in pairwise(grid):
                inside = np.array(starts(part, low, high, ZONE, QUARTER), dtype=np.int64)
                parts = store.columns(CHANNELS, part, inside)
                parent = store.columns(CHANNELS, period, np.array([low]))
                assert (parent.present[0] <= parts.present.all(axis=0)).all()
                expected = np.where(parent.present[0], parts.energy.sum(axis=0), 0)
                assert parent.energy[0].tolist() == expected.tolist()
        store.close()


def test_late_reading_reopens_a_closed_interval_with_a_version_and_a_reason() -> None:
    """The old figure stays readable, the new one says why it differs."""
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore.writer(Path(folder) / "s.sqlite")
        ledger = Ledger(store, SITE, ZONE)

        def at(minute: int, wh: int) -> Reading:
            return Reading("f1", IMPORT, BEGIN + minute * 60_000, wh * 1000, 0)

        ledger.tick([at(0, 0), at(14, 100)], BEGIN)
        ledger.tick([], BEGIN + 17 * 60_000)
        ledger.tick([at(31, 300)], BEGIN + 47 * 60_000)
        ledger.tick([at(15, 110)], BEGIN + 48 * 60_000)
        versions = store.versions(("f1", IMPORT), Period.INTERVAL, BEGIN)
        assert [(v.energy, v.reason) for v in versions] == [
            (None, "closed"),
            (100_000 + 200_000 // 17, "late readings"),
            (110_000, "late readings"),
        ]
        store.close()


def test_first_reading_after_a_restart_completes_what_was_closed_without_it() -> None:
    """Found by the property above: the boundary between two closed intervals lies between the last reading before the
    restart and the first one after it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.sqlite"

        def at(minute: int, wh: int) -> Reading:
            return Reading("f1", IMPORT, BEGIN + minute * 60_000, wh * 1000, 0)

        store = SqliteStore.writer(path)
        ledger = Ledger(store, SITE, ZONE)
        ledger.tick([at(0, 0), at(14, 140)], BEGIN)
        ledger.tick([], BEGIN + 31 * 60_000)
        assert [v.energy for v in store.versions(("f1", IMPORT), Period.INTERVAL, BEGIN)] == [None]
        store.close()
        store = SqliteStore.writer(path)
        ledger = Ledger(store, SITE, ZONE)
        ledger.tick([at(31, 310)], BEGIN + 32 * 60_000)
        for start, energy in ((0, 150_000), (QUARTER, 150_000)):
            assert store.versions(("f1", IMPORT), Period.INTERVAL, BEGIN + start)[-1].energy == energy
        store.close()


def test_readings_kept_without_their_figures_get_them_also_after_a_restart() -> None:
    """A late reading that came while figures could not be worked out changes its closed interval with the next tick."""
    for restart in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "s.sqlite"

            def at(minute: int, wh: int) -> Reading:
                return Reading("f1", IMPORT, BEGIN + minute * 60_000, wh * 1000, 0)

            store = SqliteStore.writer(path)
            ledger = Ledger(store, SITE, ZONE)
            ledger.tick([at(0, 0), at(14, 140), at(31, 310), at(46, 460), at(61, 610)], BEGIN)
            ledger.tick([], BEGIN + 62 * 60_000)
            ledger.keep([at(15, 149)])
            if restart:
                store.close()
                store = SqliteStore.writer(path)
                ledger = Ledger(store, SITE, ZONE)
            ledger.tick([], BEGIN + 63 * 60_000)
            versions = store.versions(("f1", IMPORT), Period.INTERVAL, BEGIN)
            assert [v.energy for v in versions] == [150_000, 149_000]
            store.close()
