"""A year of a whole site from Parquet to all roll-ups and balances, against programs that do only differences and sums.

pandas always; polars and DuckDB too, where the extra `bench` is installed. And the bound: what a replay must do at least.
"""

import os
import subprocess
import time
from dataclasses import dataclass
from importlib.util import find_spec
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


def best(runs: list[Run]) -> Run:
    """The shortest times of some runs, and the most memory of any."""
    seconds, cpu_s, peak_mb = zip(*((run.seconds, run.cpu_s, run.peak_mb) for run in runs), strict=True)
    return Run(min(seconds), min(cpu_s), max(peak_mb))


def compare(wide: Wide, ours: Path, bare: Path) -> None:
    """Both say the same: every quarter hour, hour, local day and month that is whole in both."""
    for period in ("interval", "hour", "day", "month"):
        mine = pd.read_parquet(ours / f"energy_{period}.parquet").set_index("start")
        other = pd.read_parquet(bare / f"{period}.parquet")
        other = (other.set_index("time") if "time" in other else other).tz_convert("UTC")
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


def compare_least(wide: Wide, ours: Path, least: Path) -> None:
    """The program of the bound gives the energies of every kind of period, and balances that close, as ours."""
    for period in ("interval", "hour", "day", "week", "month"):
        mine = pd.read_parquet(ours / f"energy_{period}.parquet").set_index("start")
        other = pd.read_parquet(least / f"energy_{period}.parquet")
        other.index = pd.to_datetime(other.pop("start"), unit="ms", utc=True)
        for name in wide.names:
            known = mine[f"{name}.import_mwh"].dropna()
            assert (other[f"meters/{name}"].loc[known.index].to_numpy() == known.to_numpy()).all()
    assert (pd.read_parquet(least / "balance_interval.parquet")["residual"] == 0).all()


def test_replay_of_a_year(full: bool, report: list[Line], tmp_path: Path) -> None:
    """The sums of a replay are those of pandas, to the milliwatt-hour."""
    wide = Wide(100, ("1.8.0",)) if full else Wide(12, ("1.8.0",))
    rows = 366 * 1440 if full else 40 * 1440
    plan, file = wide.plan(tmp_path, 1883), tmp_path / "year.parquet"
    write_history(wide, rows, file)
    command = module("meterd.app.cli.main", "replay", plan, file, "--out", tmp_path / "ours", "--format", "parquet")
    others = ["pandas", *(name for name in ("polars", "duckdb") if find_spec(name) is not None)]
    others.append("least")
    commands = [command, *(module(f"tests.bench.{name}_sums", file, tmp_path / name) for name in others)]
    runs = [[timed(each) for each in commands] for _ in range(3 if full else 1)]
    for name in others[:-1]:
        compare(wide, tmp_path / "ours", tmp_path / name)
    compare_least(wide, tmp_path / "ours", tmp_path / "least")
    ours, *bare = (best([run[k] for run in runs]) for k in range(len(commands)))
    size = f"{rows * wide.points / 1e6:.1f} million readings"
    for name, other in zip(others, bare, strict=True):
        note = "the bound: reads and writes as much" if name == "least" else f"bare: {name}, only sums"
        report += [
            Line("replay", f"{size}, time", f"{ours.seconds:.1f} s", f"{other.seconds:.1f} s",
                 ours.seconds / other.seconds, "<= 1", note),
            Line("replay", f"{size}, processor time", f"{ours.cpu_s:.1f} s", f"{other.cpu_s:.1f} s",
                 ours.cpu_s / other.cpu_s, note=note),
            Line("replay", f"{size}, peak RSS", f"{ours.peak_mb:.0f} MB", f"{other.peak_mb:.0f} MB",
                 ours.peak_mb / other.peak_mb, note=note),
        ]  # fmt: skip
