"""Page "demand": will this quarter hour exceed the contract; what caused the peak; loading of feeders; night-time base load."""

from collections.abc import Sequence
from typing import Annotated
from zoneinfo import ZoneInfo

import numpy as np
from fastapi import Depends, Query

from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.common import PageValues, Values, basis, month_name, month_start, months_between, snapshot_of
from meterd.adapters.web.pages.demand_ahead import MonthAhead, month_ahead
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.checks.loading import (
    Contribution,
    Night,
    apparent_w,
    base_changes,
    contributors,
    mean_w,
    nights,
    rated_va,
    use,
)
from meterd.core.energy.read_together import ReadTogether
from meterd.core.energy.rollup import Columns, maximum_demand
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.model.connection import connection_feeds
from meterd.core.model.demand import DemandWarning
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, bounds, from_ms
from meterd.core.model.plan import Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import Channel
from meterd.core.model.snapshot import PowerNow, Snapshot
from meterd.core.registers.register_line import Bools, Ints

PARTS = (0.8, 1.0)  # of the rating; hours above them are counted
USUAL_MS = 28 * DAY_MS  # before the month: on its first days it has no other days to compare with
MOST_CONTRIBUTORS = 8
NIGHTS_BACK = 400 * DAY_MS
VERDICTS = {
    None: "unknown",
    DemandWarning.NONE: "inside",
    DemandWarning.POSSIBLE: "partial",
    DemandWarning.LIKELY: "outside",
    DemandWarning.CERTAIN: "outside",
}


class Running(Values):
    """The running interval in W: mean so far, expected mean with its band, mean left for the rest, and the contract.

    `warning` says whether it will pass the contract: "none", "possible", "likely", "certain" or "unknown".
    """

    start_ms: int
    so_far_w: int | None
    projected_w: int | None
    low_w: int | None
    high_w: int | None
    forecast: bool
    allowed_w: int | None
    contracted_w: int | None
    verdict: str  # "inside", "partial" (it may pass the contract), "outside" or "unknown"
    warning: str


class ContributionLine(Values):
    """One feeder in the peak interval, mWh; `usual_mwh` is the median of the same local time on the days around it."""

    point: str
    title: str
    peak_mwh: int
    usual_mwh: int | None
    excess_mwh: int | None
    both_ways: bool  # import and export are read, so the figure is a net one


class Peak(Values):
    """The interval with the highest mean draw of the month."""

    start_ms: int
    end_ms: int
    watt: int
    known: int  # intervals of the month that are known, of those since the history begins
    of: int
    missing: list[str]
    contributors: list[ContributionLine]


class UseLine(Values):
    """A transformer or feeder against its rating: highest interval mean and hours above parts of it."""

    name: str
    title: str
    kind: str  # "transformer" or "feeder"
    rating: str
    now: float | None
    highest: float | None
    highest_ms: int | None
    hours: list[float]
    known: int
    of: int


class NightLine(Values):
    """The base of one night in W."""

    day_ms: int
    base_w: int | None


class ChangeLine(Values):
    """A lasting step of the night-time base load."""

    day_ms: int
    before_w: int
    after_w: int


class PhaseLine(Values):
    """Current of one phase of a transformer against its rated current, now."""

    board: str
    phase: str
    ampere: float
    part: float


