"""The papers of a site as documents: the one way in which commands and page make them, and how they are given out."""

import hashlib
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from meterd import __version__
from meterd.app.allocate import channels_of, statements
from meterd.app.config import Plan
from meterd.app.corrector import record_issued
from meterd.app.paper_data import gather, period_of
from meterd.app.query import Span as Wanted
from meterd.app.query import kept_span, some_boards, some_points
from meterd.errors import ConfigError, StoreError
from meterd.figure import Channel
from meterd.interval import Period
from meterd.page import wording
from meterd.papers.acceptance_paper import Plan as PaperPlan
from meterd.papers.acceptance_paper import Read, Seen, board_document, point_document
from meterd.papers.allocation_paper import Allocated, allocation_document
from meterd.papers.document import Document
from meterd.papers.labels import label_pdf, labels_of
from meterd.papers.pdf import pdf
from meterd.papers.plan_paper import plan_document
from meterd.papers.report_paper import report_document
from meterd.papers.xlsx import workbook
from meterd.report import Report, Revision, Span, make_report
from meterd.rollup import Columns
from meterd.site import Site
from meterd.store.archive import ArchiveReader
from meterd.store.issued import Issued, Used
from meterd.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from meterd.cost_allocation import Statement


@dataclass(frozen=True, slots=True)
class When:
    """A local month or year as a person writes it: `words` is 2026-03 or 2026."""

    period: Period
    words: str


@dataclass(frozen=True, slots=True)
class Made:
    """A paper with figures of [from_ms, until_ms), before it is a file. `used` are the energies that it rests on."""

    document: Document
    kind: str
    words: str
    from_ms: int
    until_ms: int
    used: tuple[Used, ...]


@dataclass(frozen=True, slots=True)
class Costs:
    """The allocations of a period with its span, the schema of the store and the energies that they rest on."""

    span: Span
    statements: "tuple[Statement, ...]"
    schema: int
    used: tuple[Used, ...]


def when(words: str) -> When:
    """2026 is a year, everything else has to be a month."""
    return When(Period.YEAR if len(words) == 4 else Period.MONTH, words)


def report(plan: Plan, path: Path, asked: When, *, lang: str) -> Made:
    """The report of a month or year. ConfigError if the store has no figure of it."""
    material = gather(plan, path, asked.period, asked.words)
    document = report_document(plan.site, _told(make_report(plan.site, material), plan.site, lang), lang)
    used = _sums(material.intervals.channels, material.intervals.columns)
    span = material.span
    return Made(document, f"{asked.period}-report", asked.words, span.from_ms, span.known_ms, used)


def _told(made: Report, site: Site, lang: str) -> Report:
    """The report with its findings in the language of the paper, as the page says them."""
    zone = ZoneInfo(site.zone)
    rows = []
    for row in made.findings:
        text, remedy = (wording.plain(lang, words, zone) for words in (row.finding.text, row.finding.remedy))
        rows.append(replace(row, finding=replace(row.finding, text=text, remedy=remedy)))
    return replace(made, findings=tuple(rows))


def costs_of(plan: Plan, path: Path, asked: When) -> Costs:
    """What the allocations of the plan come to. ConfigError if it has none."""
    if not plan.site.allocations:
        raise ConfigError("the plan allocates no cost; write [[allocation]] in site.toml, see README.md")
    low, high = period_of(asked.words, asked.period, plan.site)
    channels = channels_of(plan.site)
    with closing(SqliteStore.reader(path)) as store, closing(ArchiveReader(path)) as archive:
        found = tuple(statements(store, plan.site, asked.period, Wanted(low, high)))
        kept, schema = kept_span(store, plan.site), archive.schema
        grid = np.arange(low, high, plan.site.interval_s * 1000, dtype=np.int64)
        used = _sums(channels, store.columns(channels, Period.INTERVAL, grid))
    return Costs(Span(asked.period, low, high, low if kept is None else kept.until_ms), found, schema, used)


