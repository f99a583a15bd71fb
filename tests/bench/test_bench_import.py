"""Years of a site imported into a store, and the questions that are put to it then.

METERD_BENCH_YEARS=5 python -m pytest -n 0 tests/bench/test_bench_import.py -m bench -s     # without it one year
"""

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.reading import IMPORT, Reading
from tests.bench.rig import module
from tests.bench.site import START_MS, Wide
from tests.bench.table import Line
from tests.bench.test_bench_replay import timed, write_history

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(7200)]
YEARS = int(os.environ.get("METERD_BENCH_YEARS", "1"))
QUARTER_MS = 900_000
QUESTIONS = (
    ("energy", "--period", "year"),
    ("energy", "--period", "month"),
    ("energy", "--demand"),
    ("suspects",),
    ("visible-error",),
)


def test_years_in_a_store(full: bool, report: list[Line], tmp_path: Path) -> None:
    """Every reading and every quarter hour is stored; every question is answered."""
    wide, days = (Wide(100, ("1.8.0",)), 365 * YEARS) if full else (Wide(6, ("1.8.0",)), 3)
    plan, file, store = wide.plan(tmp_path, 1883), tmp_path / "years.parquet", tmp_path / "s.sqlite"
    rows = days * 96 + 1
    write_history(wide, rows, file, QUARTER_MS)
    run = timed(module("meterd.app.cli.main", "replay", plan, file, "--into", store))
    with closing(sqlite3.connect(store)) as db:
        assert db.execute("SELECT COUNT(*) FROM reading").fetchone() == (rows * wide.points,)
        known = "SELECT COUNT(*) FROM figure WHERE period = 'interval' AND energy IS NOT NULL"
        assert db.execute(known).fetchone() == ((rows - 1) * wide.points,)
    name = f"{days} days of {wide.points} points, a reading every quarter hour"
    each = run.cpu_s / rows / wide.points * 1e6
    report.append(Line("import", f"{name}, us of processor a reading", f"{each:.1f}", aim="<= 10"))
    report.append(Line("import", "the same, peak RSS", f"{run.peak_mb:.0f} MB", aim="<= 600 MB"))
    for texts in QUESTIONS:
        asked = timed(module("meterd.app.cli.main", texts[0], plan, *texts[1:], "--store", store))
        report.append(Line("import", f"{' '.join(texts)} of it, processor time", f"{asked.cpu_s:.1f} s", aim="<= 3 s"))


def bytes_each(store: Path, table: str) -> float:
    """Bytes of the pages in use for each row of a table."""
    with closing(sqlite3.connect(store)) as db:
        (pages,) = db.execute("SELECT SUM(pgsize) FROM dbstat WHERE name = ?", (table,)).fetchone()
        (rows,) = db.execute(f"SELECT COUNT(*) FROM {table}").fetchone()
    return float(pages / rows)


def replayed(wide: Wide, rows: int, folder: Path) -> Path:
    """A store as `replay --into` writes it."""
    plan, file, store = wide.plan(folder, 1883), folder / "history.parquet", folder / "replayed.sqlite"
    write_history(wide, rows, file, QUARTER_MS)
    timed(module("meterd.app.cli.main", "replay", plan, file, "--into", store))
    return store


def live(wide: Wide, rows: int, folder: Path) -> Path:
    """A store as the running daemon writes it: each round of readings by itself, the digests in between."""
    plan, path = load_plan(wide.plan(folder, 1883)), folder / "live.sqlite"
    shown = np.cumsum(np.random.default_rng(7).integers(0, 300_000, (rows, wide.points)), axis=0).tolist()
    with closing(SqliteStore.writer(path)) as store:
        ledger = Ledger(store, plan.site, ZoneInfo(plan.site.zone))
        for number, values in enumerate(shown):
            at_ms = START_MS + QUARTER_MS * number
            ledger.tick([Reading(n, IMPORT, at_ms, v, at_ms) for n, v in zip(wide.names, values, strict=True)], at_ms)
            store.digest_step()
    return path


def least_figures(store: Path, folder: Path) -> float:
    """Bytes for each of the same figures as numbers alone, times as distances: the least that can be asked by SQL."""
    with closing(sqlite3.connect(folder / "least.sqlite")) as db:
        db.execute("ATTACH ? AS full", (str(store),))
        columns = "channel, period, start, version, energy, flags, anchor, raw, plateau, written, reason"
        db.execute(f"CREATE TABLE figure ({columns}, PRIMARY KEY (channel, period, start)) WITHOUT ROWID")
        db.execute(
            "INSERT INTO figure SELECT channel, instr('hdwmy', substr(period, 1, 1)), start_ms / 60000, version, energy,"
            " flags, anchor_ms - start_ms, anchor_raw, anchor_plateau - start_ms, written_ms % 60000, 0 FROM full.figure"
        )
        db.commit()
    return bytes_each(folder / "least.sqlite", "figure")


@pytest.mark.parametrize("write", [replayed, live])
def test_bytes_of_a_balance_and_of_a_figure(
    full: bool, report: list[Line], tmp_path: Path, write: Callable[[Wide, int, Path], Path]
) -> None:
    """Flows of a balance take few bytes, whoever writes; figures are compared with a bare table of numbers."""
    wide, days = (Wide(100, ("1.8.0",)), 60) if full else (Wide(20, ("1.8.0",)), 2)
    store = write(wide, days * 96 + 1, tmp_path)
    balance, figure, least = bytes_each(store, "balance"), bytes_each(store, "figure"), least_figures(store, tmp_path)
    assert balance < 120 + 3.5 * wide.points  # as a text a flow took 17 and more
    name = f"{days} days of {wide.points} points, {write.__name__}, bytes of a"
    report.append(Line("store", f"{name} balance", f"{balance:.0f}", aim="<= 400"))
    report.append(Line("store", f"{name} figure", f"{figure:.1f}", f"{least:.1f}", figure / least, "<= 30"))