class DemandView(PageValues):
    """The answer for one local month. `begins_ms`: where the history begins, if that is in this month."""

    month: str
    months: list[str]
    begins_ms: int | None
    running: Running
    peak: Peak | None
    ahead: MonthAhead | None
    uses: list[UseLine]
    phases: list[PhaseLine]
    parts: list[float]
    nights: list[NightLine]
    changes: list[ChangeLine]


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    month: Annotated[str | None, Query(pattern=r"^\d{4}-\d{2}$", description="local month, such as 2026-05")] = None,
) -> DemandView:
    """Demand and loading of a local month; the running one unless another is asked for."""
    site, zone = context.backend.site, context.zone()
    start = month_start(month, snapshot.now_ms, zone)
    with context.backend.reader() as reads:
        span = reads.span(Period.INTERVAL)
        # before the first interval is closed the present can be determined all the same
        grid = _grid(start, zone, site, span) if span is not None else np.zeros(0, dtype=np.int64)
        base = _nights(reads, site, zone, span) if span is not None else []
        return DemandView(
            basis=basis(context.backend, snapshot),
            month=month_name(start, zone),
            months=months_between(span, zone) if span is not None else [month_name(start, zone)],
            begins_ms=int(grid[0]) if len(grid) and grid[0] > start else None,
            running=running_interval(snapshot, site),
            ahead=month_ahead(reads, site, zone, start, snapshot.now_ms),
            peak=_for(viewer, site, _peak(reads, site, grid, zone, span[0]))
            if span is not None and len(grid)
            else None,
            uses=[
                use_line
                for use_line in (_uses(reads, site, grid, snapshot) if len(grid) else [])
                if use_line.kind == "transformer" or viewer.sees(use_line.name, site)
            ],
            phases=_phases(site, snapshot),
            parts=list(PARTS),
            nights=[
                NightLine(day_ms=night.day_ms, base_w=None if night.base_w is None else round(night.base_w))
                for night in base
            ],
            changes=[
                ChangeLine(day_ms=change.day_ms, before_w=round(change.before_w), after_w=round(change.after_w))
                for change in base_changes(base)
            ],
        )


def _grid(start: int, zone: ZoneInfo, site: Site, span: tuple[int, int]) -> Ints:
    """Starts of the closed intervals of the month, since the history begins."""
    step = site.interval_s * 1000
    end = min(bounds(Period.MONTH, start, zone, step)[1], span[1] + step)
    return np.arange(max(start, span[0]), end, step, dtype=np.int64)


def running_interval(snapshot: Snapshot, site: Site) -> Running:
    """What the running interval will come to, against the contract."""
    ahead, warning = snapshot.demand_outlook, snapshot.demand_warning
    low, middle, high = (None,) * 3 if ahead is None else (ahead.low_w, ahead.middle_w, ahead.high_w)
    return Running(
        start_ms=snapshot.now_ms - snapshot.now_ms % (site.interval_s * 1000),
        so_far_w=_whole(snapshot.demand),
        projected_w=None if middle is None else round(middle),
        low_w=None if low is None else round(low),
        high_w=None if high is None else round(high),
        forecast=ahead is not None and ahead.forecast,
        allowed_w=_whole(snapshot.demand_allowed),
        contracted_w=site.limits.contracted_w,
        verdict=VERDICTS[warning],
        warning="unknown" if warning is None else warning.value,
    )


def _whole(now: PowerNow | None) -> int | None:
    return None if now is None or now.power_w is None else round(now.power_w)


# -- the peak ----------------------------------------------------------------------------------------------------------


def _peak(reads: Reads, site: Site, grid: Ints, zone: ZoneInfo, since_ms: int) -> Peak | None:
    """The peak of the intervals of a month; usual is what the month's other days and four weeks before it had."""
    energy, present = _net(reads, site, connection_feeds(site), grid)
    step = site.interval_s * 1000
    results = maximum_demand(energy, present, step)
    if results is None:
        return None
    row, watt = results
    at = int(grid[row])
    around = np.append(np.arange(max(since_ms, int(grid[0]) - USUAL_MS), grid[0], step, dtype=np.int64), grid)
    others = _same_time(around, int(np.searchsorted(around, at)), zone)
    outgoing = [p for p in site.points if p.counts and p.role is Role.FEEDER and not _carries_a_board(p, site)]
    moments = np.sort(np.append(around[others], at))
    every = ReadTogether(reads, _registers(site, outgoing))
    table = {p.name: _net(every, site, [p], moments) for p in outgoing}
    here = int(np.searchsorted(moments, at))
    peak = {name: int(e[here]) if known[here] else None for name, (e, known) in table.items()}
    usual = {
        name: [int(e[i]) for i in range(len(moments)) if i != here and known[i]] for name, (e, known) in table.items()
    }
    titles = {p.name: p.title for p in outgoing}
    both = {row.point for row in site.inputs if row.register == EXPORT}
    return Peak(
        start_ms=at,
        end_ms=at + step,
        watt=round(watt),
        known=int(present.sum()),
        of=len(grid),
        missing=sorted(name for name, value in peak.items() if value is None),
        contributors=[
            _contribution(contribution, titles, both) for contribution in contributors(peak, usual)[:MOST_CONTRIBUTORS]
        ],
    )


