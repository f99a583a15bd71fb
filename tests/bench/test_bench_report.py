"""The month's report as PDF and workbook from a store, against pandas that only reads the same figures and adds them up."""

from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.app.cli.main import main
from meterd.app.operations.report_data import period_of
from meterd.core.model.periods import Period
from tests.bench.rig import module
from tests.bench.site import START_MS, Wide
from tests.bench.table import Line
from tests.bench.test_bench_replay import timed

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
QUARTER_MS = 900_000
AIM_S = 5.0


def write_history(wide: Wide, days: int, path: Path) -> None:
    """A reading of every register at each quarter hour."""
    at = pd.to_datetime(START_MS + QUARTER_MS * np.arange(days * 96 + 1), unit="ms", utc=True)
    shown = {
        f"meters/{name}": 1_000_000 + wide.wh_per_step(i) * 90 * np.arange(len(at)) for i, name in enumerate(wide.names)
    }
    pd.DataFrame({"time": at, **shown}).to_parquet(path)


def test_month_report_of_40_points(full: bool, report: list[Line], tmp_path: Path) -> None:
    """What the workbook says of each point is what pandas adds up, to the milliwatt-hour."""
    wide = Wide(40 if full else 6, ("1.8.0",))
    plan, store = wide.plan(tmp_path, 1883), tmp_path / "bench.sqlite"
    write_history(wide, 61, tmp_path / "two.parquet")
    assert main(["replay", str(plan), str(tmp_path / "two.parquet"), "--into", str(store)]) == 0
    low, high = period_of("2026-02", Period.MONTH, load_plan(plan).site)
    papers = ("--pdf", tmp_path / "r.pdf", "--xlsx", tmp_path / "r.xlsx")
    command = module("meterd.app.cli.main", "report", plan, "--store", store, "--month", "2026-02", *papers)
    other = module("tests.bench.pandas_month", store, low, high, tmp_path / "sums.csv")
    runs = [(timed(command), timed(other)) for _ in range(3 if full else 1)]
    sums = pd.read_csv(tmp_path / "sums.csv").set_index("point")["sum"]
    sheet = openpyxl.load_workbook(tmp_path / "r.xlsx")["Points main"]
    texts = {
        str(row[0].value).removeprefix("Point "): round(row[2].value * 1_000_000) for row in sheet.iter_rows(min_row=2)
    }
    assert texts == sums.to_dict()
    ours, bare = (min(run[k].seconds for run in runs) for k in (0, 1))
    note = "bare: pandas reads the quarter hours and adds them up; both with the start of Python"
    aim, what = f"< {AIM_S:g} s", f"{wide.points} points, PDF and XLSX"
    report.append(
        Line(
            "month report",
            what,
            f"{ours:.2f} s",
            f"{bare:.2f} s",
            ours / bare,
            aim,
            note,
        )
    )
    if full:
        assert ours < AIM_S
