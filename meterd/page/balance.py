"""Sheet "balance": do my feeders add up; how large a gap is normal; which meter is suspect; what could I not see?"""

import re
from datetime import UTC, date, datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import numpy as np
from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.figure import BalanceRow
from meterd.interval import DAY_MS, Period, bounds, to_ms
from meterd.knots import Flag
from meterd.page import Reads, Viewer, wording
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.view import FindingLine, SheetValues, Values, basis, finding_line, picture, visible
from meterd.reading import EXPORT, IMPORT
from meterd.single_line import Drawing, Flow, draw
from meterd.site import Board, Point, Site
from meterd.snapshot import Snapshot

SUSPECT = ("drift", "balance-shift", "outside-band", "gross")  # beginnings of causes that speak about meters of a board
BACK = {Period.INTERVAL: 2 * DAY_MS, Period.HOUR: 7 * DAY_MS, Period.DAY: 62 * DAY_MS, Period.MONTH: 800 * DAY_MS}
_DAY, _MONTH = re.compile(r"\d{4}-\d{2}-\d{2}"), re.compile(r"\d{4}-\d{2}")
Length = Literal["interval", "hour", "day", "month"]


class BoardName(Values):
    """A board that can be chosen."""

    name: str
    title: str


class Gap(Values):
    """One balance; energies in mWh, None = missing."""

    start_ms: int
    end_ms: int
    feed_mwh: int | None
    outgoing_mwh: int | None
    residual_mwh: int | None
    band_mwh: int | None
    verdict: str
    estimated: bool
    covered: int
    of: int
    missing: list[str]
    uncovered: list[str]


class Branch(Values):
    """One point of the board in the period: net energy along its arrow, its part of the feed side, and its quality."""

    point: str
    title: str
    role: str
    state: str
    energy_mwh: int | None
    part: float | None
    quality: str  # "good", "estimated" or "missing"
    suspect: bool


class Visibility(Values):
    """The smallest error of one meter that could be seen after 7, 30 and 365 days, as a ratio; None = never."""

    point: str
    seen: list[float | None]
    named: list[float | None]
    rival: str
    note: str


class BalanceView(SheetValues):
    """The answer for one board and period."""

    board: str
    title: str
    boards: list[BoardName]
    period: Length
    before_ms: int | None
    after_ms: int | None
    gap: Gap | None
    branches: list[Branch]
    suspects: list[FindingLine]
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
    at: Annotated[str | None, Query(max_length=30, description="2026-05-04, 2026-05, or ms since 1970 UTC")] = None,
) -> BalanceView:
    """One board over one period; the newest closed one unless a moment is given."""
    site, zone = office.desk.site, office.zone()
    here = _board(site, board)
    kind = Period(period)
    with office.desk.reader() as reads:
        rows = reads.balances(here.name, kind, *_around(at, kind, snapshot, zone, site))
        row = _chosen(rows, at, kind, zone, site)
        suspects = _suspects(snapshot, viewer, site, here)
        named = {point for line in suspects for point in (line.subject, *line.points)}
        branches = [] if row is None else _branches(reads, site, here, row, named)
    visibility, source = office.desk.visible_errors()
    on_board = {p.name for p in site.on_board(here.name)}
    return BalanceView(
        basis=basis(office.desk, snapshot),
        board=here.name,
        title=here.title,
        boards=[BoardName(name=one.name, title=one.title) for one in site.boards],
        period=period,
        before_ms=None if row is None else row.start_ms - 1,
        after_ms=None if row is None or row.end_ms >= rows[-1].end_ms else row.end_ms,
        gap=None if row is None else _gap(row),
        branches=branches,
        suspects=suspects,
        series=[_gap(one) for one in rows],
        days=[7, 30, 365],
        unseen=[
            Visibility(point=one.point, seen=list(one.seen), named=list(one.named), rival=one.rival, note=one.note)
            for one in visibility
            if one.point in on_board
        ],
        unseen_from=source,
    )


def _board(site: Site, name: str | None) -> Board:
    found = next((one for one in site.boards if name in (None, one.name)), None)
    if found is None:
        raise HTTPException(404, f"there is no board {name}; known: {', '.join(one.name for one in site.boards)}")
    return found


