"""What can be reached, and what is raised without a fault: `python -m tests.simulator.roof_bound [SEED [SITE...]]`.

The bound: a test that knows what no daemon can know, the fit to the whole history without a loss and how its clear days spread.
It takes the mean of three clear days against what is right on average, with the smallest limit that raises at most one false
alarm in five site-years. Beside it the same against the twelve clear days before, with the same fit.

The false alarms: histories without a fault, looked at after each of their clear days as a daemon does.
"""

import sys
from collections.abc import Callable, Sequence

import numpy as np

from meterd.core.pv.clear_sky import Floats
from meterd.core.pv.roof_days import given_of
from meterd.core.pv.roof_fit import RoofDays, fit_roof
from meterd.core.pv.roof_watch import clear_sky, open_losses, watch_roof
from tests.simulator.roof_study import clear_days, mill, only, places_of, planted, real, site_a

BEFORE = {"pv1": 494, "pv2": 455, "pv3": 808}  # first day of what is planted
LAST = {"pv1": 430, "pv2": 390, "pv3": 740, "pv-hall": 280, "pv-shed": 280, "all": 280, "roof": 190}
SIZES = (0.1, 0.2, 0.33)
FAR = 9.0  # a limit that nothing passes


def series_of(days: RoofDays) -> list[tuple[np.ndarray, Floats]]:
    """Clear days of each array before anything is planted, and what it gave about its median."""
    given = given_of(days, fit_roof(days))
    values = given.beside if len(days.names) > 1 else given.own
    results = []
    for a, name in enumerate(days.names):
        rows = np.flatnonzero(np.isfinite(values[:, a]) & clear_sky(given.own))
        rows = rows[rows < BEFORE.get(name, len(values))]
        results.append((rows, values[rows, a] - np.median(values[rows, a])))
    return results


def by_level(values: Floats, places: Sequence[int]) -> Floats:
    """Mean of the clear days of a run, against what is right on average."""
    return np.array([values[k : k + 3].mean() for k in places])


def by_base(values: Floats, places: Sequence[int]) -> Floats:
    """The same against the median of the twelve clear days before; nothing is told with less than five."""
    return np.array(
        [values[k : k + 3].mean() - np.median(values[max(0, k - 12) : k]) if k >= 5 else FAR for k in places]
    )


def limit_of(tests: Sequence[Floats], years: float) -> float:
    """The smallest limit with one false alarm in five years at most; runs of days below it count once."""
    for limit in np.arange(0.01, 1.0, 0.01):
        below = [np.concatenate([[False], test < -limit]) for test in tests]
        if sum(int((~mark[:-1] & mark[1:]).sum()) for mark in below) <= years / 5:
            return float(limit)
    return FAR


def bound(label: str, sites: Sequence[RoofDays], seed: int, count: int) -> None:
    """Which part of the planted losses such a test finds by the third clear day."""
    arrays = [(days, a, rows, values) for days in sites for a, (rows, values) in enumerate(series_of(days))]
    years = sum(min(BEFORE.get(days.names[a], len(days.at_ms)), len(days.at_ms)) for days, a, _, _ in arrays) / 365
    for title, test in (("level", by_level), ("days before", by_base)):
        limit = limit_of([test(values, range(len(values) - 2)) for *_, values in arrays], years)
        spread = np.median([np.diff(values).std() / 2**0.5 for *_, values in arrays])
        line = []
        for size in SIZES:
            results = []
            for days, a, rows, values in arrays:
                for array, day in places_of(days, LAST, seed, count):
                    k = int(np.searchsorted(rows, day))
                    if array == a and k + 3 <= len(rows):
                        lost = values + np.where(rows >= day, np.log(1 - size), 0.0)
                        results.append(bool(test(lost, [k])[0] < -limit))
            line.append(f"-{size:.0%} {np.mean(results):.0%} of {len(results)}")
        print(f"{label}, bound by {title}: spread {spread:.3f}, limit {limit:.2f}: {', '.join(line)}", flush=True)


def alarms(label: str, sites: Sequence[RoofDays], every: int) -> None:
    """Findings that open in histories without a fault, by a look after each clear day or some of them."""
    opened, looks, years = [], 0, 0.0
    for number, days in enumerate(sites):
        end = min([len(days.at_ms), *(BEFORE.get(name, len(days.at_ms)) for name in days.names)])
        rows = np.flatnonzero(clear_days(days)[:end].any(axis=1))[::every]
        before: set[tuple[str, str]] = set()
        for d in rows[rows >= 30].tolist():
            now = {(loss.array, str(loss.look)): loss for loss in open_losses(watch_roof(days.until(d + 1)).losses)}
            for key in now.keys() - before:
                opened.append(f"{number} {' '.join(key)} {now[key].loss:.2f} day {now[key].day}, found {d}")
            before = set(now)
        looks, years = looks + int((rows >= 30).sum()), years + end / 365
    print(
        f"{label}, false alarms: {len(opened)} in {looks} looks, {years:.1f} site-years",
        *opened,
        sep="\n   ",
        flush=True,
    )


def main(seed: int, labels: Sequence[str]) -> None:
    """Both for the sites that are named."""
    seeds = range(seed, seed + 6)
    sites: dict[str, tuple[Callable[[], list[RoofDays]], int, int]] = {
        "siteA": (lambda: [site_a()], 60, 1),
        "real": (lambda: [real()], 20, 1),
        "mill-alone": (lambda: [only(mill(number), a) for number in seeds for a in range(2)], 5, 1),
        "alone": (lambda: [only(planted(), a) for a in range(3)], 20, 2),
        "mill": (lambda: [mill(number) for number in seeds], 5, 3),
        "given": (lambda: [planted()], 7, 3),
    }
    for label in labels or sites:
        make, count, every = sites[label]
        bound(label, make(), seed, count)
    for label in labels or sites:
        make, count, every = sites[label]
        alarms(label, make(), every)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 17, sys.argv[2:])
