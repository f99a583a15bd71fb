"""`meterd history`: figures of many sites over years, from archives alone, spread over processes.

    places -> their sites -> months of each site (a piece of work each) -> figures of each month (a piece each) -> lines

Where a month has few lines and they are read as they are, a site with all its months is one piece.

The figures are those that the sites' stores had. With a plan, those of its site are made once more from the archived
readings by the functions of the daemon, and compared.

A piece names files and carries no tables; whoever works on it reads them, compares them with their SHA-256, and returns
lines. What cannot be read is named beside the figures of the others.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import numpy as np

from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.adapters.cluster.workers import Spread
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.month_rows import READINGS, STATE
from meterd.app.operations.acceptances import ACCEPTED
from meterd.app.operations.archive import newest_months
from meterd.app.operations.archive_check import TRIES_NEXT, fetched
from meterd.app.operations.archive_tables import read_rows
from meterd.app.operations.archived_figures import (
    ArchivedFigures,
    balance_rows,
    energy_columns,
    pv_rows,
    rows_of,
)
from meterd.app.operations.archived_readings import ArchivedReadings, MonthFiles, by_channel, files_of
from meterd.app.operations.drift_job import examine_anew
from meterd.app.operations.queries import Line, balance_line, energy_line, pv_line
from meterd.app.operations.remade_figures import (
    Basis,
    RemadeMonth,
    balance_lines,
    demand_line,
    demand_lines,
    energy_lines,
    pv_lines,
    remade,
)
from meterd.app.operations.site_studies import comparison_lines, drift_lines, ranked
from meterd.core.errors import ConfigError, MeterdError
from meterd.core.model.archived_month import ArchivedFile, ArchivedMonth
from meterd.core.model.periods import Period, bounds
from meterd.core.model.plan import Site
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import FigureRow
from meterd.core.registers.clock_offsets import METER_CLOCKS
from meterd.core.registers.corrections import Correction

SITE = "site="
DEMAND, COMPARISON = "demand", "comparison"
# months around one whose readings are looked at: a register that was silent for longer has no figures between either
BEFORE, AFTER = 2, 1
FEW_LINES = (Period.MONTH, Period.YEAR)  # a site of thirty registers has 30 of each in a month
PLANS_AT_ONCE = 32  # in the memory of a worker


@dataclass(frozen=True, slots=True)
class Place:
    """An archive, and who reads it where it asks."""

    url: str
    login: Login

    @property
    def target(self) -> ArchiveTarget:
        """The archive, from where this is called."""
        return ArchiveTarget(self.url, self.login)


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: which figures, of which periods, of which months (2026 or 2026-03, the second exclusive; empty = all)."""

    show: str
    period: Period = Period.MONTH
    since: str = ""
    until: str = ""


@dataclass(frozen=True, slots=True)
class PlanFile:
    """A plan by which figures are made once more: whoever works on a piece loads it, once, and sees that it is this one."""

    path: str
    fingerprint: str


@dataclass(frozen=True, slots=True)
class Again:
    """What the figures of a month are made from once more: a plan, what is stored beside readings, the months around it."""

    plan: PlanFile
    basis: Basis
    months: tuple[MonthFiles, ...]
    place: int


@dataclass(frozen=True, slots=True)
class SitePiece:
    """A site of an archive: its months are to be found."""

    place: Place
    site: str
    question: Question
    plan: PlanFile | None


@dataclass(frozen=True, slots=True)
class MonthPiece:
    """A month of a site: its figures are to be found."""

    place: Place
    month: ArchivedMonth
    question: Question
    again: Again | None


@dataclass(frozen=True, slots=True)
class Answer:
    """Lines of a month, and what could not be read, in words."""

    lines: tuple[Line, ...] = ()
    troubles: tuple[str, ...] = ()
    compared: int = 0  # interval figures made once more
    differing: tuple[str, ...] = ()  # those that are other than archived


def ask(
    places: Sequence[Place],
    sites: Sequence[str],
    question: Question,
    spread: Spread,
    *,
    plans: Mapping[str, PlanFile] | None = None,
) -> Iterator[Answer]:
    """The answers of all sites of the places, or of those that are named; site by site, month by month.

    With plans, by the names of their sites, of those sites alone.
    """
    site_pieces = _sites(places, sites or list(plans or ()), question, plans or {})
    if question.show in STUDIES:
        yield from _studied(question, spread(study_of, site_pieces))
        return
    if not plans and (question.show == DEMAND or question.period in FEW_LINES):
        for answers in spread(figures_of_site, site_pieces):
            yield from answers
        return
    pieces: list[MonthPiece] = []
    for results, troubles in spread(months_of, site_pieces):
        pieces += results
        if troubles:
            yield Answer(troubles=troubles)
    yield from spread(figures_of, pieces)


