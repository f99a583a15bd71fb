"""A plan of one feed and one feeder, and a store with months of its readings."""

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.periods import Period, starts
from meterd.core.model.reading import IMPORT, POWER, Reading

PLAN = """\
site = { name = "mill", zone = "Europe/Vienna", interval_s = 3600 }
broker = { embedded = true }
store = { path = "s.sqlite" }
limits = { gap_exact_s = 4800 }
board = [{ name = "main" }]
point = [{ point = "feed", role = "feed" }, { point = "f1" }]
instrument = [{ point = "*", meter_class = "B", register_max_wh = 1e9 }]
input = [
    { point = "*", register = "1.8.0", address = "{point}" },
    { point = "*", register = "16.7.0", address = "{point}/power" },
]
"""
BEGIN = 1_767_222_000_000  # 2025-12-31 23:00 UTC: the year 2026 in Vienna
HOUR = 3_600_000
DAY = 86_400_000
CHANNELS = (("feed", IMPORT), ("f1", IMPORT))


def plan_file(folder: Path) -> Path:
    """The plan, with its store beside it."""
    path = folder / "mill.toml"
    path.write_text(PLAN, encoding="utf-8")
    return path


def series(days: float, seed: int = 3) -> tuple["np.ndarray[tuple[int], np.dtype[np.int64]]", ...]:
    """Times a few minutes from each hour, with gaps of hours, and a register in mWh."""
    draw = np.random.default_rng(seed)
    count = int(days * 24)
    times = BEGIN + HOUR * np.arange(count, dtype=np.int64) + draw.integers(-120_000, 120_000, count) // 1000 * 1000
    keep = draw.random(count) > 0.02
    values = np.cumsum(draw.integers(0, 900_000, count)).astype(np.int64)
    return times[keep], values[keep]


def readings(days: float, from_day: float = 0.0) -> list[Reading]:
    """The same series as single readings of both points, and a power now and then, in the order of time."""
    results = []
    for k, (point, register) in enumerate(CHANNELS):
        times, values = series(days, seed=3 + k)
        for t, v in zip(times.tolist(), values.tolist(), strict=True):
            results.append(Reading(point, register, t, v, t))
            if t % 4 == 0 and t // 1000 % 7 == 0:
                results.append(Reading(point, POWER, t, 0.5 * (t // 1000 % 1000), t))
    return sorted((r for r in results if r.at_ms >= BEGIN + from_day * DAY), key=lambda r: r.at_ms)


def fill(folder: Path, days: float) -> Path:
    """A store with so many days, figures and all; returns its path."""
    plan_file(folder)
    path = folder / "s.sqlite"
    path.write_bytes(_filled(days))
    return path


@cache
def _filled(days: float) -> bytes:
    """The file of that store, made once."""
    with TemporaryDirectory() as made:
        site = load_plan(plan_file(Path(made))).site
        path = Path(made) / "s.sqlite"
        store = SqliteStore.writer(path)
        ledger = Ledger(store, site, ZoneInfo(site.zone))
        with store.transaction():
            store.add_readings(readings(days))
        ledger.recompute_all(BEGIN + int(days) * DAY, BEGIN + int(days) * DAY)
        store.close()
        assert not path.with_name("s.sqlite-wal").exists(), "the file alone is the whole store"
        return path.read_bytes()


def figures(path: Path, days: int) -> dict[str, object]:
    """Every newest figure and balance, without versions."""
    store = SqliteStore.reader(path)
    zone = ZoneInfo("Europe/Vienna")
    results: dict[str, object] = {}
    for period in Period:
        grid = np.array(starts(period, BEGIN - 40 * DAY, BEGIN + days * DAY, zone, HOUR), dtype=np.int64)
        columns = store.columns(CHANNELS, period, grid)
        results[period] = [c.tolist() for c in (columns.energy, columns.present, columns.flags)]
        results[f"balance {period}"] = store.balances("main", period, 0, BEGIN + days * DAY)
    store.close()
    return results
