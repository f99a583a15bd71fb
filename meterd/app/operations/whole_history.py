"""Figures of a long history, as after an import: register by register, then some weeks of sums at a time.

A transaction holds some 100,000 rows, so that ten years need no more memory than one. What is not made yet is written down
as late work from the first transaction on: after a kill, the next start of the daemon goes on in small pieces.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import partial

from meterd.adapters.store.journal import Failure
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations import recompute
from meterd.app.operations.late_readings import END, Work, noted
from meterd.core import engine
from meterd.core.engine import Request, State
from meterd.core.errors import StoreError
from meterd.core.model.periods import DAY_MS
from meterd.core.model.results import Channel
from meterd.core.registers.figure_columns import FigureColumns

IMPORTED = "old readings imported"  # why figures get a new version
ROWS = 100_000  # intervals of all registers in one transaction: some seconds, 60 MB


def starting_points(
    store: WriteStore, state: State, late: Work, behind: Iterable[Request], since: Mapping[Channel, int] | None
) -> dict[Channel, int]:
    """From which moment each register must be followed; without `since` all from their first reading.

    `since` has the first new reading of those that got some. Earlier than it is what waited before the import: late readings,
    corrections, changes of the plan. The others go on where they were closed.
    """
    if since is None or state.closed_to is None:
        return dict.fromkeys(state.trackers, -END)
    results = dict.fromkeys(state.trackers, state.closed_to)
    waiting = [(channel, work.low) for channel, work in late.registers.items()]
    waiting += [((point, register), low) for _, point, register, low, _ in recompute.items_of(store)]
    waiting += [(request.channel, request.from_ms) for request in behind if request.from_ms is not None]
    for channel, low in [*since.items(), *waiting]:
        if channel in results:
            results[channel] = min(results[channel], low)
    return results


def work_of(store: WriteStore, state: State, late: Work, points: Mapping[Channel, int]) -> Work:
    """All that is to be made, as late work; `state` is closed up to the end already."""
    assert state.closed_to is not None, "closed before"
    firsts = {channel: store.first_ms(channel) for channel in points}
    registers = [(channel, max(points[channel], first), END) for channel, first in firsts.items() if first is not None]
    work = noted(Work({}), store, state, registers)
    lows = [late.low for late in work.registers.values()] + [low for low, _ in late.spans]
    return replace(work, unsummed=(min(lows), state.closed_to) if lows else (0, 0))


def in_groups(work: Work, state: State) -> Iterator[list[Channel]]:
    """Registers whose figures are written in one transaction."""
    low, high = work.unsummed
    channels = list(work.registers)
    most = max(1, ROWS * state.interval_ms // max(1, high - low))
    for at in range(0, len(channels), most):
        yield channels[at : at + most]


def follow(store: WriteStore, state: State, request: Request, figures_from: int, now_ms: int) -> int:
    """Follow a register from before a moment and write its figures; returns how many changed."""
    again: Request | None = request
    figures: FigureColumns | None = None
    try:
        while again is not None:
            request = recompute.bounded(again, figures_from)
            plan = engine.plan_rerun(state, request, partial(store.anchor, request.channel))
            history = store.history(request.channel, -END if plan[1] is None else plan[1].at_ms)
            figures, again = engine.rerun_columns(state, request.channel, plan, history)
            if again is not None and recompute.bounded(again, figures_from) == request:
                raise StoreError("it must be followed from readings that were deleted; import them again")
    except Failure:
        raise
    except Exception as exc:  # an edge of the house style: one register must not stop the others
        engine.set_aside(state, request.channel, exc)
        return 0
    return 0 if figures is None else store.write_columns(figures, now_ms=now_ms, reason=IMPORTED)


def next_part(work: Work, state: State, rows: int | None = None) -> tuple[int, int]:
    """The next span to be summed: so many rows, at least a day, which is all that a part holds at once."""
    low, high = work.unsummed
    days = max(1, (rows or ROWS) * state.interval_ms // max(1, len(state.trackers)) // DAY_MS)
    return low, min(high, low + days * DAY_MS)