def _sites(
    places: Sequence[Place], wanted: Sequence[str], question: Question, plans: Mapping[str, PlanFile]
) -> list[SitePiece]:
    pieces = []
    for place in places:
        names = [name.removeprefix(SITE) for name in place.target.folders() if name.startswith(SITE)]
        if not names:
            raise ConfigError(f"{place.url} is no archive: it has no folder site=...; meterd archive PLAN writes one")
        pieces += [SitePiece(place, name, question, plans.get(name)) for name in names if not wanted or name in wanted]
    if unknown := set(wanted) - {piece.site for piece in pieces}:
        raise ConfigError(f"no archive named here has a site {', '.join(sorted(unknown))}")
    return pieces


def _studied(question: Question, answers: Iterator[Answer]) -> Iterator[Answer]:
    """Answers of sites; of a comparison all lines together, each with its rank."""
    lines = list[Line]()
    for answer in answers:
        yield replace(answer, lines=()) if question.show == COMPARISON else answer
        lines += answer.lines
    if question.show == COMPARISON:
        yield Answer(tuple(ranked(lines)))


def study_of(piece: SitePiece) -> Answer:
    """The lines of a study of one site, from its figures of all its months. Without its plan there is none."""
    name, target = piece.site, piece.place.target
    try:
        if piece.plan is None:
            raise ConfigError(f"--show {piece.question.show} needs the plan of {name}; give --plan")
        site, months = _site_of(piece.plan), newest_months(target, name)
        wanted, troubles = _wanted(piece, months)
        if not wanted:
            return Answer(troubles=troubles)
        basis, span = _basis(target, months[-1]), (wanted[0].from_ms, wanted[-1].until_ms)
        with TemporaryDirectory(prefix="meterd-") as work:

            def fetch(file: ArchivedFile) -> Path:
                path = Path(work) / "rows.parquet"
                fetched(target, file, path)
                return path

            lines = STUDIES[piece.question.show](_Study(site, months, basis, fetch, piece.question.period, span))
    except MeterdError as exc:
        return Answer(troubles=(f"{name}: {exc}",))
    return Answer(tuple({"site": name, **line} for line in lines), troubles)


@dataclass(frozen=True, slots=True)
class _Study:
    """What a study is made from."""

    site: Site
    months: Sequence[ArchivedMonth]
    basis: Basis
    fetch: Callable[[ArchivedFile], Path]
    period: Period
    span: tuple[int, int]


def _drift(study: _Study) -> list[Line]:
    """As at the end of the span: what was fitted, corrected or accepted later has no effect."""
    low, high = study.span
    months = [month for month in study.months if low <= month.from_ms < high]
    site, basis = study.site, study.basis
    if high != study.months[-1].until_ms:
        basis = basis.before(high)
        site = replace(site, instruments=tuple(item for item in site.instruments if item.from_ms < high))
    return drift_lines(examine_anew(ArchivedFigures(months, basis, study.fetch), site), site)


def _comparison(study: _Study) -> list[Line]:
    figures = ArchivedFigures(study.months, study.basis, study.fetch)
    return comparison_lines(figures, study.site, study.period, study.span)


def months_of(piece: SitePiece) -> tuple[list[MonthPiece], tuple[str, ...]]:
    """The newest version of each archived month that is asked for; what is wrong with them, in words."""
    try:
        months = newest_months(piece.place.target, piece.site)
        basis = None if piece.plan is None or not months else _basis(piece.place.target, months[-1])
    except MeterdError as exc:
        return [], (str(exc),)
    wanted, troubles = _wanted(piece, months)
    pieces = [
        MonthPiece(piece.place, month, piece.question, _again(piece.plan, basis, months, months.index(month)))
        for month in wanted
    ]
    return pieces, troubles


def figures_of_site(piece: SitePiece) -> list[Answer]:
    """All months of a site at once: where each has few lines, to hand one over costs as much as to read it."""
    months, troubles = months_of(piece)
    return [*([Answer(troubles=troubles)] if troubles else []), *map(figures_of, months)]


def _wanted(piece: SitePiece, months: Sequence[ArchivedMonth]) -> tuple[list[ArchivedMonth], tuple[str, ...]]:
    """The months that are asked for, and which are missing in between, in words."""
    where = f"{piece.site} in {piece.place.url}"
    wanted = [month for month in months if _asked(month.month, piece.question)]
    troubles = [
        f"{where}: no month between {month.month} and {following.month}; {TRIES_NEXT}"
        for month, following in pairwise(wanted)
        if month.until_ms != following.from_ms
    ]
    return wanted, tuple(troubles)


def _basis(target: ArchiveTarget, newest: ArchivedMonth) -> Basis:
    """The corrections of a site and the clocks of its meters, from the state that goes with its newest month."""
    file = newest.files.get(STATE)
    if file is None or not file.rows:
        return Basis()
    with TemporaryDirectory(prefix="meterd-") as work:
        path = Path(work) / "rows.parquet"
        fetched(target, file, path)
        rows = [(table, json.loads(str(row))) for table, row in read_rows(path, STATE)]
    known = [field.name for field in fields(Correction)]
    corrections = [
        Correction(**{name: row[name] for name in known if name in row}) for table, row in rows if table == "correction"
    ]
    facts = {row["name"]: row["value"] for table, row in rows if table == "fact"}
    return Basis(tuple(corrections), facts.get(METER_CLOCKS, ""), facts.get(ACCEPTED, ""))


