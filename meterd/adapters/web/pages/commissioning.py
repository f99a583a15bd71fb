"""Page "commissioning": how far each point has come, what it lacks, which room differs from its row, the switch test."""

import secrets
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated

import numpy as np
from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.adapters.web.backend import Reads, UserRole, Viewer
from meterd.adapters.web.common import FindingLine, PageValues, Values, basis, finding_line, snapshot_of, visible
from meterd.adapters.web.list_part import ListPart, NamePiece, PartNumber, part_of
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.checks.commissioning import (
    LEAST_ROOMS,
    OutlierRoom,
    SwitchTest,
    carried_by,
    missing_items,
    outlier_rooms,
    planned_otherwise,
    switch_test,
)
from meterd.core.model.finding_cause import NAMED
from meterd.core.model.periods import HOUR_MS, Period, bounds
from meterd.core.model.plan import Copied, PointState, Site
from meterd.core.model.reading import IMPORT, POWER
from meterd.core.model.snapshot import Snapshot

DAYS = 14  # over which rooms of a row are compared: two weeks of any tenant
LONGEST_MS = 1_800_000  # so long an open page looks again for what the breaker does: two people and a radio
TESTS = 20  # switch tests under way; the oldest give way
STATES = tuple(PointState)
WAITING = ("planned", "fitted")  # listed even when nothing is missing on paper


class PointLine(Values):
    """A point on its way into service."""

    point: str
    title: str
    board: str
    state: str
    lacks: list[str]
    last_ms: int | None


class StateCount(Values):
    """How many points have come so far."""

    state: str
    count: int


class OutlierLine(Values):
    """A room that differs from its row; `ratio` to the middle of the row."""

    pattern: str
    point: str
    ratio: float
    spreads: float | None  # None: it draws nothing at all
    exchanged_with: str


class RowLine(Values):
    """A row of rooms from its `first` to its `last`: how many could be compared, and those drawn otherwise in the plan."""

    pattern: str
    rooms: int
    compared: int
    drawn_otherwise: list[str]
    first: str
    last: str


class DropLine(Values):
    """One point before and after the breaker was opened, W."""

    point: str
    before_w: int
    after_w: int
    gone: bool


class TestLine(Values):
    """A switch test under way or done."""

    id: str
    point: str
    person: str
    begun_ms: int
    verdict: str
    drops: list[DropLine]
    others: list[str]
    waiting_for: list[str]
    goes_on: bool


class CommissioningView(PageValues):
    """The answer. `points` are those of one `list_part`, of `waiting` in all. `suspects` are open findings about meters of rooms;
    `all_alike`: all rows were compared, nothing is odd.
    """

    counts: list[StateCount]
    points: list[PointLine]
    list_part: ListPart
    waiting: int
    rows: list[RowLine]
    odd: list[OutlierLine]
    suspects: list[FindingLine]
    all_alike: bool
    rooms_hidden: bool
    test: TestLine | None
    testable: list[str]


@dataclass(frozen=True, slots=True)
class RunningTest:
    """A switch test: which breaker, since when, by whom, and the powers before."""

    point: str
    person: str
    begun_ms: int
    before: Mapping[str, float]


@dataclass(slots=True)
class SwitchTests:
    """Switch tests under way, by their number. They live as long as the daemon: a test takes minutes."""

    begun: dict[str, RunningTest] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def begin(self, snapshot: Snapshot, point: str, person: str) -> str:
        """Note the powers of now and begin; the number of the test. 404 for a point without power."""
        before = _powers(snapshot, snapshot.now_ms - snapshot.site.limits.power_max_age_s * 1000)
        known = {name: watt for name, watt in before.items() if watt is not None}
        if point not in known:
            raise HTTPException(404, f"{point[:60]} has no present power to test with")
        number = secrets.token_hex(6)
        with self.lock:
            self.begun[number] = RunningTest(point, person, snapshot.now_ms, known)
            while len(self.begun) > TESTS:
                self.begun.pop(next(iter(self.begun)))
        return number


