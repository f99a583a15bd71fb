"""Page "balance": do my feeders add up; how large a gap is normal; which meter is suspect; what could I not see?"""

from collections.abc import Mapping
from functools import reduce
from operator import or_
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import numpy as np
from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.common import FindingLine, PageValues, Values, basis, snapshot_of
from meterd.adapters.web.pages.balance_advice import Gap, Place, checks, obstacles, places, suspected, suspects, verdict
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.adapters.web.time_input import moment
from meterd.core.energy.aggregation import board_aggregations
from meterd.core.energy.partial_period import balance_in, partial_period_of
from meterd.core.energy.rollup import Columns, roll_up
from meterd.core.model.periods import DAY_MS, Period, bounds, local
from meterd.core.model.plan import Board, Point, PointState, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, REGISTERS
from meterd.core.model.results import BalanceRow, Channel
from meterd.core.model.snapshot import Snapshot
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in
from meterd.core.registers.register_line import Flag
from meterd.core.reports.single_line_diagram import PER_ROW, PER_WALL_ROW, Drawing, Flow, draw

Length = Literal["interval", "hour", "day", "week", "month", "year"]
# what the chart is made of, and how far it reaches back from the end of the chosen period
SERIES = {
    Period.INTERVAL: (Period.INTERVAL, 2 * DAY_MS),
    Period.HOUR: (Period.INTERVAL, 2 * DAY_MS),
    Period.DAY: (Period.INTERVAL, 2 * DAY_MS),
    Period.WEEK: (Period.DAY, 62 * DAY_MS),
    Period.MONTH: (Period.DAY, 62 * DAY_MS),
    Period.YEAR: (Period.DAY, 366 * DAY_MS),
}
# where the newest closed one is looked for: so long a daemon may have been down
NEWEST = {
    Period.INTERVAL: DAY_MS, Period.HOUR: 2 * DAY_MS, Period.DAY: 31 * DAY_MS, Period.WEEK: 60 * DAY_MS,
    Period.MONTH: 400 * DAY_MS, Period.YEAR: 1000 * DAY_MS,
}  # fmt: skip


class BoardName(Values):
    """A board that can be chosen."""

    name: str
    title: str


class RegisterRow(Values):
    """One register of a point in the period: OBIS code, its name, and what it counted in mWh, None = missing."""

    code: str
    name: str
    energy_mwh: int | None


class Branch(Values):
    """One point of the board in the period: net energy along its arrow, its part of the feed side, and its quality.

    `quality` is "good", "estimated", "bound" (at least this much), "missing", "waiting" (not live yet) or "hidden" (a single
    room that this viewer may not see). `suspect` is "named", "possible" (one of several that would fit) or empty.
    """

    point: str
    title: str
    role: str
    state: str
    energy_mwh: int | None
    registers: list[RegisterRow]
    part: float | None
    quality: str
    suspect: str


class Visibility(Values):
    """The smallest error of one meter that could be seen after 7, 30 and 365 days, as a ratio; None = never.

    `rival` is what it is hardest to tell from, with the correlation of the two.
    """

    point: str
    title: str
    seen: list[float | None]
    named: list[float | None]
    rival: str
    correlation: float
    note: str


