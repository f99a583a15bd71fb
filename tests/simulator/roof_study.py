"""How well a lost string is found on given arrays: the long form, `python -m tests.simulator.roof_study [SEED]`.

Three simulated arrays of three years with planted faults (`tests/data/pv_planted.parquet`, made without this program), and the
two roofs of Harrow Mill. Each trial takes a part of one array away from a day on and looks again at each following clear day.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.history import true_history
from meterd.core.model.periods import DAY_MS, HOUR_MS, to_ms
from meterd.core.model.plan import Role
from meterd.core.pv.clear_sky import clear_w
from meterd.core.pv.roof_fit import Roof, RoofDays, fit_roof
from meterd.core.pv.roof_shade import shade_of
from meterd.core.pv.roof_watch import Look, Loss, clear_sky, watch_roof
from tests.core.forecast.walk import history

ROOT = Path(__file__).parents[2]
SLOTS, SLOT_MS = 96, 900_000
FIRST_DAY = 120  # a fit and a baseline
WITHIN_DAYS = 75
SIZES = (0.1, 0.2, 0.33, 0.5)
CLIPPED = "pv3"  # at 62 % of its kWp all along


@cache
def planted() -> RoofDays:
    """The given arrays with what was planted into them."""
    table = pd.read_parquet(ROOT / "tests" / "data" / "pv_planted.parquet")
    begin = to_ms(table.ts_utc.iloc[0].to_pydatetime())
    watt = table[["pv1_kw", "pv2_kw", "pv3_kw"]].to_numpy(dtype=np.float64) * 1000
    return _days(("pv1", "pv2", "pv3"), begin, watt)


@cache
def mill(seed: int, days: int = 365) -> RoofDays:
    """The two roofs of the demo."""
    site = load_plan(ROOT / "config" / "harrow-mill").site
    begin = to_ms(datetime(2025, 1, 1, tzinfo=UTC))
    rows = [n for n, point in enumerate(site.points) if point.role is Role.PV]
    blocks = true_history(site, seed, begin + SLOT_MS // 5, begin + days * DAY_MS, step_s=180)
    watt = np.concatenate([truth.power[rows].T / 1000 for truth in blocks])[: days * SLOTS * 5]
    means = watt.reshape(-1, 5, len(rows)).mean(axis=1)
    return _days(tuple(site.points[n].name for n in rows), begin, means)


@cache
def real() -> RoofDays:
    """The roof of a real house by hours (OPSD), nine months from October on; what was interpolated is missing."""
    whole = history("opsd")
    before = (whole.start_ms + HOUR_MS) // HOUR_MS % 24  # days of the winter's clock in Berlin
    watt = np.concatenate((np.full(before, np.nan), whole.pv))
    return _days(("roof",), whole.start_ms - before * HOUR_MS, watt[:, None], slots=24)


@cache
def site_a() -> RoofDays:
    """The roofs of siteA as one: profiles of several planes, one year."""
    whole = history("siteA")
    return _days(("all",), whole.start_ms, whole.pv[:, None])


def _days(names: tuple[str, ...], begin: int, watt: np.ndarray, *, slots: int = SLOTS) -> RoofDays:
    count, slot_ms = len(watt) // slots, DAY_MS // slots
    at_ms = begin + slot_ms * np.arange(count * slots, dtype=np.int64).reshape(count, slots) + slot_ms // 2
    return RoofDays(names, at_ms, watt[: count * slots].reshape(count, slots, -1))


def without(days: RoofDays, roof: Roof, array: int, day: int, size: float) -> RoofDays:
    """The same with a part of an array gone from a day on. What its inverter had cut off fills the gap first."""
    watt = days.watt.copy()
    gone = watt[day:, :, array] * (1 - size)
    if days.names[array] == CLIPPED:
        plane, highest = roof.planes[array], float(roof.highest_w[array])
        assert plane is not None, "it was fitted"
        should = np.maximum(clear_w(roof.place, plane, days.at_ms[day:]), watt[day:, :, array])
        gone = np.where(watt[day:, :, array] >= 0.995 * highest, np.minimum(should * (1 - size), highest), gone)
    watt[day:, :, array] = gone
    return replace(days, watt=watt)


def only(days: RoofDays, array: int) -> RoofDays:
    """A site with this array alone."""
    return RoofDays(days.names[array : array + 1], days.at_ms, days.watt[:, :, array : array + 1])


@dataclass(frozen=True)
class Trial:
    """How one planted loss was found: after how many clear days and days, and how much was told; if three clear days came."""

    clear: int | None
    days: int | None
    told: float
    three: bool


def trial(days: RoofDays, array: int, day: int, size: float) -> Trial:
    """The first finding of the array after the day."""
    roof = fit_roof(days)
    assert roof is not None, "there are clear days"
    history = without(days, roof, array, day, size).until(day + WITHIN_DAYS)
    state = watch_roof(history)
    losses = [loss for loss in state.losses if loss.array == days.names[array] and loss.found >= day]
    quick = [loss for loss in losses if loss.look not in (Look.SEASON, Look.SHADE)]
    own = state.given.own[:, array]
    series = state.given.beside[:, array] if len(days.names) > 1 else own
    clear = np.flatnonzero(np.isfinite(series) & clear_sky(state.given.own))  # an evenly covered day is no clear one
    clear = clear[clear >= day]
    if not quick:
        return Trial(None, None, 0.0, len(clear) >= 3)
    return Trial(int((clear <= quick[0].found).sum()), quick[0].found - day, quick[0].loss, len(clear) >= 3)


def trials(days: RoofDays, last: dict[str, int], size: float, seed: int, count: int) -> Iterator[Trial]:
    """So many moments for each array before anything is planted in it."""
    random = np.random.default_rng(seed)
    for array, name in enumerate(days.names):
        for day in random.choice(np.arange(FIRST_DAY, last[name]), count, replace=False).tolist():
            yield trial(days, array, day, size)


def shaded(days: RoofDays, array: int, first_h: float, until_h: float, depth: float) -> RoofDays:
    """The same with shade of some hours (UTC) that grows from the hundredth day on for 500 days, up to a part of the light."""
    grown = np.clip((np.arange(len(days.at_ms)) - 100) / 500, 0, 1)[:, None]
    hours = days.at_ms % DAY_MS / HOUR_MS
    watt = days.watt.copy()
    watt[:, :, array] *= 1 - depth * grown * ((hours >= first_h) & (hours < until_h))
    return replace(days, watt=watt)


def shades(days: RoofDays) -> None:
    """Where there is shade that grows, and where there is none, every month of the second year."""
    looks = [(until, a) for until in range(430, len(days.at_ms) + 1, 5) for a in range(3)]
    print(f"no shade: {sum(shade_of(days.until(d), a) is not None for d, a in looks)} found in {len(looks)} looks")
    for first_h, until_h, depth in ((0, 8.5, 0.3), (9, 11, 0.3), (13, 24, 0.5), (0, 8.5, 0.6), (0, 10, 0.6)):
        for array, name in enumerate(days.names):
            own = shaded(days, array, first_h, until_h, depth)
            results = [until for until in range(460, 701, 30) if shade_of(own.until(until), array) is not None]
            print(f"shade of {depth:.0%} from {first_h} to {until_h} h: {name} told on days {results}", flush=True)


def report(label: str, size: float, results: list[Trial]) -> None:
    """One line."""
    matches = [t for t in results if t.clear is not None and t.days is not None and t.days <= 60]
    third = sum(t.clear is not None and t.clear <= 3 for t in matches)
    three = sum(t.three or (t.clear is not None and t.clear <= 3) for t in results)
    month = sum(t.days is not None and t.days <= 30 for t in matches)
    near = sum(abs(t.told - size) <= 0.03 for t in matches)
    count = len(results)
    print(
        f"{label} -{size:.0%}: found {len(matches) / count:.0%} of {count},",
        f"by the third clear day {third / max(three, 1):.0%} of {three},",
        f"within 30 days {month / count:.0%}, loss within 3 points {near / max(len(matches), 1):.0%}",
        f"median {np.median([t.days for t in matches]) if matches else 0:.0f} days",
        flush=True,
    )


def shown(label: str, days: RoofDays, losses: tuple[Loss, ...]) -> None:
    """What was found in a history."""
    for loss in losses:
        day, results = (pd.Timestamp(int(days.at_ms[d, 0]), unit="ms").date() for d in (loss.day, loss.found))
        end = "" if loss.ended is None else f" until {pd.Timestamp(int(days.at_ms[loss.ended, 0]), unit='ms').date()}"
        print(f"{label}: {loss.array} {loss.look} {loss.loss:.1%} since {day}, found {results}{end}")


def single(seed: int) -> None:
    """A real roof and that of siteA, each alone: what is found in them as they are, then trials."""
    for label, days, last in (("real", real(), 190), ("siteA", site_a(), 280)):
        shown(label, days, watch_roof(days).losses)
        for size in SIZES[1:]:
            report(label, size, list(trials(days, {days.names[0]: last}, size, seed, 8)))


def main(seed: int) -> None:
    """What is found in the histories as they are, then trials."""
    whole = planted()
    shown("given", whole, watch_roof(whole).losses)
    for until in range(400, len(whole.at_ms), 60):
        state = watch_roof(whole.until(until))
        shown("given, season", whole, tuple(loss for loss in state.losses if loss.look is Look.SEASON))
    for array in range(3):
        shown("alone", whole, watch_roof(only(whole, array)).losses)
    for number in range(seed, seed + 5):
        shown(f"mill {number}", mill(number), watch_roof(mill(number)).losses)
    last = {"pv1": 430, "pv2": 390, "pv3": 740}
    for size in SIZES:
        report("given", size, list(trials(whole, last, size, seed, 7)))
    for size in SIZES:
        results = [t for a in range(3) for t in trials(only(whole, a), last, size, seed, 4)]
        report("alone", size, results)
    for size in SIZES[:3]:
        report("mill", size, list(trials(mill(seed), dict.fromkeys(mill(seed).names, 280), size, seed, 5)))
    single(seed)
    shades(whole)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 17)