TESTS_OF_THIS_PROCESS = SwitchTests()


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    test: Annotated[str | None, Query(max_length=20, description="number of a switch test")] = None,
    part: PartNumber = 1,
    named: NamePiece = "",
) -> CommissioningView:
    """How far the site has come."""
    site = context.backend.site
    heard = _arrivals(snapshot)
    lines = [
        PointLine(
            point=p.name,
            title=p.title,
            board=p.board,
            state=str(p.state),
            lacks=[
                str(missing_item) for missing_item in missing_items(site, p, snapshot.now_ms, heard=p.name in heard)
            ],
            last_ms=heard.get(p.name),
        )
        for p in site.points
        if p.state is not PointState.RETIRED
    ]
    waiting = [p for p in lines if (p.lacks or p.state in WAITING) and viewer.sees(p.point, site)]
    points, list_part = part_of(sorted(waiting, key=_order), part, named, lambda line: (line.point, line.title))
    shown = [row for row in site.copied if all(viewer.sees(point, site) for point in row.points)]
    with context.backend.reader() as reads:
        rows = [_compare(reads, site, row, now_ms=snapshot.now_ms, context=context) for row in shown]
    powers = _powers(snapshot, snapshot.now_ms - site.limits.power_max_age_s * 1000)
    odd = [
        _outlier(row.pattern, outlier_room) for row, (_, some) in zip(shown, rows, strict=True) for outlier_room in some
    ]
    rooms = {point for row in shown for point in row.points}
    suspects = [
        finding_line(finding)
        for finding in visible(snapshot.findings, viewer, site)
        if finding.cause in NAMED and finding.subject in rooms
    ]
    compared = bool(rows) and all(line.compared >= LEAST_ROOMS for line, _ in rows)
    return CommissioningView(
        basis=basis(context.backend, snapshot),
        counts=[StateCount(state=str(s), count=sum(p.state is s for p in site.points)) for s in STATES],
        points=points,
        list_part=list_part,
        waiting=len(waiting),
        rows=[line for line, _ in rows],
        odd=odd,
        suspects=suspects,
        all_alike=compared and not odd and not suspects,
        rooms_hidden=len(shown) < len(site.copied),
        test=_test(site, snapshot, viewer, test),
        testable=sorted(name for name, watt in powers.items() if watt is not None and viewer.sees(name, site)),
    )


def _order(line: PointLine) -> tuple[int, str]:
    return STATES.index(PointState(line.state)), line.point


def _arrivals(snapshot: Snapshot) -> dict[str, int]:
    """When each point sent its newest value."""
    results: dict[str, int] = {}
    for table in (snapshot.counters, snapshot.instant):
        for (point, _), now in table.items():
            results[point] = max(results.get(point, 0), now.at_ms)
    return results


# -- rows of rooms -----------------------------------------------------------------------------------------------------


def _compare(
    reads: Reads, site: Site, row: Copied, *, now_ms: int, context: RequestContext
) -> tuple[RowLine, list[OutlierRoom]]:
    """The rooms of a row over the last whole days."""
    zone = context.zone()
    end = bounds(Period.DAY, now_ms, zone, HOUR_MS)[0]
    days = []
    for _ in range(DAYS):
        start = bounds(Period.DAY, end - 1, zone, HOUR_MS)[0]
        days.append(start)
        end = start
    grid = np.array(days[::-1], dtype=np.int64)
    columns = reads.columns([(point, IMPORT) for point in row.points], Period.DAY, grid)
    whole = np.asarray(columns.present.all(axis=0))
    counting = {p.name for p in site.points if p.counts}
    energies = {
        name: int(columns.energy[:, i].sum()) if whole[i] and name in counting else None
        for i, name in enumerate(row.points)
    }
    different = planned_otherwise(site, row)
    compared = sum(value is not None for value in energies.values())
    line = RowLine(
        pattern=row.pattern, rooms=len(row.points), compared=compared, drawn_otherwise=different,
        first=row.points[0], last=row.points[-1],
    )  # fmt: skip
    return line, outlier_rooms(row, energies, different)


def _outlier(pattern: str, outlier_room: OutlierRoom) -> OutlierLine:
    spreads = None if outlier_room.spreads == float("-inf") else round(outlier_room.spreads, 1)
    return OutlierLine(
        pattern=pattern,
        point=outlier_room.point,
        ratio=outlier_room.ratio,
        spreads=spreads,
        exchanged_with=outlier_room.exchanged_with,
    )


# -- the switch test ---------------------------------------------------------------------------------------------------


def _powers(snapshot: Snapshot, since_ms: int) -> dict[str, float | None]:
    """Present power of every point that has one, None where its newest value is older than asked for."""
    return {
        point: now.value if now.at_ms >= since_ms and not now.old else None
        for (point, register), now in snapshot.instant.items()
        if register == POWER
    }


def _test(site: Site, snapshot: Snapshot, viewer: Viewer, number: str | None) -> TestLine | None:
    """The state of a test; 404 if it is none of ours, 403 for those who may not test."""
    if number is None:
        return None
    if not viewer.role.covers(UserRole.ACKNOWLEDGE):
        raise HTTPException(403, "a switch test needs the role acknowledge")
    begun = TESTS_OF_THIS_PROCESS.begun.get(number)
    if begun is None:
        raise HTTPException(404, "there is no such switch test; begin a new one")
    after = _powers(snapshot, begun.begun_ms + 1)
    result: SwitchTest = switch_test(site, begun.point, begun.before, after, carried_by(site, begun.point))
    return TestLine(
        id=number,
        point=begun.point,
        person=begun.person,
        begun_ms=begun.begun_ms,
        verdict=result.verdict,
        drops=[
            DropLine(
                point=power_drop.point,
                before_w=round(power_drop.before_w),
                after_w=round(power_drop.after_w),
                gone=power_drop.gone,
            )
            for power_drop in result.drops
            if viewer.sees(power_drop.point, site)
        ],
        others=list(result.others),
        waiting_for=list(result.waiting_for[:10]),
        goes_on=result.verdict in ("waiting", "nothing") and snapshot.now_ms - begun.begun_ms < LONGEST_MS,
    )
