"""Page "documents": which documents does this site have? They are made when somebody asks for one (`document_download`)."""

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.adapters.texts import wording
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.common import PageValues, Values, basis, former, months_between, snapshot_of
from meterd.adapters.web.request_context import RequestContext, context_of, viewer_of
from meterd.core.model.periods import Period, label
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot

PERIOD, LANGUAGE = r"^([0-9]{4}(-(0[1-9]|1[0-2]))?)?$", r"^(en|de)?$"
OF_A_PERIOD, OF_THE_PLAN = ("report", "cost-allocation"), ("documents", "labels")
FORMS = {kind: ("pdf",) if kind == "labels" else ("pdf", "xlsx") for kind in (*OF_A_PERIOD, *OF_THE_PLAN)}


class FileLine(Values):
    """A file that can be had: its form, pdf or xlsx, and where."""

    form: str
    link: str


class DocumentLine(Values):
    """One document. `why_not` is a word that says why it cannot be had, empty if it can; `allocations` divided in it."""

    kind: str
    files: list[FileLine]
    why_not: str
    allocations: list[str]


class Subject(Values):
    """A board or point that has an acceptance form."""

    name: str
    title: str
    state: str


class DocumentsView(PageValues):
    """The documents of one local month or year, `over` once all of it is closed, and those of the plan.

    `figures_role` is the role that documents with figures need here; without it they are listed with `why_not`.
    """

    period: str
    periods: list[str]
    over: bool
    language: str
    languages: list[str]
    figures_role: str
    may_figures: bool
    documents: list[DocumentLine]
    papers = former("documents", list[DocumentLine])
    tenants: list[str]
    boards: list[Subject]
    points: list[Subject]


def view(
    context: Annotated[RequestContext, Depends(context_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(snapshot_of)],
    period: Annotated[str, Query(pattern=PERIOD)] = "",
    language: Annotated[str, Query(pattern=LANGUAGE)] = "",
) -> DocumentsView:
    """The documents of a period, those of the last whole month if none is named."""
    site, zone = context.backend.site, context.zone()
    stored = _months_with_figures(context)
    months = [] if stored is None else months_between(stored, zone)
    first, last = _ends(stored, site)
    if period:
        check_period(context, period, viewer.language)
    open_ = "" if stored is None else label(Period.MONTH, stored[1] + site.interval_s * 1000, zone)
    chosen = period or next((month for month in months if month != open_), months[0] if months else "")
    asked = _PeriodQuery(chosen, language or viewer.language, may=viewer.role.covers(figures_role(site)))
    return DocumentsView(
        basis=basis(context.backend, snapshot),
        period=chosen,
        periods=_periods(months, first, last, chosen=chosen),
        over=bool(chosen) and chosen not in (open_, open_[:4]),
        language=asked.language,
        languages=list(wording.LANGUAGES),
        figures_role=str(figures_role(site)),
        may_figures=asked.may,
        documents=[_line(kind, site, asked) for kind in FORMS],
        tenants=sorted({point.tenant for point in site.points if point.tenant and point.counts}),
        boards=[Subject(name=board.name, title=board.title, state="") for board in site.boards],
        points=[Subject(name=point.name, title=point.title, state=point.state) for point in site.points],
    )


def check_period(context: RequestContext, period: str, language: str) -> None:
    """404 for a month or year without any figures."""
    first, last = _ends(_months_with_figures(context), context.backend.site)
    if not (first and period and first[: len(period)] <= period <= last[: len(period)]):
        raise HTTPException(404, wording.say(language, "documents.no_figures", period=period or "-"))


def _months_with_figures(context: RequestContext) -> tuple[int, int] | None:
    with context.backend.reader() as reads:
        return reads.span(Period.INTERVAL)


def _ends(stored: tuple[int, int] | None, site: Site) -> tuple[str, str]:
    """The first and the last local month with figures; empty words without any."""
    if stored is None:
        return "", ""
    zone = ZoneInfo(site.zone)
    return label(Period.MONTH, stored[0], zone), label(Period.MONTH, stored[1], zone)


def _periods(months: list[str], first: str, last: str, *, chosen: str) -> list[str]:
    """The newest months and every year, the newest first; an older month is listed when it is chosen."""
    years = [str(year) for year in range(int(last[:4]), int(first[:4]) - 1, -1)] if first else []
    older = [chosen] if chosen and chosen not in (*months, *years) else []
    return [*months, *older, *years]


def figures_role(site: Site) -> UserRole:
    """The least role for documents with figures: they hold every tenant, and every single room where there are some."""
    rooms = UserRole(site.page.rooms) if site.copied else UserRole.LOOK
    return max(rooms, UserRole.LOOK, key=lambda user_role: user_role.rank)


@dataclass(frozen=True, slots=True)
class _PeriodQuery:
    """Of which period, in which language, and whether the viewer may have figures."""

    period: str
    language: str
    may: bool


def _line(kind: str, site: Site, asked: _PeriodQuery) -> DocumentLine:
    divided = [
        allocation.title or allocation.name
        for allocation in site.allocations
        if allocation.per == "month" or len(asked.period) == 4
    ]
    return DocumentLine(
        kind=kind,
        files=[FileLine(form=form, link=_link(kind, form, asked)) for form in FORMS[kind]],
        why_not=_why_not(kind, site, asked, divided=bool(divided)),
        allocations=divided if kind == "cost-allocation" else [],
    )


def _link(kind: str, form: str, asked: _PeriodQuery) -> str:
    period = {"period": asked.period} if kind in OF_A_PERIOD else {}
    return "/document?" + urlencode({"kind": kind, "form": form, **period, "language": asked.language})


def _why_not(kind: str, site: Site, asked: _PeriodQuery, *, divided: bool) -> str:
    """A word for the reason: role, empty (no figures yet), none (no allocation), or year (divided per year only)."""
    if kind not in OF_A_PERIOD:
        return ""
    if not asked.may:
        return "role"
    if not asked.period:
        return "empty"
    if kind == "report" or divided:
        return ""
    return "year" if site.allocations else "none"
