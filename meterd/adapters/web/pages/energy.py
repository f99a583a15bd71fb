"""Sheet "energy": any energies over any range together: pictures, ranking, comparison, base load and peak, flow."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated

import numpy as np
from fastapi import Depends, Query

from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.common import Basis, basis, snapshot_of
from meterd.adapters.web.pages.energy_cost import cost_view, too_much
from meterd.adapters.web.pages.energy_query import (
    GROUPS,
    Choosable,
    EnergyQuery,
    against_of,
    asked_range,
    choosable,
    chosen_items,
)
from meterd.adapters.web.pages.energy_ranking import EnergyLook, ranking_of, sum_of, why_of
from meterd.adapters.web.pages.energy_values import (
    CurveLine,
    EnergyView,
    FlowLine,
    Hours,
    Option,
    OptionGroup,
    SeriesLine,
)
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.energy.energy_flow import Flow, site_flows
from meterd.core.energy.energy_items import LEAST_POINTS, EnergyItem, ItemKind, counted_twice
from meterd.core.energy.load_profile import duration_curve, hours_by_days, mean_powers
from meterd.core.energy.range_sums import Calendar, StepFigures, cover, span_sum, step_figures
from meterd.core.energy.time_range import (
    MOST_STEPS,
    TimeRange,
    fitting_step,
    neighbours,
    possible_steps,
    shift_of,
    step_starts,
)
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds
from meterd.core.model.plan import Site
from meterd.core.model.results import Channel
from meterd.core.model.snapshot import Snapshot
from meterd.core.registers.register_line import Bools, Ints

MOST_DRAWN = 8  # lines that can be told apart; the others are one sum
MOST_FIGURES = 250_000  # read for one answer: a month of quarter hours of eighty registers takes half a second
CURVE_PLACES = 400  # of a duration curve
MOST_HOURS = 10_000  # of one range in pictures that do not draw them one beside the other
MOST_DAYS = 400  # of the map of hours by days: below that a day is too narrow to be seen


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    query: Annotated[EnergyQuery, Query()],
) -> EnergyView:
    """Energies of a range; today's feeders unless something else is asked for."""
    site, now_ms = context.backend.site, snapshot.now_ms
    known = choosable(site, viewer)
    items = chosen_items(query.of, known, site, viewer.language)
    with context.backend.reader() as reads:
        stored = reads.span(Period.INTERVAL)
        step_ms = site.interval_s * 1000
        nothing = (now_ms - now_ms % step_ms,) * 2
        history = nothing if stored is None else (stored[0], stored[1] + step_ms)
        calendar = Calendar(context.zone(), step_ms, history)
        shown = asked_range(query, calendar, now_ms, viewer.language)
        look = _look(reads, site, calendar, shown, query=query, items=items)
        return _answer(look, query, items, known, viewer=viewer, shared=basis(context.backend, snapshot))


def _look(
    reads: Reads, site: Site, calendar: Calendar, shown: TimeRange, *, query: EnergyQuery, items: Sequence[EnergyItem]
) -> EnergyLook:
    """The step that was asked for where it is possible, else the one that fits; coarser where too much would be read."""
    steps = steps_for(shown, calendar, items, query.picture)
    fitting = fitting_step(shown, coarse=query.picture == "bars")
    if query.picture == "heat" or (query.picture == "duration" and fitting is not Period.INTERVAL):
        fitting = Period.HOUR
    wanted = Period(query.step) if query.step else fitting
    step = next((s for s in (wanted, fitting) if s in steps), None)
    step = step or next((s for s in steps if list(Period).index(s) >= list(Period).index(wanted)), steps[-1])
    # what lies before the history is not missing: the steps begin with it
    low = max(shown.from_ms, min(calendar.history[0], shown.until_ms - 1))
    begins = step_starts(replace(shown, from_ms=low), step, calendar.zone, calendar.interval_ms)
    shift = shift_of(shown, against_of(query))
    return EnergyLook(reads, site, calendar, shown, step, begins=begins, shift=shift, items=items)


def steps_for(shown: TimeRange, calendar: Calendar, items: Sequence[EnergyItem], picture: str) -> list[Period]:
    """The steps that are offered; the coarsest at least."""
    width = sum(max(1, len(item.channels)) for item in items)
    most = MOST_HOURS if picture in ("heat", "duration") else MOST_STEPS
    possible = possible_steps(shown, calendar.interval_ms, most)
    length = shown.until_ms - shown.from_ms
    sizes = {Period.INTERVAL: calendar.interval_ms, Period.HOUR: HOUR_MS}
    fit = [s for s in possible if length / sizes.get(s, DAY_MS) * width <= MOST_FIGURES]
    return fit or possible[-1:] or [Period.INTERVAL]


