"""Sheet "change": corrections of the books. What one would change is shown before it may be entered or withdrawn."""

import json
from dataclasses import dataclass
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import Depends, Query
from pydantic import Field
from starlette.exceptions import HTTPException

from meterd.correction import CORRECTING, FIGURES_FROM, ChangedFigure, Correction
from meterd.finding import LONGEST_NOTE
from meterd.page import Reads, Viewer, wording
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.change_fields import MANY, Fault, Form, Written, correction_of, counted_at, note_of
from meterd.page.change_work import Sight
from meterd.page.view import SheetValues, Values, basis, picture
from meterd.reading import REGISTERS
from meterd.site import Site
from meterd.snapshot import Snapshot

WAIT_S = 1.5  # a month of one point is mostly worked out by then, and nobody has to look twice
MOST = 400  # figures that are shown; a correction of ten years has some thousand, the command lists all
MOST_CORRECTIONS = 200  # in the list, the newest
MOMENT = "2026, 2026-03, 2026-03-29 or 2026-03-29 10:30 (local), or with an offset"


class PointChoice(Values):
    """A point with registers that count energy, by their names."""

    point: str
    title: str
    board: str
    registers: list[str]


class CorrectionRow(Values):
    """One correction, in force or withdrawn: times a factor, or one reading that `reads` something else (`strike`: left out).

    `making`: its closed figures are still being made again.
    """

    number: int
    point: str
    register_: str = Field(alias="register")  # every model has a `register` already
    from_ms: int
    until_ms: int | None
    factor: str
    reads: str
    reason: str
    person: str
    made_ms: int
    withdrawn_ms: int | None
    withdrawn_by: str
    withdrawn_reason: str
    making: bool


class FigureChange(Values):
    """Something that becomes different: before and after in mWh, or words; missing is null."""

    what: str
    period: str
    subject: str
    before: int | str | None
    after: int | str | None


class Preview(Values):
    """What it would change: `working`, `busy` with that of somebody else, `done`, or `failed` with words.

    `more` figures are not listed. `doubtful_ms` are ends between readings far apart, split by an estimate.
    """

    state: str
    since_s: int
    words: str
    figures: list[FigureChange]
    more: int
    doubtful_ms: list[int]


class ChangeView(SheetValues):
    """The form as it was written with what is wrong in it, what it would change, and all corrections, the newest first.

    `wanted` is the correction of the form, or the one that is to be withdrawn; `preview` is about it,
    `overlaps` are the numbers of others in force that multiply with it.
    """

    points: list[PointChoice]
    written: dict[str, str]
    faults: list[Fault]
    wanted: CorrectionRow | None
    overlaps: list[int]
    preview: Preview | None
    corrections: list[CorrectionRow]
    older: int
    done: str
    longest_note: int


@dataclass(frozen=True, slots=True)
class Asked:
    """The form of a correction, or the number of the one to withdraw; `check` looks at empty fields too."""

    point: Annotated[str, Query(max_length=MANY)] = ""
    register: Annotated[str, Query(max_length=MANY)] = "import"
    begin: Annotated[str, Query(alias="from", max_length=MANY, description=MOMENT)] = ""
    end: Annotated[str, Query(alias="until", max_length=MANY, description=f"exclusive, empty: for good; {MOMENT}")] = ""
    factor: Annotated[str, Query(max_length=MANY, description="true energy over energy as read: 1.0204 or 250/200")] = (
        ""
    )
    reason: Annotated[str, Query(max_length=2 * MANY)] = ""
    withdraw: Annotated[int | None, Query(ge=1, le=10**9, description="number of a correction in force")] = None
    check: Literal["", "yes"] = ""
    done: Literal["", "entered", "withdrawn"] = ""

    @property
    def written(self) -> Written:
        """The fields of a correction."""
        return Written(self.point, self.register, self.begin, self.end, self.factor, self.reason)

    @property
    def fields(self) -> dict[str, str]:
        """The fields as they are sent."""
        found = {"point": self.point, "register": self.register, "from": self.begin, "until": self.end}
        return {**found, "factor": self.factor, "reason": self.reason}

    def why(self, form: Form) -> str | None:
        """The reason alone, as a withdrawal needs it."""
        return form.read("reason", lambda: note_of(self.reason))


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    asked: Annotated[Asked, Depends()],
) -> ChangeView:
    """All corrections; with a point, times and a factor also what such a correction would change (it takes some seconds)."""
    site = office.desk.site
    with office.desk.reader() as reads:
        kept = reads.corrections.all()
        making = making_again(reads)
        final_ms = final(reads)
    form = Form(viewer.language)
    wanted = _wanted(asked, site, kept, final_ms, form)
    sight = None if wanted is None else office.foresight.ask(office.desk, wanted, WAIT_S)
    rows = [row_of(one, making) for one in reversed(kept)]
    return ChangeView(
        basis=basis(office.desk, snapshot),
        points=choices(site),
        written=asked.fields,
        faults=form.faults,
        wanted=None if wanted is None else row_of(wanted, making),
        overlaps=[] if wanted is None else overlapping(wanted, kept),
        preview=None if sight is None else _preview(sight),
        corrections=rows[:MOST_CORRECTIONS],
        older=max(0, len(rows) - MOST_CORRECTIONS),
        done=asked.done,
        longest_note=LONGEST_NOTE,
    )


