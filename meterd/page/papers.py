"""Sheet "papers": which papers does this site have? They are made when somebody asks for one (`paper_route`)."""

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import Depends, Query
from starlette.exceptions import HTTPException

from meterd.interval import Period, label
from meterd.page import UserRole, Viewer, wording
from meterd.page.asking import Office, office_of, viewer_of
from meterd.page.view import SheetValues, Values, basis, months_between, picture
from meterd.site import Site
from meterd.snapshot import Snapshot

PERIOD, LANGUAGE = r"^([0-9]{4}(-(0[1-9]|1[0-2]))?)?$", r"^(en|de)?$"
OF_A_PERIOD, OF_THE_PLAN = ("report", "cost-allocation"), ("documents", "labels")
FORMS = {kind: ("pdf",) if kind == "labels" else ("pdf", "xlsx") for kind in (*OF_A_PERIOD, *OF_THE_PLAN)}


class FileLine(Values):
    """A file that can be had: its form, pdf or xlsx, and where."""

    form: str
    link: str


class PaperLine(Values):
    """One paper. `why_not` is a word that says why it cannot be had, empty if it can; `allocations` divided in it."""

    kind: str
    files: list[FileLine]
    why_not: str
    allocations: list[str]


class Subject(Values):
    """A board or point that has an acceptance sheet."""

    name: str
    title: str
    state: str


class PapersView(SheetValues):
    """The papers of one local month or year, `over` once all of it is closed, and those of the plan.

    `figures_role` is the role that papers with figures need here; without it they are listed with `why_not`.
    """

    period: str
    periods: list[str]
    over: bool
    language: str
    languages: list[str]
    figures_role: str
    may_figures: bool
    papers: list[PaperLine]
    boards: list[Subject]
    points: list[Subject]


def look(
    office: Annotated[Office, Depends(office_of)],
    viewer: Annotated[Viewer, Depends(viewer_of)],
    snapshot: Annotated[Snapshot, Depends(picture)],
    period: Annotated[str, Query(pattern=PERIOD)] = "",
    language: Annotated[str, Query(pattern=LANGUAGE)] = "",
) -> PapersView:
    """The papers of a period, without a wish those of the last month that is over."""
    site, zone = office.desk.site, office.zone()
    kept = _kept(office)
    months = [] if kept is None else months_between(kept, zone)
    first, last = _ends(kept, site)
    if period:
        check_period(office, period, viewer.language)
    open_ = "" if kept is None else label(Period.MONTH, kept[1] + site.interval_s * 1000, zone)
    chosen = period or next((month for month in months if month != open_), months[0] if months else "")
    asked = _Asked(chosen, language or viewer.language, may=viewer.role.covers(figures_role(site)))
    return PapersView(
        basis=basis(office.desk, snapshot),
        period=chosen,
        periods=_periods(months, first, last, chosen=chosen),
        over=bool(chosen) and chosen not in (open_, open_[:4]),
        language=asked.language,
        languages=list(wording.LANGUAGES),
        figures_role=str(figures_role(site)),
        may_figures=asked.may,
        papers=[_line(kind, site, asked) for kind in FORMS],
        boards=[Subject(name=one.name, title=one.title, state="") for one in site.boards],
        points=[Subject(name=one.name, title=one.title, state=one.state) for one in site.points],
    )


def check_period(office: Office, period: str, language: str) -> None:
    """404 for a month or year without any figures."""
    first, last = _ends(_kept(office), office.desk.site)
    if not (first and period and first[: len(period)] <= period <= last[: len(period)]):
        raise HTTPException(404, wording.say(language, "papers.no_figures", period=period or "-"))


def _kept(office: Office) -> tuple[int, int] | None:
    with office.desk.reader() as reads:
        return reads.span(Period.INTERVAL)


def _ends(kept: tuple[int, int] | None, site: Site) -> tuple[str, str]:
    """The first and the last local month with figures; empty words without any."""
    if kept is None:
        return "", ""
    zone = ZoneInfo(site.zone)
    return label(Period.MONTH, kept[0], zone), label(Period.MONTH, kept[1], zone)


def _periods(months: list[str], first: str, last: str, *, chosen: str) -> list[str]:
    """The newest months and every year, the newest first; an older month is listed when it is chosen."""
    years = [str(year) for year in range(int(last[:4]), int(first[:4]) - 1, -1)] if first else []
    older = [chosen] if chosen and chosen not in (*months, *years) else []
    return [*months, *older, *years]


def figures_role(site: Site) -> UserRole:
    """The least role for papers with figures: they hold every tenant, and every single room where there are some."""
    rooms = UserRole(site.page.rooms) if site.copied else UserRole.LOOK
    return max(rooms, UserRole.LOOK, key=lambda one: one.rank)


@dataclass(frozen=True, slots=True)
class _Asked:
    """Of which period, in which language, and whether the viewer may have figures."""

    period: str
    language: str
    may: bool


def _line(kind: str, site: Site, asked: _Asked) -> PaperLine:
    divided = [one.title or one.name for one in site.allocations if one.per == "month" or len(asked.period) == 4]
    return PaperLine(
        kind=kind,
        files=[FileLine(form=form, link=_link(kind, form, asked)) for form in FORMS[kind]],
        why_not=_why_not(kind, site, asked, divided=bool(divided)),
        allocations=divided if kind == "cost-allocation" else [],
    )


def _link(kind: str, form: str, asked: _Asked) -> str:
    period = {"period": asked.period} if kind in OF_A_PERIOD else {}
    return "/paper?" + urlencode({"kind": kind, "form": form, **period, "language": asked.language})


def _why_not(kind: str, site: Site, asked: _Asked, *, divided: bool) -> str:
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
