"""`meterd history`: figures of many sites over years, from archives alone, spread over processes.

    places -> their sites -> months of each site (a piece of work each) -> figures of each month (a piece each) -> lines

A piece names files and carries no tables; whoever works on it reads them, compares them with their SHA-256, and returns
lines. What cannot be read is named beside the figures of the others.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from meterd.adapters.archive.target import ArchiveTarget, Login
from meterd.adapters.cluster.workers import Spread
from meterd.adapters.store.figure_rows import balances_of, pv_of
from meterd.app.operations.archive import newest_months
from meterd.app.operations.archive_check import TRIES_NEXT, fetched
from meterd.app.operations.archive_tables import read_columns
from meterd.app.operations.queries import Line, balance_line, energy_line, pv_line
from meterd.core.energy.rollup import maximum_demand
from meterd.core.errors import ConfigError, MeterdError
from meterd.core.model.archived_month import ArchivedMonth
from meterd.core.model.periods import Period, bounds, from_ms
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import FigureRow

SITE = "site="


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
class SitePiece:
    """A site of an archive: its months are to be found."""

    place: Place
    site: str
    question: Question


@dataclass(frozen=True, slots=True)
class MonthPiece:
    """A month of a site: its figures are to be found."""

    place: Place
    month: ArchivedMonth
    question: Question


@dataclass(frozen=True, slots=True)
class Answer:
    """Lines of a month, and what could not be read, in words."""

    lines: tuple[Line, ...] = ()
    troubles: tuple[str, ...] = ()


def ask(places: Sequence[Place], sites: Sequence[str], question: Question, spread: Spread) -> Iterator[Answer]:
    """The answers of all sites of the places, or of those that are named; site by site, month by month."""
    pieces: list[MonthPiece] = []
    for found, troubles in spread(months_of, _sites(places, sites, question)):
        pieces += found
        if troubles:
            yield Answer(troubles=troubles)
    yield from spread(figures_of, pieces)


def _sites(places: Sequence[Place], wanted: Sequence[str], question: Question) -> list[SitePiece]:
    pieces = []
    for place in places:
        names = [name.removeprefix(SITE) for name in place.target.folders() if name.startswith(SITE)]
        if not names:
            raise ConfigError(f"{place.url} is no archive: it has no folder site=...; meterd archive PLAN writes one")
        pieces += [SitePiece(place, name, question) for name in names if not wanted or name in wanted]
    if unknown := set(wanted) - {piece.site for piece in pieces}:
        raise ConfigError(f"no archive named here has a site {', '.join(sorted(unknown))}")
    return pieces


def months_of(piece: SitePiece) -> tuple[list[MonthPiece], tuple[str, ...]]:
    """The newest version of each archived month that is asked for; what is wrong with them, in words."""
    where = f"{piece.site} in {piece.place.url}"
    try:
        months = newest_months(piece.place.target, piece.site)
    except MeterdError as exc:
        return [], (str(exc),)
    wanted = [month for month in months if _asked(month.month, piece.question)]
    troubles = [
        f"{where}: no month between {month.month} and {following.month}; {TRIES_NEXT}"
        for month, following in pairwise(wanted)
        if month.until_ms != following.from_ms
    ]
    return [MonthPiece(piece.place, month, piece.question) for month in wanted], tuple(troubles)


def _asked(month: str, question: Question) -> bool:
    return month >= question.since and (not question.until or month < question.until)


def figures_of(piece: MonthPiece) -> Answer:
    """The lines of one month of one site."""
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


# -- the figures of one month ------------------------------------------------------------------------------------------

_ENERGY = ("start", "point", "register", "energy_mwh", "flags")
_BALANCE = (
    "board", "start", "end", "feed_mwh", "outgoing_mwh", "residual_mwh", "band_mwh", "verdict", "estimated", "missing",
    "uncovered", "covered", "of", "reconciled",
)  # fmt: skip
_PV = (
    "start", "end", "production_mwh", "grid_import_mwh", "grid_export_mwh", "self_use_mwh", "consumption_mwh", "estimated",
)  # fmt: skip


def _energies(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    zone, step = ZoneInfo(month.zone), month.interval_s * 1000
    return [
        energy_line(
            FigureRow((point, register), period, start, energy, flags), bounds(period, start, zone, step)[1], zone
        )
        for start, point, register, energy, flags in _rows(read_columns(path, "energy", _ENERGY, period))
    ]


def _balances(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    rows = _rows(read_columns(path, "balance", _BALANCE, period))
    return [
        balance_line(row, ZoneInfo(month.zone))
        for board, *stored in rows
        for row in balances_of(board, period, [stored])
    ]


def _pv(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    rows = _rows(read_columns(path, "pv", _PV, period))
    return [pv_line(row, ZoneInfo(month.zone)) for row in pv_of(period, rows)]


def _demands(path: Path, month: ArchivedMonth, period: Period) -> list[Line]:
    """The largest interval mean of the import of each point: the first of equals. Of a month, whatever the period."""
    table = read_columns(path, "energy", ("start", "point", "register", "energy_mwh"), Period.INTERVAL)
    table = table.filter(pc.equal(table["register"], IMPORT))
    step, zone = month.interval_s * 1000, ZoneInfo(month.zone)
    lines: list[Line] = []
    for point in table["point"].unique().to_pylist():
        own = table.filter(pc.equal(table["point"], point))
        present = own["energy_mwh"].is_valid().to_numpy().astype(np.bool_)
        largest = maximum_demand(own["energy_mwh"].fill_null(0).to_numpy(), present, step)
        start = None if largest is None else from_ms(own["start"][largest[0]].as_py()).astimezone(zone).isoformat()
        lines.append(
            {
                "period": month.month,
                "point": point,
                "demand_w": None if largest is None else largest[1],
                "interval_start": start,
                "intervals_known": int(present.sum()),
                "intervals": (month.until_ms - month.from_ms) // step,
            }
        )
    return lines


def _rows(table: pa.Table) -> Iterator[tuple[Any, ...]]:
    return zip(*(column.to_pylist() for column in table.columns), strict=True)


# what can be asked: the table of the archive it is read from, and how
SHOW: Mapping[str, tuple[str, Callable[[Path, ArchivedMonth, Period], list[Line]]]] = {
    "energy": ("energy", _energies),
    "balance": ("balance", _balances),
    "demand": ("energy", _demands),
    "pv": ("pv", _pv),
}
