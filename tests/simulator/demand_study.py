"""How well the end of a running interval is known: the long form, `python -m tests.simulator.demand_study [SEED]`.

Minutes of the simulated mill and of a real house. At some minutes of each quarter hour its mean is told with the forecast that
would have been given out at its begin, and with the draw alone.
"""

import sys
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.history import true_history
from meterd.core.forecast.demand import demand_outlook, expected_draw
from meterd.core.forecast.demand_band import DemandBand, follow
from meterd.core.forecast.history import Floats, History, history_of
from meterd.core.forecast.model import fit, issue
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import DAY_MS, to_ms
from meterd.core.model.plan import Point, Role
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import PowerNow
from meterd.core.pv.figures import flexible_points

ROOT = Path(__file__).parents[2]
MINUTES, QUARTER_MS, MINUTE_MS = (1, 3, 5, 8, 11, 15), 900_000, 60_000


def house() -> tuple[History, Floats, Floats]:
    """Load of a house by the minute (UCI 235), nothing flexible."""
    table = pd.read_csv(ROOT / "tests" / "data" / "uci_house_1min.csv.gz", usecols=["ts_utc", "main_w"])
    times = pd.to_datetime(table.ts_utc)
    index = pd.date_range(times.iloc[0].ceil("15min"), times.iloc[-1], freq="min")
    watt = pd.Series(table.main_w.to_numpy(), times).reindex(index).to_numpy(dtype=np.float64)
    watt = watt[: len(watt) // 15 * 15].reshape(-1, 15)
    load = watt.mean(axis=1)
    start = to_ms(index[0].to_pydatetime())
    return history_of(start, QUARTER_MS, load * np.nan, load, zone=ZoneInfo("Europe/Paris")), watt, watt * 0


def mill(seed: int, days: int) -> tuple[History, Floats, Floats]:
    """Draw at the connection and flexible loads of Harrow Mill from April on."""
    site = load_plan(ROOT / "config" / "harrow-mill").site
    begin = to_ms(datetime(2026, 4, 1, tzinfo=UTC))
    names = [point.name for point in site.points]

    def rows(points: list[Point]) -> list[int]:
        return [names.index(point.name) for point in points]

    groups = [
        rows(connection_feeds(site)),
        rows([p for p in site.points if p.role is Role.PV]),
        rows(flexible_points(site)),
    ]
    blocks = true_history(site, seed, begin + MINUTE_MS, begin + days * DAY_MS)
    parts = [[truth.power[group].sum(axis=0) / 1000 for group in groups] for truth in blocks]
    draw, pv, flexible = (np.concatenate([part[k] for part in parts]) for k in range(3))
    draw, pv, flexible = (values[: days * 1440].reshape(-1, 15) for values in (draw, pv, flexible))
    means = draw.mean(axis=1), pv.mean(axis=1), flexible.mean(axis=1)
    whole = history_of(begin, QUARTER_MS, means[1], means[0] + means[1] - means[2], zone=ZoneInfo(site.zone))
    return whole, draw, flexible


def study(label: str, site: tuple[History, Floats, Floats], days: range) -> None:
    """Mean errors with forecast and with the draw alone, and how many quarter hours end within the band."""
    whole, draw, flexible = site
    results: dict[int, list[tuple[float, float, bool]]] = {minute: [] for minute in MINUTES}
    band = DemandBand()
    for day in days:
        model = fit(whole.until(day * 96), [1, 96])
        for row in range(day * 96, (day + 1) * 96):
            issued, known = issue(model, whole.until(row)), np.maximum(draw[row], 0.0)
            if issued is None or not np.isfinite(known).all():
                continue
            for minute in MINUTES:
                at_ms = issued.issued_ms + minute * MINUTE_MS
                so_far = PowerNow(float(known[:minute].mean()), at_ms, Quality.GOOD)
                now, interval = float(draw[row, minute - 1]), (issued.issued_ms, QUARTER_MS)
                ahead = expected_draw(issued, issued.issued_ms, float(flexible[row, minute - 1]))
                reported, alone = (demand_outlook(so_far, now, interval, a, scale=band.scale) for a in (ahead, None))
                band = follow(band, reported, interval)
                if reported is not None and alone is not None:
                    truth = float(known.mean())
                    inside = reported.low_w <= truth <= reported.high_w
                    results[minute].append((abs(reported.middle_w - truth), abs(alone.middle_w - truth), inside))
    for minute, rows in results.items():
        told_w, alone_w, inside = np.array(rows, dtype=np.float64).mean(axis=0)
        print(f"{label}, minute {minute}: {told_w:.0f} W with forecast, {alone_w:.0f} W with the draw alone,",
              f"{inside:.0%} of {len(rows)} within the band")  # fmt: skip


if __name__ == "__main__":
    study("mill", mill(int(sys.argv[1]) if len(sys.argv) > 1 else 17, 42), range(20, 42))
    study("house", house(), range(20, 46))
