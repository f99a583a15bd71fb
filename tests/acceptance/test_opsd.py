"""Real hourly registers of a house with PV: every figure called good is the answer, nothing is filled, faults are found."""

import csv
import gzip
import json
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from meterd.app.cli.main import main
from meterd.core.model.periods import Period, label, text, to_ms
from meterd.core.pv.figures import PvFigures, pv_figures
from tests.acceptance.stored_figures import Tables, from_folder

pytestmark = pytest.mark.slow

DATA = Path(__file__).parents[1] / "data"
ZONE = ZoneInfo("Europe/Berlin")
HOUR = 3_600_000
SUBS = ["heat_pump", "ev", "washing_machine", "dishwasher", "freezer", "refrigerator"]
# column of the file -> register of ours
COLUMNS = {"grid_import_kwh": "grid.import", "grid_export_kwh": "grid.export", "pv_kwh": "pv.import"} | {
    f"{name}_kwh": f"{name.replace('_', '-')}.import" for name in SUBS
}
# in the wrapped file import and heat pump roll over at 1000 kWh but the export does not, so it is a point of its own there
WRAPPED = COLUMNS | {"grid_export_kwh": "sold.import"}
PLAN = """\
site = { name = "house", zone = "Europe/Berlin", interval_s = 3600 }
limits = { point_max_w = 9000, gap_exact_s = 3600 }
board = [{ name = "main" }]
source = [{ name = "logger", protocol = "file", time_column = "ts_utc" }]
"""
POINT = """
[[point]]
point = "{point}"
role = "{role}"

[[instrument]]
point = "{point}"
resolution_wh = 10
{capacity}
"""
INPUT = """
[[input]]
point = "{point}"
address = "{column}"
register = "{register}"
unit = "kWh"
"""


def ms(stamp: str) -> int:
    return to_ms(datetime.fromisoformat(stamp))


def rows_of(name: str) -> list[dict[str, str]]:
    content = (DATA / name).read_bytes()
    return list(csv.DictReader((gzip.decompress(content) if name.endswith(".gz") else content).decode().splitlines()))


def replayed(folder: Path, file: str, columns: dict[str, str], rolling: set[str]) -> Tables:
    """The tables of a replay of a file as it is."""
    text_ = PLAN
    for point in dict.fromkeys(name.split(".")[0] for name in columns.values()):
        role = {"grid": "feed", "pv": "pv"}.get(point, "feeder")
        capacity = "register_max_wh = 1_000_000" if point in rolling else ""
        text_ += POINT.format(point=point, role=role, capacity=capacity)
    for column, name in columns.items():
        point, word = name.split(".")
        text_ += INPUT.format(point=point, column=column, register={"import": "1.8.0", "export": "2.8.0"}[word])
    plan = folder / "house.toml"
    plan.write_text(text_)
    assert main(["replay", str(plan), str(DATA / file), "--out", str(folder / "out"), "--format", "parquet"]) == 0
    frames = from_folder(folder / "out", "main", (0, 2**60))
    frames["peaks"] = pd.read_parquet(folder / "out" / "maximum_demand_month.parquet")
    frames["said"] = pd.DataFrame([json.loads((folder / "out" / "description.json").read_text())])
    return frames


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    return replayed(tmp_path_factory.mktemp("plain"), "opsd_res4_registers_1h.csv.gz", COLUMNS, set())


