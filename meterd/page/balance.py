"""Sheet "balance": do my feeders add up; how large a gap is normal; which meter is suspect; what could I not see?"""

from collections.abc import Mapping
from functools import reduce
from operator import or_
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import numpy as np
from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.figure import BalanceRow, Channel
from meterd.interval import DAY_MS, Period, bounds, local
from meterd.knots import Flag
from meterd.page import Reads, Viewer, wording
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.balance_case import Gap, Place, checks, obstacles, places, suspected, suspects
from meterd.page.moments import moment
from meterd.page.view import FindingLine, SheetValues, Values, basis, picture
from meterd.reading import EXPORT, IMPORT, REGISTERS
from meterd.single_line import Drawing, Flow, draw
from meterd.site import Board, Point, PointState, Role, Site
from meterd.snapshot import Snapshot

Length = Literal["interval", "hour", "day", "month"]
# what the chart is made of, and how far it reaches back from the end of the chosen period
SERIES = {
    Period.INTERVAL: (Period.INTERVAL, 2 * DAY_MS),
    Period.HOUR: (Period.INTERVAL, 2 * DAY_MS),
    Period.DAY: (Period.INTERVAL, 2 * DAY_MS),
    Period.MONTH: (Period.DAY, 62 * DAY_MS),
}
# where the newest closed one is looked for: so long a daemon may have been down
NEWEST = {Period.INTERVAL: DAY_MS, Period.HOUR: 2 * DAY_MS, Period.DAY: 31 * DAY_MS, Period.MONTH: 400 * DAY_MS}


class BoardName(Values):
    """A board that can be chosen."""

    name: str
    title: str


class RegisterLine(Values):
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
    registers: list[RegisterLine]
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


class BalanceView(SheetValues):
    """The answer for one board and period. `asked` is the local moment that was asked for, empty for the newest.

    `before_ms` and `after_ms` are moments in the periods beside it that are closed too. `checks` are keys of the texts about
    what can be looked at on site, `places` where.
    """

    board: str
    title: str
    boards: list[BoardName]
    period: Length
    asked: str
    before_ms: int | None
    after_ms: int | None
    gap: Gap | None
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


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    board: Annotated[str | None, Query(max_length=100, description="name of a board")] = None,
    period: Annotated[Length, Query(description="how long")] = "interval",
    at: Annotated[
        str | None,
        Query(max_length=30, description="2026, 2026-05, 2026-05-04, 2026-05-04T10:15 local, or ms since 1970 UTC"),
    ] = None,
) -> BalanceView:
    """One board over one period; the newest closed one unless a moment is given."""
    site, zone, kind = office.desk.site, office.zone(), Period(period)
    here = _board(site, board)
    asked = moment(at, zone, viewer.language) if at else None
    said = suspects(snapshot, viewer, site, here)
    part, back = SERIES[kind]
    with office.desk.reader() as reads:
        found = reads.balances(here.name, kind, *_span(kind, asked, snapshot.now_ms, zone, site.interval_s * 1000))
        row = found[-1] if found else None
        branches = [] if row is None else _branches(reads, site, viewer, row=row, marks=suspected(said))
        rows = [] if row is None else reads.balances(here.name, part, row.end_ms - back, row.end_ms)
        beside = (None, None) if row is None else _beside(reads, row, site)
    gap = None if row is None else gap_of(row)
    visibility, source = office.desk.visible_errors()
    on_board = {p.name: p.title for p in site.on_board(here.name) if viewer.sees(p.name, site)}
    return BalanceView(
        basis=basis(office.desk, snapshot),
        board=here.name,
        title=here.title,
        boards=[BoardName(name=one.name, title=one.title) for one in site.boards],
        period=period,
        asked="" if asked is None else local(asked, zone).strftime("%Y-%m-%dT%H:%M"),
        before_ms=beside[0],
        after_ms=beside[1],
        gap=gap,
        branches=branches,
        suspects=said,
        obstacles=obstacles(snapshot, viewer, site, gap),
        checks=checks(gap, said),
        places=places(site, gap, said),
        series_of="day" if part is Period.DAY else "interval",
        series=[gap_of(one) for one in rows],
        days=[7, 30, 365],
        unseen=[
            Visibility(
                point=one.point, title=on_board[one.point], seen=list(one.seen), named=list(one.named), rival=one.rival,
                correlation=one.correlation, note=one.note,
            )
            for one in visibility
            if one.point in on_board
        ],
        unseen_from=source,
    )  # fmt: skip


