"""A year of a whole site from Parquet to all roll-ups and balances, against pandas doing only differences and sums."""

import os
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.bench.rig import ROOT, module
from tests.bench.site import START_MS, Wide
from tests.bench.table import Line

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
MINUTE_MS = 60_000
ROWS_AT_ONCE = 131_072
LIMIT_S = 600.0


def write_history(wide: Wide, rows: int, path: Path, step_ms: int = MINUTE_MS) -> None:
    """Whole Wh of import registers, one reading a step: the feed is the feeders less the photovoltaics, step by step."""
    draw = np.random.default_rng(7)
    level = np.full(wide.points, 1_000_000, dtype=np.int64)
    names = [f"meters/{name}" for name in wide.names]
    stamp = pa.timestamp("ms", tz="UTC")
    schema = pa.schema([("time", stamp), *((name, pa.int64()) for name in names)])
    with pq.ParquetWriter(path, schema, compression="snappy") as out:
        for low in range(0, rows, ROWS_AT_ONCE):
            count = min(ROWS_AT_ONCE, rows - low)
            at = pa.array(START_MS + step_ms * np.arange(low, low + count), stamp)
            steps = draw.integers(0, 300, size=(count, wide.points))
            feeders = steps[:, 2:].sum(axis=1)
            steps[:, 1] = feeders // 3
            steps[:, 0] = feeders - steps[:, 1]
            shown = level + np.cumsum(steps, axis=0) - steps
            level = shown[-1] + steps[-1]
            out.write_table(pa.table([at, *(pa.array(column) for column in shown.T)], schema=schema))


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a child process: its time, that of the processor, and the most memory it held."""

    seconds: float
    cpu_s: float
    peak_mb: float


def timed(command: list[str]) -> Run:
    """Run a child to its end."""
    begun = time.monotonic()
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, command
    return Run(time.monotonic() - begun, usage.ru_utime + usage.ru_stime, usage.ru_maxrss * 1024 / 1e6)


def compare(wide: Wide, ours: Path, bare: Path) -> None:
    """Both say the same: every quarter hour, hour, local day and month that is whole in both."""
    for period in ("interval", "hour", "day", "month"):
        mine = pd.read_parquet(ours / f"energy_{period}.parquet").set_index("start")
        other = pd.read_parquet(bare / f"{period}.parquet").tz_convert("UTC")
        for name in wide.names:
            known = mine[f"{name}.import_mwh"].dropna()
            assert len(known) >= len(mine) - 3, "only the periods at the ends may be missing"
            pd.testing.assert_series_equal(
                known.astype("int64"),
                (other[f"meters/{name}"].loc[known.index] * 1000).astype("int64"),
                check_names=False,
                check_freq=False,
                check_index_type=False,
            )
    balance = pd.read_parquet(ours / "balance_main_interval.parquet")
    assert (balance["residual_mwh"] == 0).all()
    assert (balance["verdict"] == "inside").all()


def test_replay_of_a_year(full: bool, report: list[Line], tmp_path: Path) -> None:
    """The sums of a replay are those of pandas, to the milliwatt-hour."""
    wide = Wide(100, ("1.8.0",)) if full else Wide(12, ("1.8.0",))
    rows = 366 * 1440 if full else 40 * 1440
    plan, file = wide.plan(tmp_path, 1883), tmp_path / "year.parquet"
    write_history(wide, rows, file)
    command = module("meterd.app.cli.main", "replay", plan, file, "--out", tmp_path / "ours", "--format", "parquet")
    other = module("tests.bench.pandas_sums", file, tmp_path / "bare")
    runs = [(timed(command), timed(other)) for _ in range(3 if full else 1)]
    compare(wide, tmp_path / "ours", tmp_path / "bare")
    ours, bare = (min(run[k].seconds for run in runs) for k in (0, 1))
    mine, theirs = (max(run[k].peak_mb for run in runs) for k in (0, 1))
    name = f"{rows * wide.points / 1e6:.1f} million readings"
    report.append(
        Line(
            "replay",
            f"{name}, time",
            f"{ours:.1f} s",
            f"{bare:.1f} s",
            ours / bare,
            "<= 1",
            "bare: pandas, only 15 min, hour, day, month sums",
        )
    )
    report.append(Line("replay", f"{name}, peak RSS", f"{mine:.0f} MB", f"{theirs:.0f} MB", mine / theirs))
