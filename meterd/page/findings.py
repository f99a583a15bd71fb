"""Sheet "findings": what should somebody look at? All of them in a list, one in full with its history and the forms."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.finding import LONGEST_NOTE, Finding, FindingNote, FindingRow, FindingState, Suppression
from meterd.page import UserRole, Viewer
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.view import FindingLine, SheetValues, Values, basis, finding_line, picture, urgency, visible
from meterd.site import Site
from meterd.snapshot import Snapshot

MOST = 200  # in one list: below 100 kB; the newest are shown, a point narrows it
MOST_NOTES = 200


class Entry(FindingLine):
    """A finding in the list. `planned`: planned work covers it, so that it is not told. `count` is how often it came."""

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
    """Planned work: findings of `what` with `cause` are not told meanwhile."""

    what: str
    cause: str
    from_ms: int
    until_ms: int
    person: str
    note: str


class FindingsView(SheetValues):
    """The list, or one finding with its notes, newest first. `may_order`: this viewer may mark findings."""

    show: str
    point: str
    points: list[str]
    entries: list[Entry]
    more: int
    one: Entry | None
    notes: list[Note]
    windows: list[Window]
    may_order: bool
    longest_note: int


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for: one finding by its id, or a list; all with the closed ones; only those of one point."""

    id: Annotated[str, Query(max_length=300)] = ""
    show: Literal["open", "all"] = "open"
    point: Annotated[str, Query(max_length=100)] = ""


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    wish: Annotated[Wish, Depends()],
) -> FindingsView:
    """The findings that this viewer may see: open ones, or all with the closed ones; only of one point, if it is named."""
    site = office.desk.site
    with office.desk.reader() as reads:
        rows = _seen(reads.finding_tables.all(), viewer, site)
        notes = reads.finding_tables.notes(wish.id) if wish.id else []
        windows = reads.finding_tables.suppressions(snapshot.now_ms)
    chosen = next((row for row in rows if row.finding.id == wish.id), None)
    if wish.id and chosen is None:
        raise HTTPException(404, f"there is no finding {wish.id}")
    told = {finding.id: finding for finding in snapshot.findings}
    listed = [row for row in rows if _wanted(row, wish)]
    return FindingsView(
        basis=basis(office.desk, snapshot),
        show=wish.show,
        point=wish.point,
        points=sorted({name for row in rows for name in row.finding.points}),
        entries=[entry(row, told) for row in sorted(listed, key=_order)[:MOST]],
        more=max(0, len(listed) - MOST),
        one=None if chosen is None else entry(chosen, told),
        notes=[_note(one) for one in reversed(notes[-MOST_NOTES:])],
        windows=[_window(one) for one in windows],
        may_order=viewer.role.covers(UserRole.ACKNOWLEDGE),
        longest_note=LONGEST_NOTE,
    )


def _seen(rows: Iterable[FindingRow], viewer: Viewer, site: Site) -> list[FindingRow]:
    rows = list(rows)
    names = {one.id for one in visible(tuple(row.finding for row in rows), viewer, site)}
    return [row for row in rows if row.finding.id in names]


def _wanted(row: FindingRow, wish: Wish) -> bool:
    if wish.show == "open" and row.state == FindingState.CLOSED:
        return False
    return not wish.point or about(row, wish.point)


def about(row: FindingRow, point: str) -> bool:
    """Whether a finding is about a point."""
    return point in (row.finding.subject, *row.finding.points)


def _order(row: FindingRow) -> tuple[bool, tuple[int, int]]:
    """Open ones by urgency, then closed ones, newest first."""
    if row.state == FindingState.CLOSED:
        return True, (0, -row.last_ms)
    return False, urgency(row.shown)


def entry(row: FindingRow, told: Mapping[str, Finding]) -> Entry:
    """A kept finding as it is listed. Of an open one the live picture has newer words; its state is that of the books."""
    newest = told.get(row.finding.id)
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


def _note(one: FindingNote) -> Note:
    return Note(at_ms=one.at_ms, number=one.number, state=one.state, person=one.person, note=one.note)


def _window(one: Suppression) -> Window:
    return Window(
        what=one.what,
        cause=one.cause,
        from_ms=one.from_ms,
        until_ms=one.until_ms,
        person=one.person,
        note=one.note,
    )
