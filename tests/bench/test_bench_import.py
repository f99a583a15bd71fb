"""Years of a site imported into a store, and the questions that are put to it then.

METERD_BENCH_YEARS=5 python -m pytest -n 0 tests/bench/test_bench_import.py -m bench -s     # without it one year
"""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.bench.rig import module
from tests.bench.site import Wide
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
