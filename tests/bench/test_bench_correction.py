"""A correction over a year of one register of a board of forty points: figures, balances and PV figures recalculated."""

import time
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.impact import Impact, affected_figures
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.what_if_store import WhatIfStore
from meterd.core.model.periods import Period
from meterd.core.model.plan import Board, Input, Instrument, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.registers.corrections import Correction
from tests.bench.table import Line

pytestmark = [pytest.mark.bench, pytest.mark.slow]
BEGIN = 1_735_686_000_000  # 2025-01-01 in Vienna
DAY, QUARTER = 86_400_000, 900_000
Q01 = ("q01", IMPORT)


def board(points: int) -> Site:
    """One board with a feed, a roof and feeders of five tenants."""
    results = [Point("t1", "main", Role.FEED), Point("roof", "main", Role.PV)]
    results += [Point(f"q{i:02d}", "main", Role.FEEDER, tenant=f"tenant-{i % 5}") for i in range(1, points - 1)]
    read = [(p.name, IMPORT) for p in results] + [("t1", EXPORT)]
    return Site(
        "bench", "Europe/Vienna", boards=(Board("main"),), points=tuple(results),
        inputs=tuple(Input(p, r, "s", f"{p}/{r}") for p, r in read),
        instruments=tuple(Instrument(p.name, 0, meter_class="B") for p in results),
    )  # fmt: skip


def filled(path: Path, site: Site, days: int) -> None:
    """Readings every five minutes, of the register that will be corrected every minute, and all figures."""
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    generator, end = np.random.default_rng(1), BEGIN + days * DAY
    for row in site.inputs:
        step = 60_000 if row.point == "q01" else 300_000
        times = np.arange(BEGIN, end + step, step, dtype=np.int64)
        rises = generator.integers(0, step // 60_000 * 100_000 * (20 if row.point == "t1" else 1), len(times))
        ledger.import_history((row.point, row.register), times, np.cumsum(rises), end)
    ledger.recompute_all(end, end)
    store.close()


def test_a_year_of_one_of_forty_points(tmp_path: Path, report: list[Line], full: bool) -> None:
    """Every interval is the factor times what it was, and so is their sum."""
    points, days = (40, 365) if full else (5, 6)
    site, path, end = board(points), tmp_path / "s.sqlite", BEGIN + days * DAY
    filled(path, site, days)
    correction = Correction(0, *Q01, BEGIN, end, "1.0204", "bench", "bench", end)
    grid = np.arange(BEGIN, end, QUARTER, dtype=np.int64)
    begun = time.perf_counter()
    what_if_store = WhatIfStore.of(path, site, Q01, (BEGIN, end), [correction])
    expected = what_if_store.columns([Q01], Period.INTERVAL, grid).energy
    shown = affected_figures(what_if_store, site, Impact(Q01, BEGIN, end))
    what_if_store.close()
    shown_s = time.perf_counter() - begun
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    before = int(store.columns([Q01], Period.INTERVAL, grid).energy.sum())
    begun, used, pieces = time.perf_counter(), time.process_time(), [0.0]
    ledger.correct(Q01, (BEGIN, end), end, lambda: store.corrections.add(correction))
    count, last = 0, time.perf_counter()
    while (changed := ledger.recompute_piece(end)) is not None:
        count, now = count + changed, time.perf_counter()
        pieces.append(now - last)
        last = now
    corrected_s, used = time.perf_counter() - begun, time.process_time() - used
    after = store.columns([Q01], Period.INTERVAL, grid).energy
    assert count == len(grid)
    assert (after == expected).all()
    assert abs(int(after.sum()) - before * 1.0204) < 1
    assert affected_figures(store, site, Impact(Q01, BEGIN, end)) == shown
    store.close()
    what = f"{days} days of 1 of {points} points"
    report.append(
        Line(
            "correction",
            f"{what}, 1 reading a minute",
            f"{corrected_s:.1f} s",
            aim="< 10 s",
            note=f"{used:.1f} s of a core",
        )
    )
    report.append(
        Line("correction", f"{what}, the longest of its {len(pieces) - 1} pieces", f"{max(pieces):.2f} s", aim="< 2 s")
    )
    report.append(Line("correction", "what it would change, one look", f"{shown_s:.1f} s"))
