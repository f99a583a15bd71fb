"""Page "change": corrections of the stored figures. What one would change is shown before it may be entered or withdrawn."""

import json
from dataclasses import dataclass
from typing import Annotated, Literal
from urllib.parse import urlencode

from fastapi import Depends, Query
from pydantic import Field
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import Reads, Viewer
from meterd.adapters.web.common import PageValues, Values, basis, snapshot_of
from meterd.adapters.web.corrections.fields import (
    MANY,
    CorrectionFields,
    Fault,
    Form,
    correction_of,
    counted_at,
    note_of,
)
from meterd.adapters.web.corrections.preview_job import PreviewStatus
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.finding import LONGEST_NOTE
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.model.snapshot import Snapshot
from meterd.core.registers.corrections import CORRECTING, FIGURES_FROM, ChangedFigure, Correction

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

    `making`: its closed figures are still being recalculated.
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


class ChangeView(PageValues):
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
class CorrectionQuery:
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
    def written(self) -> CorrectionFields:
        """The fields of a correction."""
        return CorrectionFields(self.point, self.register, self.begin, self.end, self.factor, self.reason)

    @property
    def fields(self) -> dict[str, str]:
        """The fields as they are sent."""
        results = {"point": self.point, "register": self.register, "from": self.begin, "until": self.end}
        return {**results, "factor": self.factor, "reason": self.reason}

    def why(self, form: Form) -> str | None:
        """The reason alone, as a withdrawal needs it."""
        return form.read("reason", lambda: note_of(self.reason))


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    query: Annotated[CorrectionQuery, Depends()],
) -> ChangeView:
    """All corrections; with a point, times and a factor also what such a correction would change (it takes some seconds)."""
    site = context.backend.site
    with context.backend.reader() as reads:
        corrections = reads.corrections.all()
        making = being_recomputed(reads)
        final_ms = final(reads)
    form = Form(viewer.language)
    wanted = _wanted(query, site, corrections, final_ms=final_ms, form=form)
    status = None if wanted is None else context.preview_job.ask(context.backend, wanted, WAIT_S)
    rows = [row_of(correction, making) for correction in reversed(corrections)]
    return ChangeView(
        basis=basis(context.backend, snapshot),
        points=choices(site),
        written=query.fields,
        faults=form.faults,
        wanted=None if wanted is None else row_of(wanted, making),
        overlaps=[] if wanted is None else overlapping(wanted, corrections),
        preview=None if status is None else _preview(status),
        corrections=rows[:MOST_CORRECTIONS],
        older=max(0, len(rows) - MOST_CORRECTIONS),
        done=query.done,
        longest_note=LONGEST_NOTE,
    )


def _wanted(
    query: CorrectionQuery, site: Site, corrections: list[Correction], *, final_ms: int | None, form: Form
) -> Correction | None:
    if query.withdraw is not None:
        if query.check:
            query.why(form)  # what it would change does not depend on the reason: both are reported
        return in_force(query.withdraw, corrections, form.language)
    if not query.check and not query.factor:
        return None  # a form that nobody has filled in yet; the point may have come from its page
    return correction_of(query.written, site, "", final_ms, form)


def in_force(number: int, corrections: list[Correction], language: str) -> Correction:
    """The correction that is to be withdrawn; 404 if there is none of that number in force."""
    correction = next(
        (correction for correction in corrections if correction.id == number and correction.withdrawn_ms is None), None
    )
    if correction is None:
        raise HTTPException(404, wording.say(language, "change.not_in_force", number=number))
    return correction


def overlapping(correction: Correction, corrections: list[Correction]) -> list[int]:
    """Numbers of the other corrections in force of the same register and time: where they overlap they multiply."""
    return [
        c.id
        for c in corrections
        if c.withdrawn_ms is None and c.id != correction.id and not c.reads and not correction.reads
        if (c.point, c.register) == (correction.point, correction.register)
        and c.from_ms < correction.end_ms
        and correction.from_ms < c.end_ms
    ]


def final(reads: Reads) -> int | None:
    """Figures before this moment cannot be recalculated; None if all can."""
    text = reads.fact(FIGURES_FROM)
    return int(text) if text else None


def being_recomputed(reads: Reads) -> set[int]:
    """Numbers of the corrections whose closed figures are still to be recalculated."""
    return {int(item[0]) for item in json.loads(reads.fact(CORRECTING) or "[]")}


def choices(site: Site) -> list[PointChoice]:
    """The points that have registers to correct, in the order of the plan."""
    point_choices = []
    for point in site.points:
        registers = [REGISTERS[code].name for code in counted_at(point.name, site)]
        if registers:
            point_choices.append(
                PointChoice(point=point.name, title=point.title, board=point.board, registers=registers)
            )
    return point_choices


def row_of(correction: Correction, making: set[int]) -> CorrectionRow:
    """A correction as it is listed."""
    return CorrectionRow(
        number=correction.id,
        point=correction.point,
        register=REGISTERS[correction.register].name,
        from_ms=correction.from_ms,
        until_ms=correction.until_ms,
        factor=correction.factor,
        reads=correction.reads,
        reason=correction.reason,
        person=correction.person,
        made_ms=correction.made_ms,
        withdrawn_ms=correction.withdrawn_ms,
        withdrawn_by=correction.withdrawn_by,
        withdrawn_reason=correction.withdrawn_reason,
        making=correction.id in making,
    )


def _preview(status: PreviewStatus) -> Preview:
    figures = () if status.preview is None else status.preview.figures
    return Preview(
        state=status.state,
        since_s=round(status.since_s),
        words=status.words,
        figures=[_figure(changed_figure) for changed_figure in figures[:MOST]],
        more=max(0, len(figures) - MOST),
        doubtful_ms=[] if status.preview is None else list(status.preview.doubtful_ms),
    )


def _figure(changed_figure: ChangedFigure) -> FigureChange:
    return FigureChange(
        what=changed_figure.what,
        period=changed_figure.period,
        subject=changed_figure.subject,
        before=changed_figure.before,
        after=changed_figure.after,
    )


def form_address(query: CorrectionQuery) -> str:
    """The way back to the page with everything that was written."""
    fields = query.fields if query.withdraw is None else {"withdraw": str(query.withdraw), "reason": query.reason}
    return f"/change?{urlencode({**fields, 'check': 'yes'})}"
