"""Energies of a range side by side: steps of each, sum, share, change against the span before, base load and peak."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.pages.energy_values import RankLine
from meterd.core.energy.energy_items import EnergyItem, ItemKind
from meterd.core.energy.load_profile import Profile, mean_powers, profile
from meterd.core.energy.range_sums import Calendar, SpanCover, StepFigures, cover, span_sum, step_figures
from meterd.core.energy.read_together import ReadTogether
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.energy.time_range import Shift, TimeRange, edges_of
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site


@dataclass(frozen=True)  # no slots: what follows from it is worked out once
class EnergyLook:
    """What is looked at: steps of a range up to what is closed, and what they are compared with."""

    reads: Reads
    site: Site
    calendar: Calendar
    shown: TimeRange
    step: Period
    begins: list[int]
    shift: Shift | None
    items: Sequence[EnergyItem] = ()  # all that is looked at: their figures are read together

    @cached_property
    def together(self) -> StoredFigures:
        """The figures, read once for all items."""
        return ReadTogether(self.reads, (channel for item in self.items for channel in item.channels))

    @cached_property
    def known_until(self) -> int:
        """Up to when figures are closed."""
        return max(self.shown.from_ms, min(self.shown.until_ms, self.calendar.history[1]))

    @cached_property
    def edges(self) -> list[int]:
        """The steps with the end of the last."""
        return edges_of(self.begins, self.step, self.calendar.zone, self.calendar.interval_ms)

    @cached_property
    def due(self) -> list[int]:
        """The steps that have begun to be closed; none where the range ends before the history begins."""
        begin, end = self.calendar.history
        if self.shown.until_ms <= begin or begin >= end:
            return []
        return [at for at in self.begins if at < self.known_until]

    @cached_property
    def before(self) -> tuple[int, int] | None:
        """The span that the closed part is compared with."""
        if self.shift is None:
            return None
        zone = self.calendar.zone
        return self.shift.of(self.shown.from_ms, zone), self.shift.of(self.known_until, zone)

    def figures(self, item: EnergyItem) -> StepFigures:
        """The energies of the steps that have begun to be closed."""
        return step_figures(self.together, item, self.step, self.due, self.calendar)


def sum_of(figures: Sequence[StepFigures]) -> StepFigures:
    """All of them together; missing where one is."""
    return StepFigures(
        np.sum([f.energy for f in figures], axis=0),
        np.all([f.present for f in figures], axis=0),
        np.any([f.estimated for f in figures], axis=0),
        np.any([f.partial for f in figures], axis=0),
    )


def why_of(site: Site, item: EnergyItem, viewer: Viewer) -> str:
    """Where a figure of an item leads: to "why this number", or to the parts of a sum in that step."""
    if item.kind is ItemKind.BOARD:
        return f"/why?board={item.name}&period={{step}}&start={{start}}"
    if item.kind is ItemKind.POINT:
        return f"/why?point={item.name}&register={item.channels[0][1]}&period={{step}}&start={{start}}"
    names = item.points or tuple(p.name for p in site.points if p.counts and p.below is None and p.role != "feeder")
    if not names or not all(viewer.sees(name, site) for name in names):
        return ""
    parts = "&".join(f"of=point:{name}" for name in names)
    return f"/energy?{parts}&range=span&from={{start}}&until={{end}}"


def ranking_of(
    look: EnergyLook, items: Sequence[EnergyItem], figures: Sequence[StepFigures], viewer: Viewer, *, summed: bool
) -> tuple[list[RankLine], RankLine | None]:
    """A line for each item in their order, and one for all together; without that, and without shares, if not `summed`."""
    shape = sum_of(figures)
    whole = _profile(look, shape)
    spans = _Spans(look)
    all_known = sum(_known(f) for f in figures) if summed else 0
    lines = []
    for item, own in zip(items, figures, strict=True):
        name = (item.key, item.title, str(item.kind))
        energies = spans.energies(item, own)
        lines.append(
            _rank_line(look, name, own, energies=energies, all_known=all_known, why=why_of(look.site, item, viewer))
        )
    if not summed:
        return lines, None
    if whole is not None:
        row = whole.peak_row
        pairs = zip(lines, figures, strict=True)
        lines = [line.model_copy(update={"at_peak_mwh": own.value(row)}) for line, own in pairs]
    now = [line.energy_mwh for line in lines]
    before = [line.before_mwh for line in lines]
    together = (
        None if None in now else sum(v or 0 for v in now),
        None if None in before else sum(v or 0 for v in before),
    )
    return lines, _rank_line(look, ("total", "", "total"), shape, energies=together, all_known=all_known, why="")


def _known(figures: StepFigures) -> int:
    return int(figures.energy[figures.present].sum())


class _Spans:
    """Sums of the range and of the span before it, exact where steps reach beyond their ends."""

    def __init__(self, look: EnergyLook) -> None:
        self._look = look
        span = (look.shown.from_ms, look.known_until)
        edges = look.edges
        tiled = look.begins[0] == span[0] and edges[-1] <= look.shown.until_ms
        self._tiled = tiled and look.calendar.history[0] <= span[0]
        self._now = cover(span, look.calendar)
        self._before = self._cover_before()

    def _cover_before(self) -> SpanCover | None:
        """Nothing is compared with a span in which the history begins: it would be another length."""
        before = self._look.before
        if before is None or before[0] < self._look.calendar.history[0]:
            return None
        return cover(before, self._look.calendar)

    def energies(self, item: EnergyItem, figures: StepFigures) -> tuple[int | None, int | None]:
        """The energy of the range and of the span before it, None where a part is missing."""
        reads = self._look.together
        if self._tiled:
            now = _known(figures) if bool(figures.present.all()) else None
        else:
            now = None if self._now is None else span_sum(reads, item, self._now).energy_mwh
        before = None if self._before is None else span_sum(reads, item, self._before).energy_mwh
        return now, before


def _rank_line(
    look: EnergyLook,
    name: tuple[str, str, str],
    figures: StepFigures,
    *,
    energies: tuple[int | None, int | None],
    all_known: int,
    why: str,
) -> RankLine:
    energy, before = energies
    shape = _profile(look, figures)
    small = look.step in (Period.INTERVAL, Period.HOUR)
    return RankLine.model_construct(
        key=name[0],
        title=name[1],
        kind=name[2],
        energy_mwh=energy,
        known_mwh=_known(figures),
        known=int(figures.present.sum()),
        of=len(figures.present),
        estimated=bool((figures.estimated & figures.present).any()),
        share=energy / all_known if energy is not None and all_known > 0 and energy >= 0 else None,
        before_mwh=before,
        change=energy / before - 1 if energy is not None and before is not None and before > 0 else None,
        base_w=None if shape is None or shape.base_w is None or not small else round(shape.base_w),
        peak_w=None if shape is None else round(shape.peak_w),
        peak_ms=None if shape is None else look.begins[shape.peak_row],
        at_peak_mwh=None,
        why=_why_range(look, why),
    )


def _why_range(look: EnergyLook, why: str) -> str:
    """Where the energy of the whole range leads: filled in if it is one stored period, or a sum of parts."""
    shown, period = look.shown, look.shown.period
    if not why or shown.until_ms > look.calendar.history[1] or shown.from_ms < look.calendar.history[0]:
        return ""
    if why.startswith("/energy"):
        return why.format(start=shown.from_ms, end=shown.until_ms)
    return "" if period is None else why.format(step=period, start=shown.from_ms)


def _profile(look: EnergyLook, figures: StepFigures) -> Profile | None:
    """Base load and peak of the whole steps."""
    watt = mean_powers(figures.energy, look.edges[: len(figures.energy) + 1])
    return profile(watt, figures.present & ~figures.partial)