def _moment(at: str, zone: ZoneInfo) -> int:
    """A moment as it is asked for, in ms UTC; 422 for anything else."""
    try:
        if _DAY.fullmatch(at):
            day = date.fromisoformat(at)
            return to_ms(datetime(day.year, day.month, day.day, 12, tzinfo=zone).astimezone(UTC))
        if _MONTH.fullmatch(at):
            return to_ms(datetime(int(at[:4]), int(at[5:]), 15, tzinfo=UTC))
        if at.isascii() and at.isdigit() and len(at) < 15:
            return int(at)
    except (ValueError, OverflowError):
        pass
    raise HTTPException(422, f"{at} is no moment; write 2026-05-04, 2026-05 or milliseconds since 1970")


def _around(at: str | None, kind: Period, snapshot: Snapshot, zone: ZoneInfo, site: Site) -> tuple[int, int]:
    """The span that is shown with the chosen period: what led to it, and a little of what followed."""
    if at is None:
        return snapshot.now_ms - BACK[kind], snapshot.now_ms + 1
    moment = _moment(at, zone)
    if not 0 <= moment < 7_000_000_000_000:
        raise HTTPException(422, f"{at} lies outside the calendar of this page")
    low, high = bounds(kind, moment, zone, site.interval_s * 1000)
    return low - BACK[kind] // 2, high + BACK[kind] // 2


def _chosen(rows: list[BalanceRow], at: str | None, kind: Period, zone: ZoneInfo, site: Site) -> BalanceRow | None:
    if not rows:
        return None
    if at is None:
        return rows[-1]
    low, _ = bounds(kind, _moment(at, zone), zone, site.interval_s * 1000)
    return next((row for row in rows if row.start_ms == low), None)


def _gap(row: BalanceRow) -> Gap:
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


def _suspects(snapshot: Snapshot, viewer: Viewer, site: Site, board: Board) -> list[FindingLine]:
    """What is open about the meters of this board."""
    names = {board.name, *(p.name for p in site.on_board(board.name))}
    found = [
        one
        for one in visible(snapshot.findings, viewer, site)
        if one.cause.startswith(SUSPECT) and not names.isdisjoint({one.subject, *one.points})
    ]
    return [finding_line(one) for one in found]


def _branches(reads: Reads, site: Site, board: Board, row: BalanceRow, named: set[str]) -> list[Branch]:
    """Every point of the board with its energy in the period, sources first."""
    points = [p for p in site.on_board(board.name) if p.counts or p.state in ("planned", "fitted")]
    read = {(one.point, one.register) for one in site.inputs}
    channels = [(p.name, r) for p in points for r in (IMPORT, EXPORT) if (p.name, r) in read]
    columns = reads.columns(channels, row.period, np.array([row.start_ms], dtype=np.int64))
    table = {
        channel: (int(columns.energy[0, i]), int(columns.flags[0, i])) if columns.present[0, i] else None
        for i, channel in enumerate(channels)
    }
    lines = [_branch(point, table, read, row, named) for point in points]
    return sorted(lines, key=lambda one: (one.role == "feeder", points_order(points, one.point)))


def points_order(points: list[Point], name: str) -> int:
    """Place of a point in the plan."""
    return next(i for i, point in enumerate(points) if point.name == name)


def _branch(
    point: Point,
    table: dict[tuple[str, str], tuple[int, int] | None],
    read: set[tuple[str, str]],
    row: BalanceRow,
    named: set[str],
) -> Branch:
    wanted = [(point.name, r) for r in (IMPORT, EXPORT) if (point.name, r) in read]
    found = [table[channel] for channel in wanted]
    energy = None
    if found and None not in found:
        energy = sum(one[0] * (1 if r == IMPORT else -1) for one, (_, r) in zip(found, wanted, strict=True) if one)
    estimated = any(one is not None and one[1] & (Flag.START | Flag.END | Flag.BOUND) for one in found)
    return Branch(
        point=point.name,
        title=point.title,
        role=str(point.role),
        state=str(point.state),
        energy_mwh=energy,
        part=None if energy is None or not row.feed else energy / row.feed,
        quality="missing" if energy is None else "estimated" if estimated else "good",
        suspect=point.name in named,
    )


def diagram(view: BalanceView, site: Site, language: str) -> Drawing:
    """The single-line diagram with the energies of the view in the reader's language."""
    board = next(one for one in site.boards if one.name == view.board)
    flows = {
        one.point: Flow(
            wording.energy(language, one.energy_mwh if one.energy_mwh is None else abs(one.energy_mwh)),
            against=(one.energy_mwh or 0) < 0,
            mark="▲ " + wording.say(language, "balance.suspect") if one.suspect else "",
        )
        for one in view.branches
    }
    return draw(site, board, flows)