@pytest.fixture(scope="module")
def wrapped(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    folder = tmp_path_factory.mktemp("wrapped")
    return replayed(folder, "opsd_res4_registers_1h_wrapped.csv.gz", WRAPPED, {"grid", "heat-pump"})


RESETS = [ms(r["ts_utc_first_reading_after"]) for r in rows_of("opsd_res4_registers_1h_wrapped_events.csv")
          if r["event"] == "reset"]  # fmt: skip


def compare(frames: Tables, period: Period, name: str, column: str, columns: dict[str, str]) -> tuple[int, int]:
    """Ours against the answers; returns how many were good and equal, and how many the answers leave open."""
    energy, quality = frames[f"energy {period}"], frames[f"quality {period}"]
    answers = {row[column]: row for row in rows_of(f"opsd_res4_registers_1h_answers_{name}")}
    start_ms = energy["start"].tolist()
    lines = [text(s) if period is Period.HOUR else label(period, s, ZONE) for s in start_ms]
    good = open_ = 0
    for answer, register in columns.items():
        ours, texts = energy[register].tolist(), quality[register].tolist()
        for i, (start, end) in enumerate(pairwise([*start_ms, 2**62])):
            value = answers.get(lines[i], {}).get(answer)
            if not value:
                assert texts[i] != "good", (lines[i], register, "the readings cannot tell it")
                open_ += 1
            elif columns is WRAPPED and answer == "refrigerator_kwh" and any(start < at <= end for at in RESETS):
                assert texts[i] == "bound", (lines[i], register)
                assert ours[i] <= round(float(value) * 1e6)
            else:
                assert (texts[i], ours[i]) == ("good", round(float(value) * 1e6)), (lines[i], register)
                good += 1
    return good, open_


# figures that are good and equal, and figures the answers leave open; the resets take three hours, two days, two months
COUNTS = {
    ("plain", Period.HOUR): (55_319, 3190),
    ("plain", Period.DAY): (2276, 163),
    ("plain", Period.MONTH): (72, 9),
    ("wrapped", Period.HOUR): (55_316, 3190),
    ("wrapped", Period.DAY): (2274, 163),
    ("wrapped", Period.MONTH): (70, 9),
}


@pytest.mark.parametrize("file", ["plain", "wrapped"])
@pytest.mark.parametrize(
    ("period", "name", "column"),
    [
        (Period.HOUR, "hourly.csv.gz", "ts_utc"),
        (Period.DAY, "daily.csv", "local_day"),
        (Period.MONTH, "monthly.csv", "local_month"),
    ],
)
def test_sums_are_the_answers(
    request: pytest.FixtureRequest, file: str, period: Period, name: str, column: str
) -> None:
    """Good wherever both ends were read, and to the milliwatt-hour; else missing or marked, also across rollovers."""
    columns = COLUMNS if file == "plain" else WRAPPED
    results = compare(request.getfixturevalue(file), period, name, column, columns)
    assert results == COUNTS[file, period]


def test_energy_across_gaps_is_the_answer(plain: Tables) -> None:
    """opsd_..._gaps: 77 gaps, the energy across each is that of the register, its shape is marked."""
    energy, quality = plain["energy interval"], plain["quality interval"]
    gaps = rows_of("opsd_res4_registers_1h_answers_gaps.csv")
    for gap in gaps:
        low, high = ms(gap["last_reading_before_utc"]), ms(gap["first_reading_after_utc"])
        inside = (energy["start"] >= low) & (energy["start"] < high)
        register = COLUMNS[gap["register"]]
        assert inside.sum() == int(gap["missing_readings"]) + 1
        assert energy[register][inside].sum() == round(float(gap["energy_across_kwh"]) * 1e6), gap
        assert set(quality[register][inside]) == {"estimated"}
    assert len(gaps) == 77


def test_rollovers_and_resets_are_those_of_the_events(wrapped: Tables, plain: Tables) -> None:
    """opsd_..._wrapped_events: five rollovers at 1000 kWh, four resets; the plain file has neither."""
    events = [r["event"] for r in rows_of("opsd_res4_registers_1h_wrapped_events.csv")]
    assert (events.count("rollover"), events.count("reset")) == (5, 4)
    # "ambiguous": in the gap of 151 hours the heat pump's register had time for more than one turn
    assert wrapped["said"]["decided"].iloc[0] == {"rollover": 5, "reset": 4, "ambiguous": 1}
    assert plain["said"]["decided"].iloc[0] == {}


def hourly_pv(plain: Tables) -> tuple[PvFigures, "pd.Series[Any]", np.ndarray]:
    """PV figures of all hours with their starts, and the sum of the sub-meters where all are good (else -1)."""
    energy, quality = plain["energy interval"], plain["quality interval"]
    good = quality.drop(columns="start") == "good"

    def values(register: str) -> Any:
        return energy[register].fillna(0).to_numpy(dtype=np.int64)

    present = good[["grid.import", "grid.export", "pv.import"]].all(axis=1).to_numpy()
    nothing = np.zeros(len(energy), dtype=np.int64)
    figures = pv_figures(values("pv.import"), values("grid.export"), values("grid.import"), nothing, present)
    subs = [register for column, register in COLUMNS.items() if column.removesuffix("_kwh") in SUBS]
    total = np.where(good[subs].all(axis=1), sum(values(register) for register in subs), -1)
    return figures, energy["start"], total


def test_balance_violations_are_found(plain: Tables) -> None:
    """opsd_..._balance_violations: hours whose export exceeds PV, whose consumption is negative or below its parts."""
    figures, start, subs = hourly_pv(plain)
    results = {
        "export > pv": figures.export_exceeds,
        "consumption < 0": figures.present & (figures.consumption < 0),
        "consumption < sum of subs": figures.present & (subs >= 0) & (figures.consumption < subs),
    }
    rows = rows_of("opsd_res4_registers_1h_answers_balance_violations.csv")
    for finding, mask in results.items():
        hours = [text(s) for s in start[mask].tolist()]
        assert hours == [row["hour_start_utc"] for row in rows if row["finding"] == finding], finding
    assert [int(mask.sum()) for mask in results.values()] == [9, 7, 33]


def test_peaks_are_the_answers(plain: Tables) -> None:
    """opsd_..._peaks: the hour of the highest import, export and PV of each month, of hours that are known."""
    peaks = plain["peaks"].set_index(["register", "month_start"])
    months = {label(Period.MONTH, int(s), ZONE): s for s in plain["energy month"]["start"]}
    compared = 0
    for row in rows_of("opsd_res4_registers_1h_answers_peaks.csv"):
        if row["quantity"] == "consumption" or row["local_month"] == "all":
            continue
        at = pd.Timestamp(months[row["local_month"]], unit="ms", tz="UTC")
        peak = peaks.loc[(COLUMNS[f"{row['quantity']}_kwh"], at)]
        assert text(to_ms(peak["interval_start"].to_pydatetime())) == row["hour_start_utc"]
        assert peak["demand_w"] == pytest.approx(float(row["peak_kwh_per_h"]) * 1000, abs=1e-6)
        compared += 1
    assert compared == 27
