"""A suspicion with what the store shows beside the balances: at which power factors, since when, what would mend it.

The watch works on sums of days. Once it points at an instrument, its intervals are read again, sorted by the power factor that
the instrument shows, and each kind of load is given a factor of its own.
"""

import math
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.balance.topology import Network
from meterd.core.balance.uncertainty import Ints
from meterd.core.checks.proposed_correction import ProposedCorrection, plain_factor
from meterd.core.drift.baseline import Fit
from meterd.core.drift.identification import CAUSES, Candidate, Suspicion, with_begin, with_causes
from meterd.core.drift.load_dependent_error import Reactive, compared, observe, onset
from meterd.core.drift.wiring_faults import GROSS, Cause, Observed, changes, dependence, match, undoing
from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.periods import DAY_MS, Period, floor
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, REGISTERS

REACTIVE_IMPORT, REACTIVE_EXPORT = "3.8.0", "4.8.0"
MOST_DAYS = 60  # before the end: as long as the watch keeps days whole
BEFORE_DAYS = 3  # the chart dates a change to a day or two
BEFORE_GROSS_DAYS = (
    14  # without a baseline every day is judged alone, so the change may be older than the day it is seen on
)
MIN_STEP_DATED = 0.02  # a smaller step cannot be dated to a quarter hour
LEAST_FACTOR = 0.05  # less cannot be made right by multiplying: nothing was counted


def intervals_of(store: StoredFigures, site: Site, net: Network, span: tuple[int, int]) -> Intervals:
    """The points of a network between two moments, from the newest figures.

    An estimated shape counts as not present: it would put a residual where there is none.
    """
    step = site.interval_s * 1000
    grid = np.arange(floor(span[0], step), span[1], step, dtype=np.int64)
    plan = net_plan(site, net.points)
    imports = store.columns(plan.imports, Period.INTERVAL, grid)
    columns = plan.net(imports, store.columns(plan.exports, Period.INTERVAL, grid))
    return Intervals(grid, grid + step, columns.energy, columns.present & (columns.flags == 0))


def reactive_of(store: StoredFigures, site: Site, point: str, grid: Ints) -> Reactive | None:
    """Reactive energy of a point in the intervals that start at `grid`; None where the plan does not read it.

    Without the register that counts capacitive energy a standing inductive one may mean both, so it is not known there.
    """
    read = {row.register for row in site.inputs_of(point)}
    if REACTIVE_IMPORT not in read:
        return None
    columns = store.columns([(point, REACTIVE_IMPORT), (point, REACTIVE_EXPORT)], Period.INTERVAL, grid)
    good = columns.present & (columns.flags == 0)
    if REACTIVE_EXPORT in read:
        return Reactive(columns.energy[:, 0] - columns.energy[:, 1], good.all(axis=1))
    return Reactive(columns.energy[:, 0], good[:, 0] & (columns.energy[:, 0] > 0))


def diagnosed(
    store: StoredFigures,
    site: Site,
    net: Network,
    *,
    suspicion: Suspicion,
    fit: Fit,
    bounds: tuple[int, int],
    seen_to: int,
) -> Suspicion:
    """The suspicion with causes by power factor, and with a correction where one instrument is named for a gross change.

    `fit` is the baseline before the change (or the class limits), `bounds` the first and last moment of the closed days,
    `seen_to` the moment up to which the intervals speak of this change alone.
    """
    if not any(c.kind == "ratio" for c in suspicion.candidates):
        return suspicion
    best, until = suspicion.candidates[0], bounds[1]
    dated = suspicion.named is not None and best.kind == "ratio" and abs(best.step) >= MIN_STEP_DATED
    table, since = _table(store, site, net, what=(suspicion, (bounds[0], seen_to))), suspicion.change_ms
    result = None
    for back in (BEFORE_DAYS, BEFORE_GROSS_DAYS, MOST_DAYS) if dated else ():
        table = _table(store, site, net, what=(suspicion, (bounds[0], seen_to)), back=back)
        result = onset(net, table, best.points[0], fit, suspicion.change_ms)
        if result is None or result.from_ms > int(table.start_ms[0]):
            break  # else it is older than what was looked at
    if result is not None and abs(result.factor - 1) >= GROSS:
        since = result.from_ms
        # sums of all that passed tell a large factor better than a fit that is linear in small steps
        seen = Observed(result.factor, result.error, common=result.common)
        best = _by_sums(best, compared(net, table, best.points[0], fit=fit, seen=(seen,), from_ms=since))
    rows = [
        _with_correction(store, site, net, candidate=candidate, what=(table, since, fit))
        for candidate in (best, *suspicion.candidates[1:])
    ]
    best, seen_first, causes = rows[0]
    gross = suspicion.named is not None and abs(best.step) >= GROSS
    correction = _correction(site, net, best, span=(since, until), seen=seen_first, causes=causes) if gross else ""
    reported = with_causes(suspicion, tuple(candidate for candidate, _, _ in rows), correction)
    return with_begin(reported, since, site.zone) if since != suspicion.change_ms else reported