def costs(plan: Plan, path: Path, asked: When, *, lang: str) -> Made:
    """The cost allocation of a month or year as a paper."""
    found = costs_of(plan, path, asked)
    made = Allocated(found.span, found.statements, Revision(plan.fingerprint, __version__, found.schema))
    document = allocation_document(plan.site, made, lang)
    return Made(document, "cost-allocation", asked.words, found.span.from_ms, found.span.until_ms, found.used)


def _sums(channels: tuple[Channel, ...], columns: Columns) -> tuple[Used, ...]:
    """The energy of each register over all rows, in mWh; None where a row is missing."""
    whole, totals = columns.present, columns.energy.sum(axis=0)
    return tuple((point, reg, int(totals[j]) if whole[:, j].all() else None) for j, (point, reg) in enumerate(channels))


def acceptance_of_point(plan: Plan, path: Path, name: str, *, lang: str) -> Document:
    """The acceptance sheet of a point under any of its names; without a store it has no readings."""
    point = plan.site.point(some_points(plan.site, [name])[0])
    return point_document(_paper_plan(plan), point, _seen(plan, path, point=point.name), lang)


def acceptance_of_board(plan: Plan, path: Path, name: str, *, lang: str) -> Document:
    """The acceptance sheet of a board with its points and its balance of the last closed day."""
    found = some_boards(plan.site, [name])[0]
    board = next(one for one in plan.site.boards if one.name == found)
    return board_document(_paper_plan(plan), board, _seen(plan, path, board=found), lang)


def _seen(plan: Plan, path: Path, *, point: str | None = None, board: str | None = None) -> Seen:
    """Newest readings of a point and the newest closed day of a board; nothing where there is no store yet."""
    if not path.exists():
        return Seen({})
    with closing(SqliteStore.reader(path)) as store:
        channels = [(one.point, one.register) for one in plan.site.inputs if one.point == point]
        newest = {channel: found for channel in channels if (found := store.latest(channel)) is not None}
        days = store.span(Period.DAY) if board is not None else None
        rows = store.balances(board, Period.DAY, days[0], days[1] + 1) if board is not None and days is not None else []
    return Seen({channel: Read(*found) for channel, found in newest.items()}, rows[-1] if rows else None)


def documents(plan: Plan, *, lang: str) -> Document:
    """Measuring points and meter schedule."""
    return plan_document(_paper_plan(plan), lang)


def labels(plan: Plan, points: list[str], boards: list[str], *, lang: str) -> tuple[int, bytes]:
    """How many labels, and the PDF. Without points those of the whole site, of some boards only if any are named."""
    site = plan.site
    names = some_points(site, points) if points else [point.name for point in site.points]
    wanted = some_boards(site, boards)
    found = labels_of(_paper_plan(plan), [site.point(n) for n in names if site.point(n).board in wanted], lang)
    return len(found), label_pdf(_paper_plan(plan), found, lang)


def _paper_plan(plan: Plan) -> PaperPlan:
    return PaperPlan(plan.site, plan.fingerprint, __version__)


def rendered(document: Document, form: str) -> bytes:
    """The document as `pdf` or `xlsx`."""
    return workbook(document) if form == "xlsx" else pdf(document)


# -- given out ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Given:
    """Who is given a paper, and when."""

    person: str
    at_ms: int


def give_out(plan: Plan, path: Path, made: Made, data: bytes, given: Given) -> str:
    """Record in the store that this file leaves the house; returns the words. The same file again keeps its record.

    Every report and allocation passes here before anybody has it, so that a later correction can name each one that
    holds a figure that has changed. StoreError if it cannot be recorded: then it must not be given out.
    """
    digest = hashlib.sha256(data).hexdigest()
    one = Issued(made.kind, made.words, made.from_ms, made.until_ms, given.at_ms, given.person, digest, made.used)
    try:
        return f"{record_issued(path, plan.site, one)}, SHA-256 {digest}"
    except StoreError as exc:
        raise StoreError(f"the {made.kind} is not given out, because that cannot be recorded: {exc}") from exc