def _for(viewer: Viewer, site: Site, peak: Peak | None) -> Peak | None:
    """The peak without the single rooms that this viewer may not see."""
    if peak is None:
        return None
    return peak.model_copy(
        update={
            "contributors": [
                contribution_line
                for contribution_line in peak.contributors
                if viewer.sees(contribution_line.point, site)
            ]
        }
    )


def _contribution(contribution: Contribution, titles: dict[str, str], both: set[str]) -> ContributionLine:
    return ContributionLine(
        point=contribution.point,
        title=titles[contribution.point],
        peak_mwh=contribution.peak_mwh,
        usual_mwh=contribution.usual_mwh,
        excess_mwh=contribution.excess_mwh,
        both_ways=contribution.point in both,
    )


def _carries_a_board(point: Point, site: Site) -> bool:
    """Whether a feeder supplies a board of its own: that board's feeders are the contributors then."""
    return any(board.fed_by == point.name for board in site.boards)


def _same_time(grid: Ints, row: int, zone: ZoneInfo) -> list[int]:
    """Rows of the other days with the same local time."""
    wanted, near = _clock(int(grid[row]), zone), 2 * HOUR_MS  # no clock change is larger
    apart = (grid - grid[row]) % DAY_MS
    rows = np.flatnonzero(np.minimum(apart, DAY_MS - apart) <= near).tolist()
    return [i for i in rows if i != row and _clock(int(grid[i]), zone) == wanted]


def _clock(at_ms: int, zone: ZoneInfo) -> str:
    return from_ms(at_ms).astimezone(zone).strftime("%H:%M")


def _registers(site: Site, points: Sequence[Point]) -> dict[Channel, int]:
    """Registers of energy that are read at some points, with their signs: imports, then exports."""
    read = {(p.name, row.register) for p in points for row in site.inputs_of(p.name)}
    signs = ((IMPORT, 1), (EXPORT, -1))
    return {(p.name, r): sign for r, sign in signs for p in points if (p.name, r) in read}


def _net(reads: StoredFigures, site: Site, points: Sequence[Point], grid: Ints) -> tuple[Ints, Bools]:
    """Import less export of some points together in mWh [T], and where all of it is known."""
    signed = _registers(site, points)
    if IMPORT not in {register for _, register in signed}:
        return np.zeros(len(grid), dtype=np.int64), np.zeros(len(grid), dtype=bool)
    columns: Columns = reads.columns(list(signed), Period.INTERVAL, grid)
    signs = np.array(list(signed.values()), dtype=np.int64)
    return (columns.energy * signs).sum(axis=1), np.asarray(columns.present.all(axis=1))


# -- loading -----------------------------------------------------------------------------------------------------------


def _uses(reads: Reads, site: Site, grid: Ints, snapshot: Snapshot) -> list[UseLine]:
    """Every transformer and feeder with a rating, the fullest first."""
    use_lines: list[UseLine] = []
    for board in site.boards:
        feeds = [p for p in site.on_board(board.name) if p.role is Role.FEED and p.counts]
        if board.rating_kva and feeds:
            use_lines.append(
                _use(
                    reads,
                    site,
                    grid,
                    points=feeds,
                    what=(board.name, board.title, "transformer", board.rating_kva * 1000),
                )
            )
    for point in site.points:
        board_of = next(b for b in site.boards if b.name == point.board)
        if point.role is Role.FEEDER and point.counts and point.rating_a:
            rating = rated_va(point.rating_a, board_of.nominal_v)
            use_lines.append(_use(reads, site, grid, points=[point], what=(point.name, point.title, "feeder", rating)))
    now = {name: _now(snapshot, site, name) for name in (use_line.name for use_line in use_lines)}
    lines = [use_line.model_copy(update={"now": now[use_line.name]}) for use_line in use_lines]
    return sorted(
        lines, key=lambda use_line: (use_line.kind != "transformer", -(use_line.highest or 0.0), use_line.name)
    )