class BalanceView(PageValues):
    """The answer for one board and period. `asked` is the local moment that was asked for, empty for the newest.

    `before_ms` and `after_ms` are moments in the periods beside it that are closed too. `checks` are keys of the texts
    about what can be looked at on site, `places` where. `verdict` is the answer to the question of the page: "yes" only
    if nothing that stands below speaks against it, "but" if this gap is inside and something does, "no", "unknown".
    `outside` counts the gaps of `series` that are too large. `begins`: the history begins in this period, so the gap
    counts since then; `so_far`: the period is not over.
    """

    board: str
    title: str
    boards: list[BoardName]
    period: Length
    asked: str
    before_ms: int | None
    after_ms: int | None
    gap: Gap | None
    begins: bool
    so_far: bool
    verdict: str
    outside: int
    branches: list[Branch]
    suspects: list[FindingLine]
    obstacles: list[FindingLine]
    checks: list[str]
    places: list[Place]
    series_of: Length
    series: list[Gap]
    days: list[int]
    unseen: list[Visibility]
    unseen_from: str  # "history", "plan" or "" while it is not known yet


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    board: Annotated[str | None, Query(max_length=100, description="name of a board")] = None,
    period: Annotated[Length, Query(description="how long")] = "interval",
    at: Annotated[
        str | None,
        Query(max_length=30, description="2026, 2026-05, 2026-05-04, 2026-05-04T10:15 local, or ms since 1970 UTC"),
    ] = None,
) -> BalanceView:
    """One board over one period; the newest closed one unless a moment is given."""
    site, zone, kind = context.backend.site, context.zone(), Period(period)
    here = _board(site, board)
    asked = moment(at, zone, viewer.language) if at else None
    findings = suspects(snapshot, viewer, site, here)
    part, back = SERIES[kind]
    with context.backend.reader() as reads:
        row = _row(reads, site, here.name, wanted=(kind, asked), now_ms=snapshot.now_ms)
        branches = [] if row is None else _branches(reads, site, viewer, row=row, marks=suspected(findings))
        rows = [] if row is None else reads.balances(here.name, part, row.end_ms - back, row.end_ms)
        neighbours = (None, None) if row is None else _neighbours(reads, row, site)
    gap = None if row is None else gap_of(row)
    whole = (0, 0) if row is None else bounds(kind, row.start_ms, zone, site.interval_s * 1000)
    outside = sum(row.verdict == "outside" for row in rows)
    visibility, source = context.backend.visible_errors()
    on_board = {p.name: p.title for p in site.on_board(here.name) if viewer.sees(p.name, site)}
    return BalanceView(
        basis=basis(context.backend, snapshot),
        board=here.name,
        title=here.title,
        boards=[BoardName(name=board.name, title=board.title) for board in site.boards],
        period=period,
        asked="" if asked is None else local(asked, zone).strftime("%Y-%m-%dT%H:%M"),
        before_ms=neighbours[0],
        after_ms=neighbours[1],
        gap=gap,
        begins=gap is not None and gap.start_ms > whole[0],
        so_far=gap is not None and gap.end_ms < whole[1],
        verdict=verdict(gap, outside, findings),
        outside=outside,
        branches=branches,
        suspects=findings,
        obstacles=obstacles(snapshot, viewer, site, gap),
        checks=checks(gap, findings),
        places=places(site, gap, findings),
        series_of="day" if part is Period.DAY else "interval",
        series=[gap_of(row) for row in rows],
        days=[7, 30, 365],
        unseen=[
            Visibility(
                point=visible.point,
                title=on_board[visible.point],
                seen=list(visible.seen),
                named=list(visible.named),
                rival=visible.rival,
                correlation=visible.correlation,
                note=visible.note,
            )
            for visible in visibility
            if visible.point in on_board
        ],
        unseen_from=source,
    )


def _board(site: Site, name: str | None) -> Board:
    board = next((board for board in site.boards if name in (None, "", board.name)), None)
    if board is None:
        raise HTTPException(404, f"there is no board {name}; known: {', '.join(board.name for board in site.boards)}")
    return board


# -- when --------------------------------------------------------------------------------------------------------------


def _span(kind: Period, asked: int | None, now_ms: int, *, zone: ZoneInfo, interval_ms: int) -> tuple[int, int]:
    """Where the balance begins that is wanted: the one around the moment, or any of the newest."""
    if asked is None:
        return now_ms - NEWEST[kind], now_ms + 1
    low, _ = bounds(kind, asked, zone, interval_ms)
    return low, low + 1


def _row(reads: Reads, site: Site, board: str, *, wanted: tuple[Period, int | None], now_ms: int) -> BalanceRow | None:
    """The balance of that length and moment; of what is known of it where the history begins in it or it is not over."""
    (kind, asked), zone, step = wanted, ZoneInfo(site.zone), site.interval_s * 1000
    stored = reads.span(Period.INTERVAL)
    history = None if stored is None else (stored[0], stored[1] + step)
    rows = [
        row
        for row in reads.balances(board, kind, *_span(kind, asked, now_ms, zone=zone, interval_ms=step))
        if history is None or row.start_ms >= history[0]
    ]
    if rows or history is None or kind is Period.INTERVAL:
        return rows[-1] if rows else None
    low, high = bounds(kind, history[1] - step if asked is None else asked, zone, step)
    part = partial_period_of((low, high), history)
    if part is None:
        return None
    aggregation = board_aggregations(site, clocks_in(reads.fact(METER_CLOCKS)))[board]
    return balance_in(aggregation, kind, part, step, reads.columns)