def _again(plan: PlanFile | None, basis: Basis | None, months: Sequence[ArchivedMonth], place: int) -> Again | None:
    if plan is None or basis is None:
        return None
    low = max(0, place - BEFORE)
    return Again(plan, basis, tuple(files_of(month) for month in months[low : place + 1 + AFTER]), place - low)


def _asked(month: str, question: Question) -> bool:
    return month >= question.since and (not question.until or month < question.until)


def figures_of(piece: MonthPiece) -> Answer:
    """The lines of one month of one site."""
    if piece.again is not None:
        return _made_again(piece, piece.again)
    table, read = SHOW[piece.question.show]
    file = piece.month.files.get(table)
    if file is None or not file.rows:
        return Answer()
    try:
        with TemporaryDirectory(prefix="meterd-") as work:
            path = Path(work) / "rows.parquet"
            fetched(piece.place.target, file, path)
            lines = read(path, piece.month, piece.question.period)
    except MeterdError as exc:
        return Answer(troubles=(f"{piece.month.site} {piece.month.month}: {exc}",))
    return Answer(tuple({"site": piece.month.site, **line} for line in lines))


def _made_again(piece: MonthPiece, again: Again) -> Answer:
    month, name = piece.month, f"{piece.month.site} {piece.month.month}"
    if month.pruned and not month.files[READINGS].rows:
        gone = "its readings had been deleted before it was archived; its figures cannot be made once more"
        return Answer(troubles=(f"{name}: {gone}",))
    try:
        site = _site_of(again.plan)
        with TemporaryDirectory(prefix="meterd-") as work:

            def fetch(file: ArchivedFile) -> Path:
                path = Path(work) / f"{file.sha256}.parquet"
                fetched(piece.place.target, file, path)
                return path

            made = remade(site, again.basis, ArchivedReadings(again.months, fetch), again.place)
    except MeterdError as exc:
        return Answer(troubles=(f"{name}: {exc}",))
    lines = AGAIN[piece.question.show](made, month, piece.question.period)
    unknown = [f"{point} {register}" for point, register in made.unknown]
    left_out = f"{month.site}: the plan has no input for {', '.join(unknown)}; what is archived of it is left out"
    return Answer(
        tuple({"site": month.site, **line} for line in lines),
        (left_out,) if unknown else (),
        made.compared,
        tuple(f"{month.site} {text}" for text in made.differing),
    )


@lru_cache(PLANS_AT_ONCE)
def _site_of(plan: PlanFile) -> Site:
    loaded = load_plan(Path(plan.path))
    if loaded.fingerprint != plan.fingerprint:
        raise ConfigError(f"{plan.path} is another plan where the work is done; all must see the same one")
    return loaded.site


# -- the figures of one month ------------------------------------------------------------------------------------------


def _energies(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    zone, step = ZoneInfo(month.zone), month.interval_s * 1000
    return [
        energy_line(
            FigureRow((point, register), period, start, energy, flags), bounds(period, start, zone, step)[1], zone
        )
        for start, point, register, energy, flags in rows_of(energy_columns(path, period))
    ]


def _balances(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    return [balance_line(row, ZoneInfo(month.zone)) for row in balance_rows(path, period)]


def _pv(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    return [pv_line(row, ZoneInfo(month.zone)) for row in pv_rows(path, period)]


def _demands(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    """Of a month, whatever the period."""
    table = energy_columns(path, Period.INTERVAL)
    return [
        demand_line(
            month,
            point,
            rows["start"].to_numpy(),
            rows["energy_mwh"].fill_null(0).to_numpy(),
            rows["energy_mwh"].is_valid().to_numpy().astype(np.bool_),
        )
        for (point, register), rows in by_channel(table)
        if register == IMPORT
    ]


AGAIN: Mapping[str, Callable[[RemadeMonth, ArchivedMonth, Period], list[Line]]] = {
    "energy": energy_lines,
    "balance": balance_lines,
    DEMAND: demand_lines,
    "pv": pv_lines,
}
# what can be asked: the table of the archive it is read from, and how
SHOW: Mapping[str, tuple[str, Callable[[Path, ArchivedMonth, Period], list[Line]]]] = {
    "energy": ("energy", _energies),
    "balance": ("balance", _balances),
    DEMAND: ("energy", _demands),
    "pv": ("pv", _pv),
}
# what is asked of the whole history of a site, with its plan
STUDIES: Mapping[str, Callable[[_Study], list[Line]]] = {"drift": _drift, COMPARISON: _comparison}