def _answer(
    look: EnergyLook,
    query: EnergyQuery,
    items: Sequence[EnergyItem],
    known: Choosable,
    *,
    viewer: Viewer,
    shared: Basis,
) -> EnergyView:
    figures = [look.figures(item) for item in items] if look.due and query.picture not in ("flow", "cost") else []
    twice = counted_twice(look.site, items)
    ranking, total = ranking_of(look, items, figures, viewer, summed=not twice) if figures else ([], None)
    order = sorted(range(len(figures)), key=lambda i: (-ranking[i].known_mwh, i))
    series = [_series(look, items[i], figures[i], viewer) for i in order]
    earlier, later = neighbours(look.shown, look.calendar.zone)
    shape = sum_of(figures) if figures and not twice else None
    return EnergyView.model_construct(
        basis=shared,
        query=query,
        groups=_groups(known, items),
        restricted=bool(known.restricted),
        from_ms=look.shown.from_ms,
        until_ms=look.shown.until_ms,
        known_until_ms=look.known_until,
        period="" if look.shown.period is None else str(look.shown.period),
        earlier=_to(query, earlier) if look.shown.from_ms > look.calendar.history[0] and query.range != "all" else "",
        later=_to(query, later) if look.shown.until_ms < look.calendar.history[1] and query.range != "all" else "",
        begins=look.shown.from_ms < look.calendar.history[0] < look.known_until,
        so_far=bool(look.due) and look.shown.from_ms < look.known_until < look.shown.until_ms,
        step=str(look.step),
        steps=[str(step) for step in steps_for(look.shown, look.calendar, items, query.picture)],
        edges=look.edges,
        series=series,
        drawn=series[:MOST_DRAWN] if twice else _drawn(look, series, figures, order),
        before=_before_steps(look, items)
        if shape is not None and query.picture in ("stacked", "lines", "bars")
        else [],
        before_from_ms=None if look.before is None else look.before[0],
        before_until_ms=None if look.before is None else look.before[1],
        ranking=[ranking[i] for i in order],
        overlapping=twice,
        total=total,
        hours=_hours(look, shape) if shape is not None and query.picture == "heat" else None,
        curves=_curves(look, items, figures, order) if query.picture == "duration" else [],
        flows=_flows(look, viewer) if query.picture == "flow" and look.due else [],
        priced=bool(look.site.tariff),
        cost=cost_view(look, items, query) if query.picture == "cost" and look.due else None,
        too_much=query.picture == "cost" and too_much(look, items),
    )


def _groups(known: Choosable, items: Sequence[EnergyItem]) -> list[OptionGroup]:
    chosen = {item.key for item in items}
    return [
        OptionGroup(
            name=name, options=[Option(key=i.key, title=i.title, chosen=i.key in chosen) for i in known.groups[name]]
        )
        for name in GROUPS
        if name != "feeders" and known.groups[name]
    ]


def _to(query: EnergyQuery, to: TimeRange) -> str:
    """The address of another range of the same kind."""
    if to.period is not None:
        middle = (to.from_ms + to.until_ms) // 2
        return query.address(range=str(to.period), at=str(middle), **{"from": "", "until": ""})
    return query.address(range="span", at="", **{"from": str(to.from_ms), "until": str(to.until_ms)})


# -- figures -----------------------------------------------------------------------------------------------------------


def _series(look: EnergyLook, item: EnergyItem, figures: StepFigures, viewer: Viewer) -> SeriesLine:
    return _line_of(look, (item.key, item.title, str(item.kind)), figures, why_of(look.site, item, viewer))


def _line_of(look: EnergyLook, name: tuple[str, str, str], figures: StepFigures, why: str) -> SeriesLine:
    pairs = zip(figures.energy.tolist(), figures.present.tolist(), strict=True)
    values = [energy if present else None for energy, present in pairs]
    return SeriesLine.model_construct(
        key=name[0],
        title=name[1],
        kind=name[2],
        values=[*values, *([None] * (len(look.begins) - len(values)))],
        estimated=np.flatnonzero(figures.estimated & figures.present).tolist(),
        partial=np.flatnonzero(figures.partial).tolist(),
        why=why,
    )


def _drawn(
    look: EnergyLook, series: list[SeriesLine], figures: Sequence[StepFigures], order: Sequence[int]
) -> list[SeriesLine]:
    """The largest ones; the rest as one sum."""
    if len(series) <= MOST_DRAWN:
        return series
    rest = [figures[i] for i in order[MOST_DRAWN - 1 :]]
    return [*series[: MOST_DRAWN - 1], _line_of(look, ("others", str(len(rest)), "others"), sum_of(rest), "")]