def _neighbours(reads: Reads, row: BalanceRow, site: Site) -> tuple[int | None, int | None]:
    """A moment in the period before and in the one after, where these are closed."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    low, _ = bounds(row.period, row.start_ms - 1, zone, step)
    before = reads.balances(row.board, row.period, low, low + 1)
    after = reads.balances(row.board, row.period, row.end_ms, row.end_ms + 1)
    stored = reads.span(Period.INTERVAL)
    earlier = before and stored is not None and before[0].end_ms > stored[0]
    later = after or (stored is not None and row.period is not Period.INTERVAL and stored[1] >= row.end_ms)
    return (low if earlier else None), (row.end_ms if later else None)


def gap_of(row: BalanceRow) -> Gap:
    """A balance as it is shown."""
    return Gap(
        start_ms=row.start_ms,
        end_ms=row.end_ms,
        feed_mwh=row.feed,
        outgoing_mwh=row.outgoing,
        residual_mwh=row.residual,
        band_mwh=row.band,
        verdict=row.verdict,
        estimated=row.estimated,
        covered=row.covered,
        of=row.of,
        missing=list(row.missing),
        uncovered=list(row.uncovered),
    )


# -- what --------------------------------------------------------------------------------------------------------------


def _branches(reads: Reads, site: Site, viewer: Viewer, *, row: BalanceRow, marks: Mapping[str, str]) -> list[Branch]:
    """Every point of the board with its energy in the period, sources first."""
    points = [p for p in site.on_board(row.board) if p.state is not PointState.RETIRED]
    read = {(meter_input.point, meter_input.register) for meter_input in site.inputs}
    channels = [(p.name, r) for p in points for r in (IMPORT, EXPORT) if (p.name, r) in read]
    columns = _energies(reads, site, channels, row)
    table = {
        channel: (int(columns.energy[0, i]), int(columns.flags[0, i])) if columns.present[0, i] else None
        for i, channel in enumerate(channels)
    }
    lines = [
        _branch(p, table, feed=row.feed, seen=viewer.sees(p.name, site), mark=marks.get(p.name, "")) for p in points
    ]
    return [branch for feeders in (False, True) for branch in lines if (branch.role == Role.FEEDER) is feeders]


def _energies(reads: Reads, site: Site, channels: list[Channel], row: BalanceRow) -> Columns:
    """One row: the energies of the period, added up from intervals where only a part of it is known."""
    step = site.interval_s * 1000
    if bounds(row.period, row.start_ms, ZoneInfo(site.zone), step) == (row.start_ms, row.end_ms):
        return reads.columns(channels, row.period, np.array([row.start_ms], dtype=np.int64))
    grid = np.arange(row.start_ms, row.end_ms, step, dtype=np.int64)
    parts = reads.columns(channels, Period.INTERVAL, grid)
    return roll_up(parts, np.zeros(1, dtype=np.int64), np.array([len(grid)], dtype=np.int64))


_Table = Mapping[Channel, tuple[int, int] | None]


def _branch(point: Point, table: _Table, *, feed: int | None, seen: bool, mark: str) -> Branch:
    results = {r: table[point.name, r] for r in (IMPORT, EXPORT) if (point.name, r) in table}
    known = {r: item for r, item in results.items() if item is not None}
    whole = bool(results) and len(known) == len(results)
    energy = sum(item[0] if r == IMPORT else -item[0] for r, item in known.items()) if whole else None
    flags = reduce(or_, (item[1] for item in known.values()), 0)
    if not seen or not point.counts:
        energy, results = None, {}
    return Branch(
        point=point.name,
        title=point.title,
        role=str(point.role),
        state=str(point.state),
        energy_mwh=energy,
        registers=[
            RegisterRow(code=r, name=REGISTERS[r].name, energy_mwh=None if item is None else item[0])
            for r, item in results.items()
        ],
        part=None if energy is None or not feed else energy / feed,
        quality=_quality(point, energy, flags, seen=seen),
        suspect=mark,
    )


def _quality(point: Point, energy: int | None, flags: int, *, seen: bool) -> str:
    if not point.counts:
        return "waiting"
    if not seen:
        return "hidden"
    if energy is None:
        return "missing"
    return "bound" if flags & Flag.BOUND else "estimated" if flags else "good"


# -- the drawing -------------------------------------------------------------------------------------------------------


def diagrams(view: BalanceView, site: Site, language: str) -> Mapping[str, Drawing]:
    """The single-line diagram for a desk and for a wall."""
    drawn = {"diagram": PER_ROW, "wall_diagram": PER_WALL_ROW}
    return {name: diagram(view, site, language, per_row) for name, per_row in drawn.items()}


def diagram(view: BalanceView, site: Site, language: str, per_row: int = PER_ROW) -> Drawing:
    """The single-line diagram with the energies of the view in the reader's language."""
    board = next(board for board in site.boards if board.name == view.board)
    shown = [branch for branch in view.branches if branch.quality != "waiting"]
    energies = wording.energies(language, [abs(branch.energy_mwh or 0) for branch in shown])
    flows = {b.point: _flow(b, energy, language) for b, energy in zip(shown, energies, strict=True)}
    return draw(site, board, flows, per_row)


def _flow(branch: Branch, energy: str, language: str) -> Flow:
    text = "–" if branch.quality == "hidden" else energy
    if branch.quality == "missing":
        text = wording.say(language, "word.missing")
    sign = "▲" if branch.suspect == "named" else "◧"  # as in the table below
    mark = f"{sign} {wording.say(language, f'balance.suspect_{branch.suspect}')}" if branch.suspect else ""
    return Flow(text, against=(branch.energy_mwh or 0) < 0, mark=mark)
