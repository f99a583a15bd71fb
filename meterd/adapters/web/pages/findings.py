"""Page "findings": what should somebody look at? All of them in a list, one in full with its history and the forms."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from pydantic import Field
from starlette.exceptions import HTTPException

from meterd.adapters.web.backend import Reads, UserRole, Viewer
from meterd.adapters.web.common import (
    FindingLine,
    PageValues,
    Values,
    basis,
    finding_line,
    former,
    hidden_count,
    snapshot_of,
    urgency,
    visible,
)
from meterd.adapters.web.corrections.fields import counted_at
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.checks.proposed_correction import ProposedCorrection, from_local, proposed
from meterd.core.checks.unusual_use import UNUSUAL
from meterd.core.drift.deviation_course import board_course
from meterd.core.model.drift_look import DriftLook
from meterd.core.model.finding import LONGEST_NOTE, Finding, FindingNote, FindingRow, FindingState, Suppression
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot
from meterd.core.unusual.use_course import use_course

MOST = 200  # in one list: below 100 kB; the newest are shown, a point narrows it
MOST_NOTES = 200
BALANCED = ("drift", "balance-shift")
ACCEPTABLE = (*BALANCED, UNUSUAL)
CORRECTED = ("drift", "ct-ratio", "register-scale")  # one point, whose energies a factor can correct


class Entry(FindingLine):
    """A finding in the list. `planned`: planned work covers it, so that it is not reported. `count` is how often it came."""

    planned: bool
    closed_ms: int | None
    closed_by: str
    part_of: str
    count: int
    number: int
    earlier_ms: int | None


class Note(Values):
    """One change: by whom (empty: by the program), to which state, and why. `number` counts the lives of the finding."""

    at_ms: int
    number: int
    state: str
    person: str
    note: str


class Window(Values):
    """Planned work: findings of `what` with `cause` are not reported meanwhile."""

    what: str
    cause: str
    from_ms: int
    until_ms: int
    person: str
    note: str


class CorrectionProposal(Values):
    """A correction that the finding proposes: the fields of the form of corrections; an empty factor is not known."""

    register_: str = Field(alias="register")  # every model has a `register` already
    factor: str
    fields: dict[str, str]


class DeviationCourse(Values):
    """Daily balances of a board around a change, mWh; `cumulated`: what the residuals added up to beyond the usual one."""

    board: str
    began_ms: int
    days_ms: list[int]
    residual: list[int | None]
    band: list[int | None]
    cumulated: list[int | None]
    usual: int


class Use(Values):
    """Energies of days, mWh, of a point whose use became unusual; `usual`: the median of the days alike in six weeks."""

    point: str
    began_ms: int
    days_ms: list[int]
    taken: list[int | None]
    usual: list[int | None]


class FindingsView(PageValues):
    """The list, or one finding with its notes, newest first. `may_order`: this viewer may mark findings.
    `hidden` open ones concern single rooms that this viewer may not see; None where one point is asked for.

    `may_accept`: it is a change that can be the new normal. `use_judged` of `use_loads` have history enough to say what is usual.
    """

    show: str
    point: str
    points: list[str]
    entries: list[Entry]
    hidden: int | None
    more: int
    chosen: Entry | None
    one = former("chosen", Entry | None)
    notes: list[Note]
    course: DeviationCourse | None
    use: Use | None
    corrections: list[CorrectionProposal]
    windows: list[Window]
    may_order: bool
    may_accept: bool
    longest_note: int
    drift_examined: bool
    drift_look: DriftLook
    use_judged: int
    use_loads: int


@dataclass(frozen=True, slots=True)
class FindingsQuery:
    """What is asked for: one finding by its id, or a list; all with the closed ones; only those of one point."""

    id: Annotated[str, Query(max_length=300)] = ""
    show: Literal["open", "all"] = "open"
    point: Annotated[str, Query(max_length=100)] = ""


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    query: Annotated[FindingsQuery, Depends()],
) -> FindingsView:
    """The findings that this viewer may see: open ones, or all with the closed ones; only of one point, if it is named."""
    site = context.backend.site
    with context.backend.reader() as reads:
        rows = _visible(reads.finding_tables.all(), viewer, site)
        notes = reads.finding_tables.notes(query.id) if query.id else []
        windows = reads.finding_tables.suppressions(snapshot.now_ms)
        chosen = next((row for row in rows if row.finding.id == query.id), None)
        course = None if chosen is None else course_of(reads, site, chosen.finding, snapshot.now_ms)
        use = None if chosen is None else use_of(reads, site, chosen.finding, snapshot.now_ms)
    if query.id and chosen is None:
        raise HTTPException(404, f"there is no finding {query.id}")
    findings = {finding.id: finding for finding in snapshot.findings}
    listed = [row for row in rows if _wanted(row, query)]
    return FindingsView(
        basis=basis(context.backend, snapshot),
        show=query.show,
        point=query.point,
        points=sorted({name for row in rows for name in row.finding.points}),
        entries=[entry(row, findings) for row in sorted(listed, key=_order)[:MOST]],
        hidden=None if query.point else hidden_count(snapshot.findings, viewer, site),
        more=max(0, len(listed) - MOST),
        chosen=None if chosen is None else entry(chosen, findings),
        notes=[_note(finding_note) for finding_note in reversed(notes[-MOST_NOTES:])],
        course=course,
        use=use,
        corrections=[] if chosen is None else corrections_of(chosen.finding, site),
        windows=[_window(suppression) for suppression in windows],
        may_accept=chosen is not None and chosen.finding.cause in ACCEPTABLE,
        may_order=viewer.role.covers(UserRole.ACKNOWLEDGE),
        longest_note=LONGEST_NOTE,
        drift_examined=snapshot.drift_look is DriftLook.DONE,
        drift_look=snapshot.drift_look,
        use_judged=context.backend.use_judged()[0],
        use_loads=context.backend.use_judged()[1],
    )


def corrections_of(finding: Finding, site: Site) -> list[CorrectionProposal]:
    """What the finding proposes to correct, as the fields of the form; without a factor where it knows none."""
    proposals = proposed(finding)
    if not proposals and finding.cause in CORRECTED and counted_at(finding.subject, site):
        begin = from_local(finding.at_ms, ZoneInfo(site.zone)) if finding.cause == ACCEPTABLE[0] else ""
        proposals = (ProposedCorrection(finding.subject, "import", begin, "", "", finding.id),)
    return [
        CorrectionProposal(
            register=proposal.register,
            factor=proposal.factor,
            fields={
                "point": proposal.point,
                "register": proposal.register,
                "from": proposal.begin,
                "until": proposal.end,
                "factor": proposal.factor,
                "reason": proposal.reason,
            },
        )
        for proposal in proposals
    ]


def course_of(reads: Reads, site: Site, finding: Finding, now_ms: int) -> DeviationCourse | None:
    """The balances around a change of a meter or of a board; None for any other finding, and before there are some days."""
    name = finding.subject.removeprefix("board-")
    on_board = {p.name: board.name for board in site.boards for p in site.on_board(board.name)}
    board = on_board.get(finding.subject) or next((b.name for b in site.boards if b.name == name), "")
    if finding.cause not in BALANCED or not board:
        return None
    course = board_course(reads, board, finding.at_ms, now_ms)
    return None if course is None else DeviationCourse.model_validate(asdict(course))


def use_of(reads: Reads, site: Site, finding: Finding, now_ms: int) -> Use | None:
    """The days around unusual use of a point; None for any other finding, and for that of the whole site."""
    if finding.cause != UNUSUAL or not finding.points:
        return None
    course = use_course(reads, site, finding.subject, finding.at_ms, now_ms)
    return None if course is None else Use.model_validate(asdict(course))


def _visible(rows: Iterable[FindingRow], viewer: Viewer, site: Site) -> list[FindingRow]:
    rows = list(rows)
    names = {finding.id for finding in visible(tuple(row.finding for row in rows), viewer, site)}
    return [row for row in rows if row.finding.id in names]


def _wanted(row: FindingRow, query: FindingsQuery) -> bool:
    if query.show == "open" and row.state == FindingState.CLOSED:
        return False
    return not query.point or about(row, query.point)


def about(row: FindingRow, point: str) -> bool:
    """Whether a finding is about a point."""
    return point in (row.finding.subject, *row.finding.points)


def _order(row: FindingRow) -> tuple[bool, tuple[int, int, int]]:
    """Open ones by urgency, then closed ones, newest first."""
    if row.state == FindingState.CLOSED:
        return True, (0, 0, -row.last_ms)
    return False, urgency(row.shown)


def entry(row: FindingRow, findings: Mapping[str, Finding]) -> Entry:
    """A stored finding as it is listed. Of an open one the snapshot has newer words; its state is that of the stored figures."""
    newest = findings.get(row.finding.id)
    if newest is not None and row.state != FindingState.CLOSED:
        last_ms = row.last_ms if newest.life is None else max(row.last_ms, newest.life.last_ms)
        row = replace(row, finding=newest, last_ms=last_ms)
    return Entry(
        **finding_line(row.shown).model_dump(),
        planned=row.suppressed and row.closed_ms is None,
        closed_ms=row.closed_ms,
        closed_by=row.by,
        part_of=row.part_of,
        count=row.count,
        number=row.number,
        earlier_ms=row.earlier_ms,
    )


def _note(finding_note: FindingNote) -> Note:
    return Note(
        at_ms=finding_note.at_ms,
        number=finding_note.number,
        state=finding_note.state,
        person=finding_note.person,
        note=finding_note.note,
    )


def _window(suppression: Suppression) -> Window:
    return Window(
        what=suppression.what,
        cause=suppression.cause,
        from_ms=suppression.from_ms,
        until_ms=suppression.until_ms,
        person=suppression.person,
        note=suppression.note,
    )
