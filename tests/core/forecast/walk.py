"""Forecasts walked forward through the given data: fitted once a day, issued once an hour, judged by what came."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from meterd.core.forecast.history import Floats, History, history_of
from meterd.core.forecast.model import fit, issue
from meterd.core.forecast.terms import terms_of
from meterd.core.model.forecast import Quantity
from meterd.core.model.periods import HOUR_MS

DATA, VECTORS = Path(__file__).parents[2] / "data", Path(__file__).parents[2] / "vectors"
LEADS_H = (0.25, 1, 3, 6, 24, 48)
DAYLIGHT = 0.01  # of the highest PV
FIRST_DAY = {"siteA": 36, "opsd": 36, "uci": 18}


@dataclass(frozen=True)
class Result:
    """Of one quantity and lead: how many pairs, mean absolute error in kW, part inside the band."""

    count: int
    error_kw: float
    inside: float


def history(name: str) -> History:
    """A data set as the history of a site."""
    return {"siteA": _site_a, "opsd": _opsd, "uci": _uci}[name]()


def _site_a() -> History:
    table = pd.read_parquet(DATA / "siteA_main.parquet")
    return _history(table.ts_utc, 900_000, table.pv_p_kw * 1000, table.load_p_kw * 1000)


def _opsd() -> History:
    """Hourly registers: the energy of an hour is the difference of its ends. What was interpolated is not measured."""
    table = pd.read_csv(DATA / "opsd_res4_registers_1h.csv.gz")
    filled = table.interpolated.fillna("").str.split("|")
    for register in ("grid_import", "grid_export", "pv"):
        table.loc[[register in names for names in filled], f"{register}_kwh"] = np.nan
    table.index = pd.to_datetime(table.ts_utc)
    table = table.reindex(pd.date_range(table.index[0], table.index[-1], freq="h"))
    bought, sold, pv = (
        table[name].diff().shift(-1)[:-1] * 1000 for name in ("grid_import_kwh", "grid_export_kwh", "pv_kwh")
    )
    return _history(pd.Series(table.index[:-1]), HOUR_MS, pv, bought - sold + pv)


def _uci() -> History:
    table = pd.read_csv(DATA / "uci_house_1min_answers_quarterhour.csv.gz")
    whole = table.main_wh.where(table.valid_minutes >= 15) * 4
    return _history(pd.to_datetime(table.ts_utc), 900_000, whole * np.nan, whole, "Europe/Paris")


def _history(
    times: "pd.Series[pd.Timestamp]",
    step_ms: int,
    pv: "pd.Series[float]",
    load: "pd.Series[float]",
    zone: str = "Europe/Berlin",
) -> History:
    start_ms = int(times.iloc[0].timestamp() * 1000)
    return history_of(start_ms, step_ms, _floats(pv), _floats(load), zone=ZoneInfo(zone))


def _floats(values: "pd.Series[float]") -> Floats:
    return np.asarray(values, dtype=np.float64)


def walked(name: str, days: int | None = None) -> dict[tuple[Quantity, float], Result]:
    """The results of a data set, of its first days after the begin or of all."""
    whole = history(name)
    begin = FIRST_DAY[name]
    last = len(whole.load) // whole.per_day if days is None else begin + days
    rows: dict[tuple[Quantity, float], list[tuple[float, ...]]] = {}
    for key, row in _forecasts(whole, begin, last):
        rows.setdefault(key, []).append(row)
    return {key: _judged(whole, key[0], np.array(some)) for key, some in rows.items()}


def _forecasts(whole: History, begin: int, last: int) -> Iterator[tuple[tuple[Quantity, float], tuple[float, ...]]]:
    step_h = whole.interval_ms / HOUR_MS
    leads = {round(hours / step_h): hours for hours in LEADS_H if hours >= step_h}
    for day in range(begin, last):
        model = fit(whole.until(day * whole.per_day), list(leads))
        for count in range(day * whole.per_day, (day + 1) * whole.per_day, round(1 / step_h)):
            forecast = issue(model, whole.until(count))
            for quantity, course in () if forecast is None else forecast.courses:
                for lead, hours in leads.items():
                    row = (course.low[lead - 1], course.middle[lead - 1], course.high[lead - 1])
                    if count - 1 + lead < len(whole.load) and None not in row:
                        yield (quantity, hours), (count - 1 + lead, *(float(watt or 0) for watt in row))


def _judged(whole: History, quantity: Quantity, table: Floats) -> Result:
    target = table[:, 0].astype(int)
    values: Mapping[Quantity, Floats] = {
        Quantity.PV: whole.pv,
        Quantity.LOAD: whole.load,
        Quantity.SURPLUS: np.maximum(whole.pv - whole.load, 0),
    }
    actual = values[quantity][target]
    counts = np.isfinite(actual)
    if quantity is not Quantity.LOAD:
        envelope = np.nan_to_num(terms_of(whole, len(whole.load)).pv.envelope[0])
        counts &= envelope[target] > DAYLIGHT * np.nanmax(whole.pv)
    low, middle, high = table[counts, 1:].T
    actual = actual[counts]
    inside = (actual >= low - 0.5) & (actual <= high + 0.5)
    return Result(len(actual), float(np.abs(middle - actual).mean()) / 1000, float(inside.mean()))


@dataclass(frozen=True)
class Aim:
    """What a mean absolute error must not be above, what it should not be above (kW), and between what the band holds."""

    must_kw: float
    aim_kw: float
    cover: tuple[float, float]
    count: int


def aims() -> dict[tuple[str, str, float], Aim]:
    """The measured aims by data set, quantity and lead."""
    table = pd.read_csv(VECTORS / "forecast_aims.csv", comment="#")
    rows = zip(
        table.dataset,
        table.quantity,
        table.lead_h,
        table.must_mae,
        table.aim_mae,
        table.cover_low,
        table.cover_high,
        table.n,
        strict=True,
    )
    return {
        (name, what, float(hours)): Aim(must, aim, (low, high), count)
        for name, what, hours, must, aim, low, high, count in rows
    }