def _use(
    reads: Reads, site: Site, grid: Ints, *, points: Sequence[Point], what: tuple[str, str, str, float]
) -> UseLine:
    name, title, kind, rating_va = what
    energy, present = _net(reads, site, points, grid)
    watt = mean_w(energy, site.interval_s)
    result = use(apparent_w(watt, None), present, grid, rating_va, PARTS)
    shown = f"{rating_va / 1000:.0f} kVA" if kind == "transformer" else f"{points[0].rating_a:g} A"
    return UseLine(
        name=name,
        title=title,
        kind=kind,
        rating=shown,
        now=None,
        highest=result.highest,
        highest_ms=result.highest_ms,
        hours=list(result.hours),
        known=result.known,
        of=result.of,
    )


def _now(snapshot: Snapshot, site: Site, name: str) -> float | None:
    """The present active power against the rating of a feeder or a board's transformer; None while a power is missing."""
    board = next((b for b in site.boards if b.name == name), None)
    if board is not None:
        points = [p for p in site.on_board(name) if p.role is Role.FEED and p.counts]
        rating = (board.rating_kva or 0.0) * 1000
    else:
        points = [site.point(name)]
        nominal = next(b.nominal_v for b in site.boards if b.name == points[0].board)
        rating = rated_va(points[0].rating_a or 0.0, nominal)
    limit = snapshot.now_ms - site.limits.power_max_age_s * 1000
    powers = [snapshot.instant.get((p.name, "16.7.0")) for p in points]
    fresh = [latest.value for latest in powers if latest is not None and not latest.old and latest.at_ms >= limit]
    return abs(sum(fresh)) / rating if rating and len(fresh) == len(points) else None


def _phases(site: Site, snapshot: Snapshot) -> list[PhaseLine]:
    """Currents of the transformers' phases now, where they are read."""
    phase_lines: list[PhaseLine] = []
    limit = snapshot.now_ms - site.limits.power_max_age_s * 1000
    for board in site.boards:
        feeds = [p for p in site.on_board(board.name) if p.role is Role.FEED and p.counts]
        if not board.rating_kva or not feeds:
            continue
        rated = board.rating_kva * 1000 / (3**0.5 * board.nominal_v)
        for phase, register in (("L1", "31.7.0"), ("L2", "51.7.0"), ("L3", "71.7.0")):
            values = [snapshot.instant.get((p.name, register)) for p in feeds]
            fresh = [v.value for v in values if v is not None and not v.old and v.at_ms >= limit]
            if len(fresh) == len(feeds):
                ampere = abs(sum(fresh))
                phase_lines.append(
                    PhaseLine(board=board.name, phase=phase, ampere=round(ampere, 1), part=ampere / rated)
                )
    return phase_lines


# -- the night ---------------------------------------------------------------------------------------------------------


def _nights(reads: Reads, site: Site, zone: ZoneInfo, span: tuple[int, int]) -> list[Night]:
    """Base of the site's nights: what the feeds and sources bring in, less what goes back; up to NIGHTS_BACK."""
    step = site.interval_s * 1000
    first = max(span[0], span[1] - NIGHTS_BACK)
    grid = np.arange(first, span[1] + step, step, dtype=np.int64)
    hours = _night_rows(grid, zone)
    grid = grid[hours]
    others = [p for p in site.points if p.counts and p.below is None and p.role in (Role.PV, Role.BACKUP, Role.STORAGE)]
    sources = [*connection_feeds(site), *others]
    energy, present = _net(reads, site, sources, grid)
    return nights(mean_w(energy, site.interval_s), present, grid, zone)


def _night_rows(grid: Ints, zone: ZoneInfo) -> Bools:
    """Which intervals may lie in the night: those whose offset from the local midnight of their day is below six hours."""
    result = np.zeros(len(grid), dtype=bool)
    at = 0
    while at < len(grid):
        low, high = bounds(Period.DAY, int(grid[at]), zone, HOUR_MS)
        after = int(np.searchsorted(grid, high))
        result[at:after] = grid[at:after] < low + 6 * HOUR_MS
        at = after
    return result
