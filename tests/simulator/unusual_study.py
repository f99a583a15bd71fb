"""How well unusual use is found on measured loads: the long form, `python -m tests.simulator.unusual_study [SEED]`.

Each trial plants one fault into one load of the given site and runs the watch over the days before it and during it. A finding
counts if it comes in the time of the fault. A load that has a finding without the fault in the two weeks around it gets none.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from meterd.adapters.planfile.loader import load_plan
from meterd.app.operations.unusual_job import loads_of, watched_points
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, starts, to_ms
from meterd.core.unusual.days import HEATING_BELOW_C, Ints, Loads, UseDays, use_days
from meterd.core.unusual.watch import Kind, Watched, watch
from tests.simulator.drift_sites import CONFIG, mill

DATA = Path(__file__).parents[1] / "data"
ZONE = ZoneInfo("Europe/Berlin")
BEFORE_DAYS = 170  # six weeks, and the days from which a load's habit is learned
FIRST_DAY = 60  # of a trial: six weeks, and some days more
TRIALS = 14  # of each load
FREE_MS = 14 * DAY_MS  # around what is found without a fault


@dataclass(frozen=True)
class Fault:
    """What is planted: the load times `factor`, plus a share of its mean over the year; on weekends only, or on any day."""

    name: str
    kind: Kind
    days: int
    within: int
    aim: float
    factor: float = 1.0
    share: float = 0.0


FAULTS = (
    Fault("night +20 %", Kind.NIGHT, 60, 4, 0.0, share=0.2),
    Fault("night +30 %", Kind.NIGHT, 60, 4, 0.8, share=0.3),
    Fault("week +30 %", Kind.WEEK, 7, 7, 0.5, factor=1.3),
    Fault("week +50 %", Kind.WEEK, 7, 7, 0.75, factor=1.5),
    Fault("weekend +50 %", Kind.WEEKEND, 2, 2, 0.0, share=0.5),
    Fault("weekend +100 %", Kind.WEEKEND, 2, 2, 0.85, share=1.0),
)


@dataclass(frozen=True)
class Hours:
    """Energies in mWh by hour and load; the last load may be that of the whole site."""

    loads: Loads
    starts: Ints
    energy: Ints
    known: np.ndarray
    outdoor_c: tuple[tuple[int, float], ...] = ()

    @cached_property
    def bounds(self) -> Ints:
        """Starts of the whole local days, and the end of the last."""
        last = int(self.starts[-1]) + HOUR_MS
        days = [ms for ms in starts(Period.DAY, int(self.starts[0]), last + 1, ZONE, HOUR_MS) if ms <= last]
        return np.array(days, dtype=np.int64)

    def days(self, first: int, until: int) -> UseDays:
        """Some days as the watch takes them."""
        bounds = self.bounds[first : until + 1]
        rows = (self.starts >= bounds[0]) & (self.starts < bounds[-1])
        flags = np.zeros(self.energy[rows].shape, dtype=np.uint8)
        columns = Columns(self.energy[rows], self.known[rows], flags)
        return use_days(self.loads, bounds, (self.starts[rows], columns), ZONE, outdoor_c=dict(self.outdoor_c))


@cache
def site_a(*, whole: bool = True) -> Hours:
    """The loads of the given site, without PV; and their sum as the load of the site."""
    table = pd.read_csv(DATA / "siteA_loads_1h.csv.gz")
    energy = table.filter(like="feeder").to_numpy(dtype=np.int64) * 1000
    names = tuple(name.removesuffix("_load_wh") for name in table.columns[1:])
    if whole:
        energy, names = np.column_stack([energy, energy.sum(axis=1)]), (*names, "site")
    below = np.zeros((len(names), len(names)), dtype=np.bool_)
    below[-1, :-1] = whole
    base_only = np.array([name == "site" for name in names])
    return Hours(Loads(names, below, base_only), _ms(table.ts_utc), energy, np.ones(energy.shape, dtype=np.bool_))


@cache
def house() -> Hours:
    """Sub-meters of the given real house: nothing is beside them that they follow."""
    table = pd.read_csv(DATA / "opsd_res4_registers_1h.csv.gz")
    filled = table.interpolated.fillna("").str.split("|")
    names = [c.removesuffix("_kwh") for c in table.columns if c.endswith("_kwh") and not c.startswith(("grid", "pv"))]
    for name in names:
        table.loc[[name in text for text in filled], f"{name}_kwh"] = np.nan
    table.index = pd.to_datetime(table.ts_utc)
    table = table.reindex(pd.date_range(table.index[0], table.index[-1], freq="h"))
    energy = table[[f"{name}_kwh" for name in names]].diff().shift(-1)[:-1].to_numpy() * 1e6
    loads = Loads(
        tuple(names), np.zeros((len(names), len(names)), dtype=np.bool_), np.zeros(len(names), dtype=np.bool_)
    )
    known = np.isfinite(energy)
    return Hours(loads, _ms(pd.Series(table.index[:-1])), np.where(known, energy, 0).round().astype(np.int64), known)


@cache
def mill_hours(seed: int, days: int = 365) -> Hours:
    """Feeders and parts of Harrow Mill as the demo simulates it: loads on which no threshold was fixed."""
    simulated = mill(seed, days)
    site = load_plan(CONFIG / "harrow-mill").site
    names = simulated.net.points
    stored = [names.index(point.name) for point in watched_points(site) if point.name in names]
    count = len(simulated.start_ms) // 4
    energy = simulated.energy[: 4 * count, stored].reshape(count, 4, -1).sum(axis=1).round().astype(np.int64)
    points = loads_of(site)
    below = points.below[np.ix_(_rows(points, names, stored), _rows(points, names, stored))]
    loads = Loads(tuple(names[n] for n in stored), below, np.zeros(len(stored), dtype=np.bool_))
    return Hours(loads, simulated.start_ms[: 4 * count : 4], energy, np.ones(energy.shape, dtype=np.bool_))


@cache
def heated(load: int, seed: int = 17) -> Hours:
    """The given site with electric heating behind one load, as much as the load itself takes in the year, and its weather."""
    hours, random = site_a(), np.random.default_rng(seed)
    days = len(hours.bounds) - 1
    air = _weather(days, random)
    heat = np.maximum(0.0, HEATING_BELOW_C - air) * np.exp(0.05 * random.standard_normal(days))
    of_hour = heat[np.clip(np.searchsorted(hours.bounds, hours.starts, side="right") - 1, 0, days - 1)]
    more = of_hour / of_hour.mean() * hours.energy[:, load].mean()
    energy = hours.energy.astype(np.float64)
    energy[:, load] += more
    energy[:, -1] += more
    temperatures = tuple(zip(hours.bounds[:-1].tolist(), air.tolist(), strict=True))
    return replace(hours, energy=energy.round().astype(np.int64), outdoor_c=temperatures)


def _weather(days: int, random: np.random.Generator) -> np.ndarray:
    """Daily mean temperatures of a year from January on: 9.5 degrees, 9.5 up and down, days that go on like the one before.

    Figures of Central Europe from memory.
    """
    course, rest = 9.5 - 9.5 * np.cos(2 * np.pi * (np.arange(days) - 18) / 365.25), 0.0
    result = np.empty(days)
    for t in range(days):
        rest = 0.8 * rest + 3.8 * np.sqrt(1 - 0.8**2) * random.standard_normal()
        result[t] = course[t] + rest
    return result


def _rows(loads: Loads, names: tuple[str, ...], stored: list[int]) -> list[int]:
    return [loads.names.index(names[n]) for n in stored]


def _ms(times: pd.Series) -> Ints:
    return np.array([to_ms(moment.to_pydatetime()) for moment in pd.to_datetime(times)], dtype=np.int64)


def planted(hours: Hours, fault: Fault, load: int, day: int) -> Hours:
    """The same with a fault from a day on."""
    bounds, energy = hours.bounds, hours.energy.astype(np.float64)
    end = int(bounds[min(day + fault.days, len(bounds) - 1)])
    rows = np.flatnonzero((hours.starts >= bounds[day]) & (hours.starts < end))
    more = energy[rows, load] * (fault.factor - 1) + fault.share * energy[hours.known[:, load], load].mean()
    energy[rows, load] += more
    if hours.loads.base_only[-1]:
        energy[rows, -1] += more
    return replace(hours, energy=energy.round().astype(np.int64))


def found(hours: Hours, fault: Fault, load: int, day: int) -> Kind | None:
    """As what a fault was found in its time; None if it was not."""
    first, until = max(0, day - BEFORE_DAYS), day + fault.within
    bounds, name = hours.bounds, hours.loads.names[load]
    watched = watch(planted(hours, fault, load, day).days(first, until))
    kinds = [kind for n, kind, at in watched.detected if n == name and at >= bounds[day]]
    return kinds[0] if kinds else None


def trials(hours: Hours, fault: Fault, base: Watched, seed: int, count: int = TRIALS) -> Iterator[tuple[int, int]]:
    """Loads and days; a weekend begins on a Saturday."""
    random = np.random.default_rng(seed)
    days = hours.days(0, len(hours.bounds) - 1)
    for load in np.flatnonzero(~hours.loads.base_only).tolist():
        for day in random.choice(np.arange(FIRST_DAY, len(days.classes) - 12), count, replace=False).tolist():
            saturday = next(t for t in range(day, day + 7) if days.classes[t] == 1)
            first = saturday if fault.kind is Kind.WEEKEND else day
            spans = [(at, at) for name, _, at in base.detected if name == hours.loads.names[load]]
            spans += [(end.first_ms, end.at_ms) for end in base.ended if end.load == hours.loads.names[load]]
            if not any(low - FREE_MS < days.bounds_ms[first] < high + FREE_MS for low, high in spans):
                yield load, first


def load_years(hours: Hours) -> float:
    """How long loads of points are judged: from six weeks on."""
    return float((~hours.loads.base_only).sum()) * (len(hours.bounds) - 1 - 42) / 365.25


def main(seed: int) -> None:
    """False findings of fault-free histories, then the part of planted faults that is found."""
    measured = [("site", site_a(), TRIALS), ("house", house(), TRIALS)]
    for label, hours, count in (*measured, *((f"mill {n}", mill_hours(n), 1) for n in (2500, 2501))):
        watched = watch(hours.days(0, len(hours.bounds) - 1))
        points = [f for f in watched.detected if f[0] != "site"]
        print(
            f"{label}: {len(points)} findings in {load_years(hours):.1f} point-years;",
            f"whole site {len(watched.detected) - len(points)}",
        )
        for name, kind, at in watched.detected:
            print(f"    {pd.Timestamp(at, unit='ms', tz='UTC').tz_convert(ZONE):%a %d %b %Y}  {name} {kind}")
        for fault in FAULTS:
            results = [found(hours, fault, load, day) for load, day in trials(hours, fault, watched, seed, count)]
            kinds = {kind.value: sum(result is kind for result in results) for kind in Kind}
            part = sum(result is not None for result in results) / len(results)
            print(
                f"  {fault.name}: {part:.2f} of {len(results)} within {fault.within} days (aim {fault.aim}); as {kinds}"
            )


def main_heated(seeds: range) -> None:
    """Loads with electric heating, each in turn: false findings of it and what of planted faults is found, by temperatures."""
    for known in (False, True):
        false, years, results = 0, 0.0, {fault.name: [0, 0] for fault in FAULTS}
        for seed in seeds:
            for load in np.flatnonzero(~site_a().loads.base_only).tolist():
                hours = heated(load, seed) if known else replace(heated(load, seed), outdoor_c=())
                watched = watch(hours.days(0, len(hours.bounds) - 1))
                false += sum(name == hours.loads.names[load] for name, _, _ in watched.detected)
                years += (len(hours.bounds) - 1 - 42) / 365.25
                for fault in FAULTS:
                    for own, day in trials(hours, fault, watched, seed, TRIALS):
                        if own == load:
                            results[fault.name][0] += found(hours, fault, load, day) is not None
                            results[fault.name][1] += 1
        print(f"temperatures {'known' if known else 'not known'}: {false} false findings in {years:.1f} point-years")
        print("  ", {name: f"{hit / max(1, count):.2f} of {count}" for name, (hit, count) in results.items()})


if __name__ == "__main__":
    if sys.argv[1:] == ["heated"]:
        main_heated(range(17, 21))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 17)
