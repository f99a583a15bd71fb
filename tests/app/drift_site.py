"""A site with weeks of history for the drift watch: the solved grid as a plan, its readings in a store, a daemon after them.

`History` fills a store day by day, with meters that read what the case wants; `asked` lets a daemon examine it at the moment the
history ends, and what it says is read as anybody would: from the store, by commands, over the broker or from the page.
"""

import csv
import io
import shutil
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.runtime.clock import WallClock
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.reading import EXPORT, IMPORT
from tests.faults.mill import Here, running
from tests.plans import write
from tests.simulator.drift_sites import DAY, GRID_RATING, QUARTER_MS, Simulated, grid

BEGIN = 1_772_319_600_000  # 2026-02-28 23:00 UTC: midnight of 1 March in Berlin
DAY_MS = DAY * QUARTER_MS
WARM = 60  # days of a quiet history
SITE = """\
[site]
name = "solved-grid"
zone = "Europe/Berlin"
{temperature}
[broker]
host = "127.0.0.1"
port = {port}

[limits]
drift_pause_s = 0
power_max_age_s = 3600

[[board]]
name = "main-board"
rating_kva = 630

[[source]]
name = "meters"
protocol = "mqtt"
time_unit = "ms"
"""
CURRENTS = {
    name: (amperes, 5.0) for name, amperes in GRID_RATING.items() if name != "feeder3"
}  # feeder3 has no transformers


@cache
def simulated() -> Simulated:
    """Half a year of the grid."""
    return grid(7, 130)


@dataclass
class History:
    """The plan and the store of a case, filled day by day. `shown` is what each register counts by now, in mWh."""

    folder: Path
    port: int = 1883
    days: int = 0
    shown: dict[tuple[str, str], int] = field(default_factory=dict)
    rows: list[dict[str, str]] = field(default_factory=list)
    own: dict[str, str] = field(default_factory=dict)  # by point: its limits of unusual use, as in points.csv
    outdoor_c: list[float] = field(default_factory=list)  # by day from BEGIN on

    @property
    def plan(self) -> Path:
        """The plan folder."""
        return self.folder / "plan"

    @property
    def store(self) -> Path:
        """The store file."""
        return self.folder / "s.sqlite"

    @property
    def end_ms(self) -> int:
        """Midnight after the last day."""
        return BEGIN + self.days * DAY_MS - (3_600_000 if self.days > 28 else 0)  # summer time begins on 29 March

    def copied(self, folder: Path, port: int) -> "History":
        """The same history in another folder, for a case that goes on from it."""
        folder.mkdir(exist_ok=True)
        other = History(folder, port, self.days, dict(self.shown), [dict(row) for row in self.rows])
        shutil.copy(self.store, other.store)
        other.write_plan()
        return other

    def write_plan(self) -> None:
        """The files of the plan, with the instruments as they are now."""
        self.rows = self.rows or [_instrument(name) for name in GRID_RATING]
        points = [
            f"{n},main-board,{'feed' if n == 'main' else 'feeder'},{a:g},{self.own.get(n, ',')}"
            for n, a in GRID_RATING.items()
        ]
        inputs = [
            f"{n},{register},meters,m/{n},/{way},Wh,/t"
            for n in GRID_RATING
            for register, way in (("1.8.0", "import"), ("2.8.0", "export"))
        ]
        out = io.StringIO()
        table = csv.DictWriter(out, list(self.rows[0]), lineterminator="\n")
        table.writeheader()
        table.writerows(self.rows)
        files = {
            "site.toml": SITE.format(
                port=self.port, temperature='temperature = "outdoor.csv"\n' if self.outdoor_c else ""
            ),
            "points.csv": "\n".join(["point,board,role,rating_a,unusual_percent,night_max_w", *points, ""]),
            "inputs.csv": "\n".join(["point,register,source,address,field,unit,time_field", *inputs, ""]),
            "instruments.csv": out.getvalue(),
        }
        if self.outdoor_c:
            days = [date(2026, 3, 1) + timedelta(days=n) for n in range(len(self.outdoor_c))]
            air = [f"{day},{value:.1f}" for day, value in zip(days, self.outdoor_c, strict=True)]
            files["outdoor.csv"] = "\n".join(["day,outdoor_c", *air, ""])
        write(self.plan, files)

    def exchange(self, point: str, day: str) -> None:
        """A new meter at midnight of a day, which begins where the old one ended."""
        at = f"{day}T00:00:00+02:00"
        counted = {"1.8.0": self.shown[point, IMPORT] // 1000, "2.8.0": self.shown[point, EXPORT] // 1000}
        values = " ".join(f"{register}={wh}" for register, wh in counted.items())
        old = next(row for row in self.rows if row["point"] == point)
        new = dict(old)
        old["until"], old["closing_wh"] = at, values
        new["from"], new["serial"], new["opening_wh"] = at, "new", values
        self.rows.append(new)
        self.write_plan()

    def add(
        self, count: int, factors: Mapping[str, float] | None = None, *, loads: Mapping[str, float] | None = None
    ) -> None:
        """Days more, with meters that read `factors` of what they read before, and `loads` that take so many times as much."""
        rows = slice(self.days * DAY, (self.days + count) * DAY)
        start = self.end_ms
        self.days += count
        times = np.arange(start, self.end_ms + 1, QUARTER_MS, dtype=np.int64)
        store = SqliteStore.writer(self.store)
        site = load_plan(self.plan).site
        ledger = Ledger(store, site, ZoneInfo(site.zone))
        names = list(GRID_RATING)
        some = slice(0 if rows.start == 0 else 1, None)
        taken = simulated().energy[rows].astype(np.float64)
        for name, factor in (loads or {}).items():
            more = taken[:, names.index(name)] * (factor - 1)
            taken[:, names.index(name)] += more
            taken[:, names.index("main")] += more
        for i, name in enumerate(names):
            energy = np.rint(taken[:, i] * (factors or {}).get(name, 1.0)).astype(np.int64)
            energy = energy[: len(times) - 1]
            for register, part in ((IMPORT, np.maximum(energy, 0)), (EXPORT, np.maximum(-energy, 0))):
                before = self.shown.get((name, register), 0)
                values = before + np.concatenate([[0], np.cumsum(part)])
                self.shown[name, register] = int(values[-1])
                ledger.import_history((name, register), times[some], values[some], self.end_ms)
        since = dict.fromkeys(self.shown, int(times[some][0]))
        ledger.recompute_all(self.end_ms - QUARTER_MS, self.end_ms, since)
        store.close()


def _instrument(name: str) -> dict[str, str]:
    feed, currents = name == "main", CURRENTS.get(name)
    return {
        "point": name,
        "from": "2025-01-01",
        "until": "",
        "serial": "old",
        "meter_class": "0.5S" if feed else "1",
        "ct_class": "" if currents is None else "0.5" if feed else "1",
        "ct_ratio": "" if currents is None else f"{currents[0]:g}/{currents[1]:g}",
        "register_max_wh": "1e12",
        "resolution_wh": "1",
        "opening_wh": "",
        "closing_wh": "",
    }


def filled(folder: Path) -> History:
    """A quiet history of `WARM` days."""
    history = History(folder)
    history.write_plan()
    history.add(WARM)
    return history


@contextmanager
def asked(history: History) -> Iterator[Here]:
    """A daemon that runs in the first minutes after the history's last day."""
    ahead = history.end_ms + 300_000 - time.time_ns() // 1_000_000
    clock = WallClock(lambda: time.time_ns() // 1_000_000 + ahead)
    with running(load_plan(history.plan).site, history.store, clock) as here:
        yield here
