"""The documents of a site: made the same for commands and page, and how they are issued."""

import hashlib
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from meterd import __version__
from meterd.adapters.documents.acceptance import AcceptanceData, NewestReading, board_document, point_document
from meterd.adapters.documents.acceptance import PlanRevision as DocumentRevision
from meterd.adapters.documents.cost_allocation import Allocated, allocation_document
from meterd.adapters.documents.labels import label_pdf, labels_of
from meterd.adapters.documents.meter_schedule import plan_document
from meterd.adapters.documents.model import Document
from meterd.adapters.documents.pdf import pdf
from meterd.adapters.documents.report import report_document
from meterd.adapters.documents.tenant_statement import statement_document
from meterd.adapters.documents.xlsx import workbook
from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.dump import ArchiveReader
from meterd.adapters.store.issued_documents import IssueRecord, Used
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.texts import wording
from meterd.app.operations.cost_statements import channels_of, shares_in, statements
from meterd.app.operations.order_handler import record_issued
from meterd.app.operations.pv_accounting import points_of_tenants
from meterd.app.operations.queries import Span as Wanted
from meterd.app.operations.queries import span_of_store
from meterd.app.operations.question import some_boards, some_points
from meterd.app.operations.report_data import gather, period_of
from meterd.core.checks.register_scale import SCALE_CAUSES
from meterd.core.energy.rollup import Columns
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.finding import FindingRow
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from meterd.core.model.results import Channel
from meterd.core.reports.content import Report, Revision, Span, make_report
from meterd.core.reports.tenant_statement import tenant_statement

if TYPE_CHECKING:
    from meterd.core.reports.cost_allocation import Statement


@dataclass(frozen=True, slots=True)
class CalendarPeriod:
    """A local month or year as a person writes it: `words` is 2026-03 or 2026."""

    period: Period
    words: str


@dataclass(frozen=True, slots=True)
class IssuedDocument:
    """A document with figures of [from_ms, until_ms), before it is a file. `used` are the energies that it rests on."""

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


def calendar_period(text: str) -> CalendarPeriod:
    """2026 is a year, everything else has to be a month."""
    return CalendarPeriod(Period.YEAR if len(text) == 4 else Period.MONTH, text)


def report(plan: Plan, path: Path, asked: CalendarPeriod, *, lang: str) -> IssuedDocument:
    """The report of a month or year. ConfigError if the store has no figure of it."""
    data = gather(plan, path, asked.period, asked.words)
    document = report_document(plan.site, _translated(make_report(plan.site, data), plan.site, lang), lang)
    used = _sums(data.intervals.channels, data.intervals.columns)
    span = data.span
    return IssuedDocument(document, f"{asked.period}-report", asked.words, span.since_ms, span.known_ms, used)


def tenants_of_plan(site: Site) -> list[str]:
    """Everybody who may have a statement: tenants with a point, and those who share a cost."""
    shared = {name for rule in site.allocations for name in (*rule.tenants, *dict(rule.areas), *dict(rule.weights))}
    return sorted({*points_of_tenants(site), *shared})


def statement(plan: Plan, path: Path, asked: CalendarPeriod, tenant: str, *, lang: str) -> IssuedDocument:
    """The statement of one tenant for a month or year. ConfigError for one that the plan does not have."""
    site, known = plan.site, tenants_of_plan(plan.site)
    if tenant not in known:
        near = get_close_matches(tenant, known, n=3) or known[:8]
        hint = f"it has {', '.join(near)}" if known else "write tenant in points.csv"
        raise ConfigError(f"the plan has no tenant {tenant}; {hint}")
    data = gather(plan, path, asked.period, asked.words)
    points = points_of_tenants(site).get(tenant, [])
    with open_to_read(path) as store:
        made_of_all = statements(store, site, asked.period, Wanted(data.span.from_ms, data.span.until_ms))
    own = {rule.name for rule in site.allocations if shares_in(site, rule, tenant)}
    shared = [item for item in made_of_all if item.allocation in own]
    made = tenant_statement(make_report(site, data), tenant, points, shared)
    of_all = bool(made.shared)  # a part of a board rests on every meter of it
    used = [u for u in _sums(data.intervals.channels, data.intervals.columns) if of_all or u[0] in points]
    document, span = statement_document(site, made, lang), data.span
    text = f"{asked.words} {tenant}"
    return IssuedDocument(document, "statement", text, span.since_ms, span.known_ms, tuple(used))


def _translated(made: Report, site: Site, lang: str) -> Report:
    """The report with its findings in the language of the document, as the page says them."""
    zone, titles = ZoneInfo(site.zone), wording.titles_of(site)
    rows = []
    for report_finding in made.findings:
        finding = report_finding.row.finding
        text, remedy = (
            wording.translated_line(lang, message, zone, titles) for message in (finding.text, finding.remedy)
        )
        rows.append(
            replace(report_finding, row=replace(report_finding.row, finding=replace(finding, text=text, remedy=remedy)))
        )
    return replace(made, findings=tuple(rows))


def costs_of(plan: Plan, path: Path, asked: CalendarPeriod) -> Costs:
    """What the allocations of the plan come to. ConfigError if it has none."""
    if not plan.site.allocations:
        raise ConfigError("the plan allocates no cost; write [[allocation]] in site.toml, see meterd help plan")
    low, high = period_of(asked.words, asked.period, plan.site)
    channels = channels_of(plan.site)
    with open_to_read(path) as store, closing(ArchiveReader(path)) as archive:
        results = tuple(statements(store, plan.site, asked.period, Wanted(low, high)))
        stored_span, schema = span_of_store(store, plan.site), archive.schema
        grid = np.arange(low, high, plan.site.interval_s * 1000, dtype=np.int64)
        used = _sums(channels, store.columns(channels, Period.INTERVAL, grid))
    begun = stored_span.from_ms if stored_span is not None and low < stored_span.from_ms < high else None
    return Costs(
        Span(asked.period, low, high, low if stored_span is None else stored_span.until_ms, begun),
        results,
        schema,
        used,
    )


