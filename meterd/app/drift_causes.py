"""A suspicion with what the books know beside the balances: at which power factors, since which interval, what would mend it.

The watch works on sums of days. Once it points at an instrument, its intervals are read again, sorted by the power factor that
the instrument shows, and each kind of load is given a factor of its own.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from meterd.books import net_plan
from meterd.causes import GROSS, Cause, Observed, changes, dependence, match, undoing
from meterd.drift_factor import Reactive, compared, observe, onset
from meterd.drift_fit import Fit
from meterd.drift_name import CAUSES, Candidate, Suspicion, informed
from meterd.interval import DAY_MS, Period, floor
from meterd.network import Network
from meterd.network_flows import Intervals
from meterd.reading import EXPORT, IMPORT, REGISTERS
from meterd.site import Site
from meterd.store.sqlite import SqliteStore
from meterd.uncertainty import Ints

REACTIVE_IMPORT, REACTIVE_EXPORT = "3.8.0", "4.8.0"
MOST_DAYS = 60  # before the end: as long as the watch keeps days whole
BEFORE_DAYS = 3  # the chart dates a change to a day or two
BEFORE_GROSS_DAYS = (
    14  # without a baseline every day is judged alone, so the change may be older than the day it is seen on
)
WORTH_DATING = 0.02  # a smaller step cannot be dated to a quarter hour
LEAST_FACTOR = 0.05  # less cannot be made right by multiplying: nothing was counted


def intervals_of(store: SqliteStore, site: Site, net: Network, span: tuple[int, int]) -> Intervals:
    """The points of a network between two moments, from the newest figures.

    An estimated shape counts as not present: it would put a residual where there is none.
    """
    step = site.interval_s * 1000
    grid = np.arange(floor(span[0], step), span[1], step, dtype=np.int64)
    plan = net_plan(site, net.points)
    imports = store.columns(plan.imports, Period.INTERVAL, grid)
    found = plan.net(imports, store.columns(plan.exports, Period.INTERVAL, grid))
    return Intervals(grid, grid + step, found.energy, found.present & (found.flags == 0))


def reactive_of(store: SqliteStore, site: Site, point: str, grid: Ints) -> Reactive | None:
    """Reactive energy of a point in the intervals that start at `grid`; None where the plan does not read it.

    Without the register that counts capacitive energy a standing inductive one may mean both, so it is not known there.
    """
    read = {row.register for row in site.inputs if row.point == point}
    if REACTIVE_IMPORT not in read:
        return None
    found = store.columns([(point, REACTIVE_IMPORT), (point, REACTIVE_EXPORT)], Period.INTERVAL, grid)
    good = found.present & (found.flags == 0)
    if REACTIVE_EXPORT in read:
        return Reactive(found.energy[:, 0] - found.energy[:, 1], good.all(axis=1))
    return Reactive(found.energy[:, 0], good[:, 0] & (found.energy[:, 0] > 0))


def looked_into(
    store: SqliteStore, site: Site, net: Network, said: Suspicion, fit: Fit, bounds: tuple[int, int]
) -> Suspicion:
    """The suspicion with causes by power factor, and with a correction where one instrument is named for a gross change.

    `fit` is the baseline before the change (or the class limits), `bounds` the first and last moment of the closed days.
    """
    if not any(c.kind == "ratio" for c in said.candidates):
        return said
    until = bounds[1]
    back = BEFORE_GROSS_DAYS if said.kind == "gross" else BEFORE_DAYS
    table = intervals_of(
        store, site, net, (max(bounds[0], said.change_ms - back * DAY_MS, until - MOST_DAYS * DAY_MS), until)
    )
    best, since = said.candidates[0], said.change_ms
    begun = None
    if said.named is not None and best.kind == "ratio" and abs(best.step) >= WORTH_DATING:
        begun = onset(net, table, best.points[0], fit, said.change_ms)
    if begun is not None and abs(begun.factor - 1) >= GROSS:
        since = begun.from_ms
        # sums of all that passed tell a large factor better than a fit that is linear in small steps
        seen = Observed(begun.factor, begun.error, common=begun.common)
        (whole,) = compared(net, table, best.points[0], fit, (seen,), since)
        best = replace(best, step=whole.factor - 1, step_error=math.hypot(whole.error, whole.common or 0.0))
    rows = [_with_books(store, site, net, one, (table, since, fit)) for one in (best, *said.candidates[1:])]
    gross = said.named is not None and abs(best.step) >= GROSS
    correction = _correction(site, best, (since, until), *rows[0][1:]) if gross else ""
    return informed(said, tuple(candidate for candidate, _, _ in rows), correction)


def _with_books(
    store: SqliteStore, site: Site, net: Network, candidate: Candidate, what: tuple[Intervals, int, Fit]
) -> tuple[Candidate, tuple[Observed, ...], tuple[Cause, ...]]:
    if candidate.kind != "ratio" or len(candidate.points) != 1:
        return candidate, (), ()
    table, since, fit = what
    point = candidate.points[0]
    kept = replace(table, present=table.present & (table.start_ms >= since)[:, None])
    seen = observe(net, kept, point, fit, reactive=reactive_of(store, site, point, table.start_ms))
    if not seen:
        return candidate, (), ()
    seen = compared(net, table, point, fit, seen, since)
    words = "; ".join(word for word in (candidate.measured, dependence(seen)) if word)
    causes = match(seen, ct_ratio=net.ct_ratio(net.points.index(point)))
    return replace(candidate, causes=tuple(c.text for c in causes[:CAUSES]), measured=words), seen, causes


def _correction(
    site: Site, best: Candidate, span: tuple[int, int], seen: tuple[Observed, ...], causes: tuple[Cause, ...]
) -> str:
    """A command line (two where it counts both ways) that puts the books right once the cause is confirmed on site.

    Empty for a factor that changes with the load, or where nothing was counted: no single number undoes them.
    """
    factor, point = 1 + best.step, best.points[0] if best.points else ""
    if best.kind != "ratio" or factor < LEAST_FACTOR or not seen or changes(seen):
        return ""
    exact = undoing(causes)
    start, end = (_local(ms, site.zone) for ms in span)
    why = causes[0].name if exact else f"read {factor:.4g} of the truth by the balance"
    read = {row.register for row in site.inputs if row.point == point}
    return "; ".join(
        f"meterd correct PLAN --point {point} --register {REGISTERS[register].name} --from {start} --to {end} "
        f'--factor {exact or _plain(1 / factor)} --reason "{why}" --person NAME'
        for register in (IMPORT, EXPORT)
        if register == IMPORT or register in read
    )


def _plain(number: float) -> str:
    """Four significant digits without an exponent: more than the balance knows."""
    digits = max(0, 3 - math.floor(math.log10(abs(number))))
    return f"{number:.{digits}f}"


def _local(ms: int, zone: str) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).astimezone(ZoneInfo(zone)).isoformat(timespec="seconds")