def _board(site: Site, name: str | None) -> Board:
    found = next((one for one in site.boards if name in (None, "", one.name)), None)
    if found is None:
        raise HTTPException(404, f"there is no board {name}; known: {', '.join(one.name for one in site.boards)}")
    return found


# -- when --------------------------------------------------------------------------------------------------------------


def _span(kind: Period, asked: int | None, now_ms: int, zone: ZoneInfo, interval_ms: int) -> tuple[int, int]:
    """Where the balance begins that is wanted: the one around the moment, or any of the newest."""
    if asked is None:
        return now_ms - NEWEST[kind], now_ms + 1
    low, _ = bounds(kind, asked, zone, interval_ms)
    return low, low + 1


def _beside(reads: Reads, row: BalanceRow, site: Site) -> tuple[int | None, int | None]:
    """A moment in the period before and in the one after, where these are closed."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    low, _ = bounds(row.period, row.start_ms - 1, zone, step)
    before = reads.balances(row.board, row.period, low, low + 1)
    after = reads.balances(row.board, row.period, row.end_ms, row.end_ms + 1)
    return (low if before else None), (row.end_ms if after else None)


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
    read = {(one.point, one.register) for one in site.inputs}
    channels = [(p.name, r) for p in points for r in (IMPORT, EXPORT) if (p.name, r) in read]
    columns = reads.columns(channels, row.period, np.array([row.start_ms], dtype=np.int64))
    table = {
        channel: (int(columns.energy[0, i]), int(columns.flags[0, i])) if columns.present[0, i] else None
        for i, channel in enumerate(channels)
    }
    lines = [
        _branch(p, table, feed=row.feed, seen=viewer.sees(p.name, site), mark=marks.get(p.name, "")) for p in points
    ]
    return [one for feeders in (False, True) for one in lines if (one.role == Role.FEEDER) is feeders]


_Table = Mapping[Channel, tuple[int, int] | None]


def _branch(point: Point, table: _Table, *, feed: int | None, seen: bool, mark: str) -> Branch:
    found = {r: table[point.name, r] for r in (IMPORT, EXPORT) if (point.name, r) in table}
    known = {r: one for r, one in found.items() if one is not None}
    whole = bool(found) and len(known) == len(found)
    energy = sum(one[0] if r == IMPORT else -one[0] for r, one in known.items()) if whole else None
    flags = reduce(or_, (one[1] for one in known.values()), 0)
    if not seen or not point.counts:
        energy, found = None, {}
    return Branch(
        point=point.name,
        title=point.title,
        role=str(point.role),
        state=str(point.state),
        energy_mwh=energy,
        registers=[
            RegisterLine(code=r, name=REGISTERS[r].name, energy_mwh=None if one is None else one[0])
            for r, one in found.items()
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


def diagram(view: BalanceView, site: Site, language: str) -> Drawing:
    """The single-line diagram with the energies of the view in the reader's language."""
    board = next(one for one in site.boards if one.name == view.board)
    flows = {one.point: _flow(one, language) for one in view.branches if one.quality != "waiting"}
    return draw(site, board, flows)


def _flow(one: Branch, language: str) -> Flow:
    words = "–" if one.quality == "hidden" else wording.energy(language, abs(one.energy_mwh or 0))
    if one.quality == "missing":
        words = wording.say(language, "word.missing")
    mark = f"▲ {wording.say(language, f'balance.suspect_{one.suspect}')}" if one.suspect else ""
    return Flow(words, against=(one.energy_mwh or 0) < 0, mark=mark)
