"""A cold store with a hundred days of history, the plan of which names a baseline: a tenth is saved from day 60 on."""

from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import DAY_MS, HOUR_MS
from meterd.core.model.reading import IMPORT
from tests.plans import write

BEGIN = 1_767_571_200_000  # Monday, 5 January 2026, in UTC
DAYS, CHANGED = 100, 60
SITE = """\
[site]
name = "mill"
title = "Harrow Mill"
zone = "UTC"
interval_s = 3600
temperature = "outdoor.csv"

[broker]
port = {port}

[[board]]
name = "north"

[[source]]
name = "meters"
protocol = "mqtt"

[[baseline]]
point = "cold-store"
from = "2026-01-05"
until = "2026-03-06"
reason = "new door seals"
"""
FILES = {
    "points.csv": "point,board,role,title\nt1,north,feed,\ncold-store,north,feeder,Cold store\n",
    "inputs.csv": "point,register,address,unit\n*,1.8.0,m/{point},Wh\n",
    "instruments.csv": "point,meter_class\n*,B\n",
}


@dataclass(frozen=True)
class ColdStore:
    """Its plan and its store; what it took each day in mWh."""

    plan: Path
    store: Path
    taken: np.ndarray

    @property
    def end_ms(self) -> int:
        """Midnight after the last day."""
        return BEGIN + DAYS * DAY_MS


def outdoor() -> np.ndarray:
    """Mean temperatures of the days."""
    day = np.arange(DAYS)
    return np.round(4 + 10 * np.sin(day * 0.7), 1)


def filled(folder: Path, port: int = 1883) -> ColdStore:
    """200 kWh a day, 40 less at weekends, 3 less per degree below 15; each hour as much, but for a scatter of the days."""
    day = np.arange(DAYS)
    kwh = 200 - 40 * (day % 7 >= 5) - 3 * np.maximum(0, 15 - outdoor()) + np.random.default_rng(11).normal(0, 3, DAYS)
    kwh[CHANGED:] *= 0.9
    hours = np.repeat(np.rint(kwh * 1e6 / 24).astype(np.int64), 24)
    rows = "".join(
        f"{np.datetime64(BEGIN + d * DAY_MS, 'ms').astype('datetime64[D]')},{t:g}\n" for d, t in enumerate(outdoor())
    )
    write(folder / "plan", {"site.toml": SITE.format(port=port), "outdoor.csv": "day,outdoor_c\n" + rows, **FILES})
    site = load_plan(folder / "plan").site
    store = SqliteStore.writer(folder / "s.sqlite")
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    times = BEGIN + np.arange(len(hours) + 1) * HOUR_MS
    end = BEGIN + DAYS * DAY_MS
    counted = np.concatenate([[0], np.cumsum(hours)])
    for point in ("t1", "cold-store"):
        ledger.import_history((point, IMPORT), times, counted, end)
    ledger.recompute_all(end, end)
    store.close()
    return ColdStore(folder / "plan", folder / "s.sqlite", hours.reshape(DAYS, 24).sum(axis=1))