def _table(
    store: StoredFigures,
    site: Site,
    net: Network,
    *,
    what: tuple[Suspicion, tuple[int, int]],
    back: int = BEFORE_DAYS,
) -> Intervals:
    """The intervals from some days before a change on."""
    suspicion, bounds = what
    first = max(bounds[0], suspicion.change_ms - back * DAY_MS, bounds[1] - MOST_DAYS * DAY_MS)
    return intervals_of(store, site, net, (first, bounds[1]))


def _by_sums(candidate: Candidate, seen: tuple[Observed, ...]) -> Candidate:
    """The candidate with the factor that sums of all that was counted and passed tell."""
    if len(seen) != 1:
        return candidate
    return replace(candidate, step=seen[0].factor - 1, step_error=math.hypot(seen[0].error, seen[0].common or 0.0))


def _with_correction(
    store: StoredFigures, site: Site, net: Network, *, candidate: Candidate, what: tuple[Intervals, int, Fit]
) -> tuple[Candidate, tuple[Observed, ...], tuple[Cause, ...]]:
    if candidate.kind != "ratio" or len(candidate.points) != 1:
        return candidate, (), ()
    table, since, fit = what
    point = candidate.points[0]
    intervals = replace(table, present=table.present & (table.start_ms >= since)[:, None])
    if candidate.large and candidate.step != -1.0:
        candidate = _by_sums(
            candidate, compared(net, table, point, fit=fit, seen=observe(net, intervals, point, fit), from_ms=since)
        )
    seen = observe(net, intervals, point, fit, reactive=reactive_of(store, site, point, table.start_ms))
    if not seen:
        return candidate, (), ()
    seen = compared(net, table, point, fit=fit, seen=seen, from_ms=since)
    message = "; ".join(word for word in (candidate.measured, dependence(seen)) if word)
    i = net.points.index(point)
    causes = match(seen, ct_ratio=net.ct_ratio(i), direct=net.direct(i))
    return replace(candidate, causes=tuple(c.text for c in causes[:CAUSES]), measured=message), seen, causes


def _correction(
    site: Site,
    net: Network,
    best: Candidate,
    *,
    span: tuple[int, int],
    seen: tuple[Observed, ...],
    causes: tuple[Cause, ...],
) -> str:
    """A command line (two where it counts both ways) that corrects the stored figures once the cause is confirmed on site.

    Empty for a factor that changes with the load, or where nothing was counted: no single number undoes them. A meter without
    current transformers has no ratio that may be set wrong: there only an exact cause, such as a pulse weight, is undone.
    """
    factor, point = 1 + best.step, best.points[0] if best.points else ""
    if best.kind != "ratio" or factor < LEAST_FACTOR or not seen or changes(seen):
        return ""
    exact = undoing(causes)
    if not exact and net.direct(net.points.index(point)):
        return ""
    start, end = (_local(ms, site.zone) for ms in span)
    why = causes[0].name if exact else f"read {factor:.4g} of the true energy by the balance"
    read = {row.register for row in site.inputs_of(point)}
    undone = exact or plain_factor(1 / factor)
    return "; ".join(
        ProposedCorrection(point, REGISTERS[register].name, start, end, undone, why).command
        for register in (IMPORT, EXPORT)
        if register == IMPORT or register in read
    )


def _local(ms: int, zone: str) -> str:
    return datetime.fromtimestamp(ms / 1000, UTC).astimezone(ZoneInfo(zone)).isoformat(timespec="seconds")
