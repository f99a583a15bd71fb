"""Which old readings may go, and whether what was made of them is right: the first half of `meterd retain`, also for the daemon.

    figures recalculated from the readings = figures in the store, months = sums of their intervals

Figures, balances and findings stay for ever. The newest reading of every register stays, and a month of readings before
the first figure that may still change.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.store.retention import Prunable, prunable
from meterd.core import engine
from meterd.core.energy.stored_figures import StoredFigures, StoredIntervals
from meterd.core.engine import Request, State
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import DAY_MS, Period, bounds, starts, text
from meterd.core.model.plan import Site
from meterd.core.model.results import Channel
from meterd.core.registers.corrections import FIGURES_FROM
from meterd.core.registers.register_line import Ints

MARGIN_MS = 31 * DAY_MS  # readings kept before the first figure that may change: to follow a register up to there
NAMED = 5  # differences in a message


@dataclass(frozen=True, slots=True)
class Cut:
    """What may go: of each register the readings before a moment."""

    before_ms: int  # no reading from here on goes
    figures_from_ms: int  # figures before this are final
    channels: dict[Channel, int]
    readings: dict[Channel, Prunable]

    @property
    def total(self) -> int:
        """How many readings go."""
        return sum(item.rows for item in self.readings.values())


def as_details(cut: Cut) -> dict[str, Any]:
    """A cut for an order."""
    rows = [[*channel, p.before_ms, p.first_ms, p.rows, p.held] for channel, p in cut.readings.items()]
    return {"before_ms": cut.before_ms, "figures_from_ms": cut.figures_from_ms, "readings": rows}


def from_details(details: Mapping[str, Any]) -> Cut:
    """The cut of an order; ConfigError for what is none."""
    try:
        readings = {
            (str(point), str(register)): Prunable(*map(int, numbers))
            for point, register, *numbers in details["readings"]
        }
        return Cut(int(details["before_ms"]), int(details["figures_from_ms"]), {}, readings)
    except (KeyError, TypeError, ValueError) as exc:
        raise ConfigError("the order to delete readings is incomplete") from exc


def cut_of(store: ReadStore, site: Site, keep_days: int, now_ms: int) -> Cut:
    """What may go so that at least so many days stay. Whole local months only. StoreError if figures are not final."""
    zone = ZoneInfo(site.zone)
    before = bounds(Period.MONTH, now_ms - keep_days * DAY_MS, zone, site.interval_s * 1000)[0]
    figures_from = bounds(Period.INTERVAL, before + MARGIN_MS, zone, site.interval_s * 1000)[0]
    closed_to = int(store.fact("closed_to_ms") or 0)
    if store.fact("unsettled_from_ms"):
        raise StoreError("some readings of this store have no figures yet; run the daemon until it has caught up")
    if closed_to < figures_from:
        raise StoreError(f"figures are made only until {text(closed_to)}; nothing before may go yet")
    figures_from = max(figures_from, int(store.fact(FIGURES_FROM) or 0))
    state = engine.begin(site, zone, figures_from)
    channels = {
        channel: _cut_of_one(store, state, channel, before=before, figures_from=figures_from)
        for channel in store.channels()
    }
    return Cut(before, figures_from, channels, prunable(store, channels))


def _cut_of_one(store: StoredIntervals, state: State, channel: Channel, *, before: int, figures_from: int) -> int:
    """Of a register that counts, what its figures are made from must stay, however old; of the others nothing hangs on it."""
    if channel not in state.trackers:
        return before
    _, anchor = engine.plan_rerun(state, Request(channel, figures_from), partial(store.anchor, channel))
    return -(2**62) if anchor is None else min(before, anchor.at_ms)


def verify_figures(store: ReadStore, site: Site, cut: Cut) -> int:
    """Make the figures of what shall go again from the readings; returns how many intervals were compared.

    StoreError if any differs, or if a month is not the sum of its intervals.
    """
    zone = ZoneInfo(site.zone)
    compared, wrong = 0, []
    for channel in cut.readings:
        state = engine.begin(site, zone, cut.figures_from_ms, store.corrections.all())
        if channel not in state.trackers:
            continue
        grid, differing = differing_figures(store, state, channel)
        wrong += differing
        compared += len(grid)
        if len(grid):
            wrong += _wrong_months(store, site, channel, (int(grid[0]), cut.before_ms))
    if wrong:
        raise StoreError(
            f"{len(wrong)} figures differ from what their readings give, nothing was deleted: {'; '.join(wrong[:NAMED])};"
            " run the daemon with this plan and see whether it corrects them"
        )
    return compared


def differing_figures(store: ReadStore, state: State, channel: Channel) -> tuple[Ints, list[str]]:
    """Make the interval figures of a register again from its readings: their starts, and which are others, in words."""
    rows, wrong = _recomputed(store, state, channel), []
    grid = np.array([row.start_ms for row in rows], dtype=np.int64)
    columns = store.columns((channel,), Period.INTERVAL, grid)
    for i, row in enumerate(rows):
        known = int(columns.energy[i, 0]) if columns.present[i, 0] else None
        if known != row.energy or (known is not None and int(columns.flags[i, 0]) != row.flags):
            wrong.append(f"{channel[0]} {text(row.start_ms)}: {known} instead of {row.energy} mWh")
    return grid, wrong


def _recomputed(store: ReadStore, state: State, channel: Channel) -> Sequence[Any]:
    """Figures of a register from the first reading that is there and whose predecessors are not needed."""
    final = int(store.fact(FIGURES_FROM) or -(2**62))
    request = Request(channel, final)
    plan = engine.plan_rerun(state, request, partial(store.anchor, channel))
    since = -(2**62) if plan[1] is None else plan[1].at_ms
    rows, again = engine.rerun(state, channel, plan, store.history(channel, since))
    if again is not None:
        raise StoreError(f"{channel[0]}: its figures cannot be recalculated from {text(final)} on; nothing was deleted")
    return rows


def _wrong_months(store: StoredFigures, site: Site, channel: Channel, span: tuple[int, int]) -> Iterator[str]:
    """Months that are known and not the sum of their intervals."""
    zone, interval_ms = ZoneInfo(site.zone), site.interval_s * 1000
    for low in starts(Period.MONTH, *span, zone, interval_ms):
        high = bounds(Period.MONTH, low, zone, interval_ms)[1]
        parts = store.columns((channel,), Period.INTERVAL, np.arange(low, high, interval_ms, dtype=np.int64))
        whole = store.columns((channel,), Period.MONTH, np.array([low], dtype=np.int64))
        if whole.present[0, 0] and (not parts.present.all() or parts.energy.sum() != whole.energy[0, 0]):
            yield f"{channel[0]} month of {text(low)}: not the sum of its intervals"