def _before_steps(look: EnergyLook, items: Sequence[EnergyItem]) -> list[int | None]:
    """The sum of all items in the steps that are compared with, in the rows of the steps they stand beside."""
    span, zone = look.before, look.calendar.zone
    if span is None or look.shift is None or span[1] <= look.calendar.history[0]:
        return []
    there = [bounds(look.step, look.shift.of(at, zone), zone, look.calendar.interval_ms)[0] for at in look.begins]
    wanted = sorted(set(there))
    row_of = {at: i for i, at in enumerate(wanted)}
    figures = sum_of([step_figures(look.together, item, look.step, wanted, look.calendar) for item in items])
    return [None if figures.partial[row_of[at]] else figures.value(row_of[at]) for at in there]


# -- pictures of their own ---------------------------------------------------------------------------------------------


def _hours(look: EnergyLook, shape: StepFigures) -> Hours | None:
    """The sum hour by hour; None where hours would be too many."""
    if (
        look.step not in (Period.HOUR, Period.INTERVAL)
        or look.edges[-1] - look.edges[0] > MOST_DAYS * DAY_MS + 2 * HOUR_MS
    ):
        return None
    energy, present, begins = shape.energy, shape.present & ~shape.partial, look.due
    if look.step is Period.HOUR and look.edges[len(begins)] > look.known_until:  # an hour that is not over
        energy, present, begins = energy[:-1], present[:-1], begins[:-1]
    if look.step is Period.INTERVAL:
        energy, present, begins = _hourly(look, energy, present)
    table = hours_by_days(begins, energy, present, look.calendar.zone)
    pairs = zip(table.watt.tolist(), table.present.tolist(), strict=True)
    return Hours(
        days_ms=list(table.day_ms),
        watt=[[round(w) if there else None for w, there in zip(*row, strict=True)] for row in pairs],
        gone=table.missing.tolist(),
    )


def _hourly(look: EnergyLook, energy: Ints, present: Bools) -> tuple[Ints, Bools, list[int]]:
    """Whole hours from intervals."""
    per_hour = HOUR_MS // look.calendar.interval_ms
    whole = len(energy) // per_hour * per_hour
    begins = look.due[:whole:per_hour]
    return (
        energy[:whole].reshape(-1, per_hour).sum(axis=1),
        np.all(present[:whole].reshape(-1, per_hour), axis=1),
        begins,
    )


def _curves(
    look: EnergyLook, items: Sequence[EnergyItem], figures: Sequence[StepFigures], order: Sequence[int]
) -> list[CurveLine]:
    lines = []
    for i in order[:MOST_DRAWN]:
        own = figures[i]
        watt = mean_powers(own.energy, look.edges[: len(own.energy) + 1])
        places = duration_curve(watt, own.present & ~own.partial, CURVE_PLACES)
        lines.append(CurveLine(key=items[i].key, title=items[i].title, places=places))
    return lines


def _flows(look: EnergyLook, viewer: Viewer) -> list[FlowLine]:
    """The bands of all boards over the closed part of the range; nothing where no energy lies in the history."""
    covered = cover((look.shown.from_ms, look.known_until), look.calendar)
    if covered is None:
        return []

    def energy_of(channel: Channel) -> int | None:
        item = EnergyItem(ItemKind.POINT, channel[0], "", (channel[0],), (channel,), (1,))
        return span_sum(look.reads, item, covered).energy_mwh

    return _for(viewer, look.site, site_flows(look.site, energy_of))


def _for(viewer: Viewer, site: Site, flows: Sequence[Flow]) -> list[FlowLine]:
    """The bands for this viewer: restricted ones of a board as one sum, without a figure if they are too few."""
    shown = [flow for flow in flows if not flow.point or viewer.sees(flow.point, site)]
    lines = [_flow_line(flow, flow.energy_mwh) for flow in shown]
    for board in site.boards:
        hidden = [flow for flow in flows if flow.board == board.name and flow not in shown]
        values = [flow.energy_mwh for flow in hidden]
        whole = len(hidden) >= LEAST_POINTS and None not in values
        if hidden:
            lines.append(_flow_line(replace(hidden[0], point=""), sum(v or 0 for v in values) if whole else None))
    return lines


def _flow_line(flow: Flow, energy: int | None) -> FlowLine:
    return FlowLine(kind=str(flow.kind), board=flow.board, point=flow.point, into=flow.into, energy_mwh=energy)
