"""How well a lost string is found on given arrays: the long form, `python -m tests.simulator.roof_study [SEED]`.

Three simulated arrays of three years with planted faults (`tests/data/pv_planted.parquet`, made without this program), and the
two roofs of Harrow Mill. Each trial takes a part of one array away from a day on and looks again at each following clear day.
"""

import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
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
from meterd.core.pv.roof_days import given_of
from meterd.core.pv.roof_fit import Roof, RoofDays, fit_roof
from meterd.core.pv.roof_shade import shade_of
from meterd.core.pv.roof_watch import Look, Loss, clear_sky, open_losses, watch_roof
from tests.core.forecast.walk import history

ROOT = Path(__file__).parents[2]
SLOTS, SLOT_MS = 96, 900_000
FIRST_DAY = 120  # a fit and a baseline
WITHIN_DAYS = 75
LATER = 8  # clear days after which the loss that is told is compared once more
SIZES = (0.1, 0.2, 0.33)
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
    """How a planted loss was found: on which clear day and how many days after it began, what was told then and is told later.

    `three` says whether three clear days came at all, `why` what hid a loss that was not found by the third.
    """

    clear: int | None
    days: int | None
    told: float
    later: float | None
    three: bool
    why: str = ""


def clear_days(days: RoofDays) -> np.ndarray:
    """On which days each array could be judged by what is known of the whole history without a loss [D, A]."""
    given = given_of(days, fit_roof(days))
    series = given.beside if len(days.names) > 1 else given.own
    return np.isfinite(series) & clear_sky(given.own)[:, None]


def trial(days: RoofDays, place: tuple[int, int], size: float, roof: Roof, clear: np.ndarray) -> Trial:
    """The first finding of an array after a day, as a daemon sees it after the third clear day, and after some more."""
    array, day = place
    changed = without(days, roof, array, day, size)
    after = [int(d) for d in np.flatnonzero(clear[:, array]) if day <= d < day + WITHIN_DAYS][:LATER]
    if not after:
        return Trial(None, None, 0.0, None, three=False, why="no clear day")
    third, last = after[min(2, len(after) - 1)], after[-1]
    first, later = _loss_at(changed, array, day, third), _loss_at(changed, array, day, last)
    why = "" if first is not None else _why(changed.until(third + 1), array, day)
    first = first or later
    if first is None:
        return Trial(None, None, 0.0, None, len(after) >= 3, why)
    number = sum(at <= first.found for at in after)
    return Trial(number, first.found - day, first.loss, later and later.loss, len(after) >= 3, why)


def _loss_at(days: RoofDays, array: int, day: int, at: int) -> Loss | None:
    """What is open after a day of what began after another one."""
    lasting = open_losses(watch_roof(days.until(at + 1)).losses)
    mine = [loss for loss in lasting if loss.array == days.names[array] and loss.found >= day]
    return next((loss for loss in mine if loss.look not in (Look.SEASON, Look.SHADE, Look.CLOCK)), None)


def _why(days: RoofDays, array: int, day: int) -> str:
    """What hid a loss at the third clear day after it."""
    state = watch_roof(days)
    if state.looks[array] is None:
        return "history too short"
    series = (state.given.beside if state.looks[array] is Look.NEIGHBOURS else state.given.own)[:, array]
    known = np.flatnonzero(np.isfinite(series))
    before, after = known[known < day][-12:], known[known >= day]
    if len(after) < 3:
        return "its days not taken as clear"
    if len(before[before > day - 150]) < 5:
        return "no days before"
    fell = float(np.median(series[before]) - np.mean(series[after[-3:]]))
    return f"{'fit bent' if fell < 0.12 else 'other'} (fell by {fell:.2f}, history of {day} days)"


def places_of(days: RoofDays, last: dict[str, int], seed: int, count: int) -> list[tuple[int, int]]:
    """So many moments for each array before anything is planted in it."""
    random = np.random.default_rng(seed)
    return [
        (array, int(day))
        for array, name in enumerate(days.names)
        for day in random.choice(np.arange(FIRST_DAY, last[name]), count, replace=False)
    ]


def trials(sites: Iterable[RoofDays], last: dict[str, int], size: float, seed: int, count: int) -> Iterator[Trial]:
    """All moments of some sites; what is planted later in them is cut off."""
    for days in sites:
        roof, clear = fit_roof(days), clear_days(days)
        assert roof is not None, "there are clear days"
        for place in places_of(days, last, seed, count):
            yield trial(days, place, size, roof, clear)


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
    """A line, and what hid the losses that were not found by the third clear day."""
    matches = [t for t in results if t.clear is not None]
    third = sum(t.clear is not None and t.clear <= 3 for t in results)
    three = sum(t.three or (t.clear is not None and t.clear <= 3) for t in results)
    month = sum(t.days is not None and t.days <= 30 for t in matches)
    near = sum(abs(t.told - size) <= 0.03 for t in matches)
    later = [t.later for t in matches if t.later is not None]
    near_later = sum(abs(loss - size) <= 0.03 for loss in later)
    print(
        f"{label} -{size:.0%}: found by the third clear day {third / max(three, 1):.0%} of {three},",
        f"by the last of {LATER} {len(later) / len(results):.0%} of {len(results)}, within 30 days {month / len(results):.0%},",
        f"loss within 3 points {near / max(len(matches), 1):.0%}, by the last {near_later / max(len(later), 1):.0%}",
        flush=True,
    )
    hidden = Counter(t.why for t in results if t.why)
    print("   hidden:", "; ".join(f"{count} {why}" for why, count in hidden.most_common(8)) or "none", flush=True)


def shown(label: str, days: RoofDays, losses: tuple[Loss, ...]) -> None:
    """What was found in a history."""
    for loss in losses:
        day, results = (pd.Timestamp(int(days.at_ms[d, 0]), unit="ms").date() for d in (loss.day, loss.found))
        end = "" if loss.ended is None else f" until {pd.Timestamp(int(days.at_ms[loss.ended, 0]), unit='ms').date()}"
        print(f"{label}: {loss.array} {loss.look} {loss.loss:.1%} since {day}, found {results}{end}")


def main(seed: int, labels: Sequence[str]) -> None:
    """Trials of the sites that are named, `NAME` or `NAME:SIZE`; `found` is what is found in histories as they are."""
    whole = planted()
    last = {"pv1": 430, "pv2": 390, "pv3": 740}
    seeds = range(seed, seed + 6)
    year = {"pv-hall": 280, "pv-shed": 280, "all": 280, "roof": 190}
    sites: dict[str, tuple[Callable[[], list[RoofDays]], dict[str, int], int]] = {
        "given": (lambda: [whole], last, 7),
        "alone": (lambda: [only(whole, a) for a in range(3)], last, 20),
        "mill": (lambda: [mill(number) for number in seeds], year, 5),
        "mill-alone": (lambda: [only(mill(number), a) for number in seeds for a in range(2)], year, 5),
        "siteA": (lambda: [site_a()], year, 60),
        "real": (lambda: [real()], year, 20),
    }
    for wanted in labels or ("found", *sites, "shade"):
        if wanted == "found":
            for title, days in (("given", whole), ("siteA", site_a()), ("real", real())):
                shown(title, days, watch_roof(days).losses)
            continue
        if wanted == "shade":
            shades(whole)
            continue
        label, _, part = wanted.partition(":")
        make, until, count = sites[label]
        for size in (float(part),) if part else SIZES:
            report(label, size, list(trials(make(), until, size, seed, count)))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 17, sys.argv[2:])