def _wanted(asked: Asked, site: Site, kept: list[Correction], final_ms: int | None, form: Form) -> Correction | None:
    if asked.withdraw is not None:
        if asked.check:
            asked.why(form)  # what it would change does not depend on the reason: both are told
        return in_force(asked.withdraw, kept, form.language)
    if not asked.check and not asked.factor:
        return None  # a form that nobody has filled in yet; the point may have come from its sheet
    return correction_of(asked.written, site, "", final_ms, form)


def in_force(number: int, kept: list[Correction], language: str) -> Correction:
    """The correction that is to be withdrawn; 404 if there is none of that number in force."""
    found = next((one for one in kept if one.id == number and one.withdrawn_ms is None), None)
    if found is None:
        raise HTTPException(404, wording.say(language, "change.not_in_force", number=number))
    return found


def overlapping(one: Correction, kept: list[Correction]) -> list[int]:
    """Numbers of the other corrections in force of the same register and time: where they overlap they multiply."""
    return [
        c.id
        for c in kept
        if c.withdrawn_ms is None and c.id != one.id and not c.reads and not one.reads
        if (c.point, c.register) == (one.point, one.register) and c.from_ms < one.end_ms and one.from_ms < c.end_ms
    ]


def final(reads: Reads) -> int | None:
    """Figures before this moment cannot be made again; None if all can."""
    said = reads.fact(FIGURES_FROM)
    return int(said) if said else None


def making_again(reads: Reads) -> set[int]:
    """Numbers of the corrections whose closed figures are still to be made again."""
    return {int(one[0]) for one in json.loads(reads.fact(CORRECTING) or "[]")}


def choices(site: Site) -> list[PointChoice]:
    """The points that have registers to correct, in the order of the plan."""
    found = []
    for one in site.points:
        registers = [REGISTERS[code].name for code in counted_at(one.name, site)]
        if registers:
            found.append(PointChoice(point=one.name, title=one.title, board=one.board, registers=registers))
    return found


def row_of(one: Correction, making: set[int]) -> CorrectionRow:
    """A correction as it is listed."""
    return CorrectionRow(
        number=one.id,
        point=one.point,
        register=REGISTERS[one.register].name,
        from_ms=one.from_ms,
        until_ms=one.until_ms,
        factor=one.factor,
        reads=one.reads,
        reason=one.reason,
        person=one.person,
        made_ms=one.made_ms,
        withdrawn_ms=one.withdrawn_ms,
        withdrawn_by=one.withdrawn_by,
        withdrawn_reason=one.withdrawn_reason,
        making=one.id in making,
    )


def _preview(sight: Sight) -> Preview:
    figures = () if sight.foreseen is None else sight.foreseen.figures
    return Preview(
        state=sight.state,
        since_s=round(sight.since_s),
        words=sight.words,
        figures=[_figure(one) for one in figures[:MOST]],
        more=max(0, len(figures) - MOST),
        doubtful_ms=[] if sight.foreseen is None else list(sight.foreseen.doubtful_ms),
    )


def _figure(one: ChangedFigure) -> FigureChange:
    return FigureChange(what=one.what, period=one.period, subject=one.subject, before=one.before, after=one.after)


def again(asked: Asked) -> str:
    """The way back to the sheet with everything that was written."""
    fields = asked.fields if asked.withdraw is None else {"withdraw": str(asked.withdraw), "reason": asked.reason}
    return f"/change?{urlencode({**fields, 'check': 'yes'})}"