def costs(plan: Plan, path: Path, asked: CalendarPeriod, *, lang: str) -> IssuedDocument:
    """The cost allocation of a month or year as a document."""
    result = costs_of(plan, path, asked)
    made = Allocated(result.span, result.statements, Revision(plan.fingerprint, __version__, result.schema))
    document = allocation_document(plan.site, made, lang)
    return IssuedDocument(
        document, "cost-allocation", asked.words, result.span.from_ms, result.span.until_ms, result.used
    )


def _sums(channels: tuple[Channel, ...], columns: Columns) -> tuple[Used, ...]:
    """The energy of each register over all rows, in mWh; None where a row is missing."""
    whole, totals = columns.present, columns.energy.sum(axis=0)
    return tuple((point, reg, int(totals[j]) if whole[:, j].all() else None) for j, (point, reg) in enumerate(channels))


def acceptance_of_point(plan: Plan, path: Path, name: str, *, lang: str) -> Document:
    """The acceptance form of a point under any of its names; without a store it has no readings."""
    point = plan.site.point(some_points(plan.site, [name])[0])
    return point_document(_plan_revision(plan), point, _acceptance_data(plan, path, lang, point=point.name), lang)


def acceptance_of_board(plan: Plan, path: Path, name: str, *, lang: str) -> Document:
    """The acceptance form of a board with its points and its balance of the last closed day."""
    result = some_boards(plan.site, [name])[0]
    board = next(board for board in plan.site.boards if board.name == result)
    return board_document(_plan_revision(plan), board, _acceptance_data(plan, path, lang, board=result), lang)


def _acceptance_data(
    plan: Plan, path: Path, lang: str, *, point: str | None = None, board: str | None = None
) -> AcceptanceData:
    """Newest readings of a point, the newest closed day of a board, and open doubts; nothing where there is no store yet."""
    if not path.exists():
        return AcceptanceData({})
    with open_to_read(path) as store:
        channels = [(meter_input.point, meter_input.register) for meter_input in plan.site.inputs_of(point or "")]
        newest = {channel: results for channel in channels if (results := store.latest(channel)) is not None}
        days = store.span(Period.DAY) if board is not None else None
        rows = store.balances(board, Period.DAY, days[0], days[1] + 1) if board is not None and days is not None else []
        findings = store.finding_tables.all()
    names = {point} if point else {item.name for item in plan.site.points_of(board or "")}
    return AcceptanceData(
        {channel: NewestReading(*newest[channel]) for channel in newest},
        rows[-1] if rows else None,
        _doubts(plan.site, findings, names, lang),
    )


def _doubts(site: Site, rows: Sequence[FindingRow], names: set[str], lang: str) -> tuple[str, ...]:
    """Open findings about unit, ratio or direction of some points, with what to do, in the language of the document."""
    zone, titles = ZoneInfo(site.zone), wording.titles_of(site)
    mine = [
        row.finding
        for row in rows
        if row.closed_ms is None and row.finding.cause in SCALE_CAUSES and names & set(row.finding.points)
    ]
    return tuple(
        " \N{EN DASH} ".join(
            wording.translated_line(lang, message, zone, titles) for message in (finding.text, finding.remedy)
        )
        for finding in mine
    )


def documents(plan: Plan, *, lang: str) -> Document:
    """Measuring points and meter schedule."""
    return plan_document(_plan_revision(plan), lang)


def labels(plan: Plan, points: list[str], boards: list[str], *, lang: str) -> tuple[int, bytes]:
    """How many labels, and the PDF. Without points those of the whole site, of some boards only if any are named."""
    site = plan.site
    names = some_points(site, points) if points else [point.name for point in site.points]
    wanted = some_boards(site, boards)
    results = labels_of(_plan_revision(plan), [site.point(n) for n in names if site.point(n).board in wanted], lang)
    return len(results), label_pdf(_plan_revision(plan), results, lang)


def _plan_revision(plan: Plan) -> DocumentRevision:
    return DocumentRevision(plan.site, plan.fingerprint, __version__)


def rendered(document: Document, form: str) -> bytes:
    """The document as `pdf` or `xlsx`."""
    return workbook(document) if form == "xlsx" else pdf(document)


# -- issued ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recipient:
    """Who is given a document, and when."""

    person: str
    at_ms: int


def give_out(plan: Plan, path: Path, document: IssuedDocument, data: bytes, recipient: Recipient) -> str:
    """Record in the store that this file leaves the house; returns the words. The same file again keeps its record.

    Every report and allocation passes here before anybody has it, so that a later correction can name each one that
    holds a figure that has changed. StoreError if it cannot be recorded: then it must not be issued.
    """
    digest = hashlib.sha256(data).hexdigest()
    issue = IssueRecord(
        document.kind,
        document.words,
        document.from_ms,
        until_ms=document.until_ms,
        made_ms=recipient.at_ms,
        person=recipient.person,
        sha256=digest,
        figures=document.used,
    )
    try:
        return f"{record_issued(path, plan.site, issue)}, SHA-256 {digest}"
    except StoreError as exc:
        raise StoreError(f"the {document.kind} is not issued, because that cannot be recorded: {exc}") from exc
