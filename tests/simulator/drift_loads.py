"""Loads without a meter and seasonal feeders: how the watch does on the block, `python -m tests.simulator.drift_loads`.

For every shape and size of a load: when it is found, what is named from then on, and whether a meter ever is. For sites read
every 1, 5 and 15 minutes: false alarms in years that begin in winter. Seeds 900 and above were used for nothing else.
"""

import sys
import time
from dataclasses import dataclass

from meterd.core.drift.change_life import accepted
from meterd.core.drift.gross_errors import gross
from meterd.core.drift.monitor import monitor_day
from meterd.core.drift.monitor_state import begin
from tests.simulator.drift_block import block
from tests.simulator.drift_study import false_alarms, statistics

WARM, AFTER = 80, 25  # days before a load comes, and days it is followed
LOOKED_AT = (1, 2, 6)  # days after which the search for gross faults is asked too, with a baseline and without
SHAPES = ("work", "evening", "noon", "night", "constant", "cycling")
SIZES_KW = (2.0, 5.0, 10.0)


@dataclass(frozen=True)
class LoadOutcome:
    """What is said of a load: days until it is found, meters that were ever named, what is first and named on the last day."""

    kind: str
    size_kw: float
    found: int | None
    meters: tuple[str, ...]
    first: str
    named: str | None
    gross_meters: tuple[str, ...]


def load_case(seed: int, kind: str, size_kw: float, *, step_s: int = 900, begin_day: int = 0) -> LoadOutcome:
    """One load on the block from day `WARM` on."""
    simulated = block(seed, WARM + AFTER, step_s=step_s, begin_day=begin_day, kind=kind, size_kw=size_kw, from_day=WARM)
    state, result, first, named = begin(simulated.net), None, "", None
    meters: dict[str, None] = {}
    wrong: dict[str, None] = {}
    for number, day in enumerate(statistics(simulated)):
        state, suspicions = monitor_day(state, day)
        if number < WARM:
            state = accepted(state, state.changes, day.end_ms)
            continue
        if suspicions:
            result = number - WARM if result is None else result
            first, named = suspicions[0].candidates[0].hypothesis, suspicions[0].named
            meters |= {
                suspicion.named: None
                for suspicion in suspicions
                if suspicion.named is not None and suspicion.candidates[0].points
            }
        if number - WARM in LOOKED_AT:
            # as the daily job asks: with the baseline of today, and again with that before each change that lasts
            bases = [None if state.learner is None else state.learner.fit, *(change.base for change in state.changes)]
            for some in ([None], bases):
                seen = [gross(simulated.net, simulated.day(number), fit) for fit in some]
                if all(
                    suspicion is not None and suspicion.named is not None and suspicion.candidates[0].points
                    for suspicion in seen
                ):
                    wrong |= {
                        suspicion.named: None
                        for suspicion in seen[:1]
                        if suspicion is not None and suspicion.named is not None
                    }
    return LoadOutcome(kind, size_kw, result, tuple(meters), first, named, tuple(wrong))


def load_line(outcomes: list[LoadOutcome]) -> str:
    """One line of the table."""
    results = sorted(o.found for o in outcomes if o.found is not None)
    first = [o.first.split(" ")[0] for o in outcomes]
    blamed = [f"{', '.join(o.meters)} ({o.size_kw:g} kW)" for o in outcomes if o.meters]
    gross_blamed = [", ".join(o.gross_meters) for o in outcomes if o.gross_meters]
    return (
        f"{outcomes[0].kind:<9} n={len(outcomes)} found {len(results)} after {results[len(results) // 2] if results else '-'} d; "
        f"first on the last day: {', '.join(f'{kind} {first.count(kind)}' for kind in sorted(set(first)))}; "
        f"a meter named: {len(blamed)} {blamed}; by the search of a day: {len(gross_blamed)} {gross_blamed}"
    )


def seasonal(seed: int, days: int, step_s: int) -> tuple[int, list[str]]:
    """False alarms of the block, whose cooling stands still in winter."""
    simulated = block(seed, days, step_s=step_s)
    return false_alarms(simulated, statistics(simulated))


def main(arguments: list[str]) -> None:
    """Print the table; the first argument is the number of seeds, the second the first of them."""
    count = int(arguments[0]) if arguments else 6
    first = int(arguments[1]) if len(arguments) > 1 else 900
    for kind in SHAPES:
        outcomes = [load_case(first + n, kind, size, begin_day=60 * (n % 6)) for n in range(count) for size in SIZES_KW]
        print(load_line(outcomes), flush=True)
    for step_s in (900, 300, 60):
        begun, total = time.monotonic(), 0
        for seed in range(first, first + count):
            alarms, texts = seasonal(seed, 730, step_s)
            total += alarms
            print("".join(f"    seed {seed} {text}\n" for text in texts), end="", flush=True)
        print(f"read every {step_s} s: {total} false alarms in {2 * count} years ({time.monotonic() - begun:.0f} s)")


if __name__ == "__main__":
    main(sys.argv[1:])
