"""All policies, counts and delays over a day of twelve hours: the long form, `python -m tests.simulator.sharing_study`.

Prints the table of RESULTS.md: PV used, import and switches on a clear and a cloudy day, and what `bound` says of the
cloudy one; then the targets that are missed, and every policy that uses as much PV and imports as little. Twenty minutes.
"""

import sys
from collections.abc import Callable

import numpy as np

from tests.simulator.bound import best
from tests.simulator.loop import LOAD_W, Day, World, clear_day, cloudy_day, coordinator, run, shared, threshold

LIGHT_H = 12
TIMES = (0, 600)  # minimum on time in s; off half of it
Run = Callable[[str], Day]
missed: list[str] = []
equalled: list[str] = []


def ours(count: int, delay: int, min_on_s: int, *, measured: bool = True) -> Run:
    """The allocation."""

    def day(sky: str) -> Day:
        sharer, world = shared(count, delay, min_on_s=min_on_s, min_off_s=min_on_s // 2, measured=measured)
        return run(sharer, world, light(sky))

    return day


def theirs(name: str, count: int, delay: int, min_on_s: int) -> Run:
    """A policy of the table of checks.md."""

    def day(sky: str) -> Day:
        chooser = {"threshold": threshold, "coordinator": coordinator(), "one off": coordinator(lag=1)}[name]
        return run(
            chooser, World(np.full(count, LOAD_W, dtype=np.int64), delay, min_on_s // 10, min_on_s // 20), light(sky)
        )

    return day


def light(sky: str) -> "np.ndarray[tuple[int, ...], np.dtype[np.int64]]":
    """PV of the day."""
    return clear_day(LIGHT_H) if sky == "clear" else cloudy_day(hours=LIGHT_H)


def line(name: str, day: Run, note: str = "") -> tuple[Day, Day]:
    """One line of the table."""
    clear, cloudy = day("clear"), day("cloudy")
    print(
        f"| {name} | {100 * clear.used:.1f} / {100 * cloudy.used:.1f} | {clear.import_kwh:.1f} / {cloudy.import_kwh:.1f}"
        f" | {clear.switches:.0f} / {cloudy.switches:.0f} | {note} |",
        flush=True,
    )
    return clear, cloudy


def policies() -> None:
    """80 loads and two samples, as in checks.md."""
    for min_on_s in TIMES:
        text = " 10/5 min" if min_on_s else ""
        for name, shown in (
            ("threshold", "one threshold"),
            ("coordinator", "coordinator"),
            ("one off", "coordinator one sample off"),
        ):
            line(shown + text, theirs(name, 80, 2, min_on_s))
        line("allocation" + text, ours(80, 2, min_on_s))
        line("allocation, not measured" + text, ours(80, 2, min_on_s, measured=False))


def grid() -> None:
    """All counts and delays against the targets, and against the other policies at the same settings."""
    for min_on_s in TIMES:
        for count in (1, 10, 80, 300):
            for delay in range(7):
                bound = best(count, delay, hours=LIGHT_H)[0] if delay and not min_on_s else None
                name = f"allocation N={count} d={delay}" + (" 10/5 min" if min_on_s else "")
                clear, cloudy = line(name, ours(count, delay, min_on_s), "" if bound is None else f"{100 * bound:.1f}")
                need = (0.95, 0.85) if min_on_s else (0.98, min(0.90, 0.985 * (bound or 1.0)))
                if clear.used < need[0] or cloudy.used < need[1]:
                    missed.append(name)
                _compare(name, (clear, cloudy), count=count, delay=delay, min_on_s=min_on_s)


def _compare(name: str, days: tuple[Day, Day], *, count: int, delay: int, min_on_s: int) -> None:
    for other in ("threshold", "coordinator", "one off"):
        day = theirs(other, count, delay, min_on_s)
        for sky, mine in zip(("clear", "cloudy"), days, strict=True):
            result = day(sky)
            if result.used >= mine.used and result.import_kwh <= mine.import_kwh:
                equalled.append(f"{name}: {other}, {sky}")


if __name__ == "__main__":
    print("| policy (N=80, d=2) | PV used clear/cloudy % | import kWh | switches per load | bound cloudy % |")
    print("|---|---|---|---|---|")
    policies()
    grid()
    print("missed:", *(missed or ["nothing"]), sep="\n")
    print("as good in both:", *(equalled or ["nobody"]), sep="\n")
    sys.exit(1 if missed else 0)
