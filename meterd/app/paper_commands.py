"""`meterd report`, `cost-allocation`, `acceptance`, `documents` and `labels`: papers of a site as PDF and workbook."""

import argparse
import hashlib
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.errors import ConfigError, StoreError
from meterd.figure import Channel
from meterd.interval import Period

if TYPE_CHECKING:
    from meterd.app.config import Plan
    from meterd.cost_allocation import Statement
    from meterd.papers.acceptance_paper import Plan as PaperPlan
    from meterd.papers.acceptance_paper import Seen
    from meterd.papers.document import Document
    from meterd.report import Span
    from meterd.site import Point, Site

DONE = 0
Commands = argparse._SubParsersAction
LANGUAGES = ("en", "de")


def add(commands: "Commands[argparse.ArgumentParser]") -> None:
    """The commands and their options."""
    report = _add(commands, "report", run_report, "write the month's or year's report as PDF and workbook")
    _add_period(report)
    costs = _add(
        commands, "cost-allocation", run_costs, "divide costs among tenants as [[allocation]] of the plan says"
    )
    _add_period(costs)
    costs.add_argument("--format", choices=("table", "csv", "json"), default="table", help="default: table, in kWh")
    sheet = _add(commands, "acceptance", run_acceptance, "write the acceptance sheet of a point or a board as PDF")
    what = sheet.add_mutually_exclusive_group(required=True)
    what.add_argument("--point", metavar="NAME", help="a metering point")
    what.add_argument("--board", metavar="NAME", help="a board with its points and balance")
    _add(commands, "documents", run_documents, "write measuring points and meter schedule from the plan")
    labels = _add(commands, "labels", run_labels, "write labels for meters and terminals, with QR codes, as PDF")
    labels.add_argument("--point", action="append", default=[], metavar="NAME", help="only this point; repeat for more")
    labels.add_argument(
        "--board", action="append", default=[], metavar="NAME", help="only of this board; repeat for more"
    )


def _add(
    commands: "Commands[argparse.ArgumentParser]", name: str, work: Callable[[argparse.Namespace], int], words: str
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
    parser.set_defaults(work=work)
    parser.add_argument("plan", type=Path, metavar="PLAN", help="plan folder, or a single .toml file")
    parser.add_argument("--lang", choices=LANGUAGES, help="language of the paper; default: that of [page], or en")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="write it there as PDF")
    if name in ("report", "cost-allocation", "acceptance"):
        parser.add_argument("--store", type=Path, metavar="FILE", help="store file; default: as the plan says")
    if name in ("report", "cost-allocation", "documents"):
        parser.add_argument("--xlsx", type=Path, metavar="FILE", help="write it there as a workbook")
    return parser


def _add_period(parser: argparse.ArgumentParser) -> None:
    period = parser.add_mutually_exclusive_group(required=True)
    period.add_argument("--month", metavar="YYYY-MM", help="local month of the site")
    period.add_argument("--year", metavar="YYYY", help="local year of the site")


@dataclass(frozen=True, slots=True)
class Finished:
    """A paper that was written. `channels` are the registers whose figures of [from_ms, until_ms) are in it."""

    kind: str
    period: str
    sha256: str
    channels: tuple[Channel, ...]
    from_ms: int
    until_ms: int
    path: Path


def finished(paper: Finished) -> None:
    """The one place that every written report and allocation passes: says what was written, and its check sum."""
    print(f"{paper.path}: {paper.kind} {paper.period}, SHA-256 {paper.sha256}")


# -- report and cost allocation ------------------------------------------------------------------------------------------


def run_report(arguments: argparse.Namespace) -> int:
    """`meterd report PLAN --month 2026-10 --pdf FILE --xlsx FILE`."""
    from meterd.app.paper_data import gather
    from meterd.papers.report_paper import report_document
    from meterd.report import make_report

    plan, store = _plan(arguments)
    period, words = _period(arguments)
    _needs_file(arguments)
    material = gather(plan, store, period, words)
    document = report_document(plan.site, make_report(plan.site, material), _lang(arguments, plan))
    span, channels = material.span, material.intervals.channels
    for path, data in _files(arguments, document):
        _write(path, data)
        finished(
            Finished(
                f"{period}-report", words, hashlib.sha256(data).hexdigest(), channels, span.from_ms, span.known_ms, path
            )
        )
    return DONE


def run_costs(arguments: argparse.Namespace) -> int:
    """`meterd cost-allocation PLAN --month 2026-10`: a table, or with --pdf or --xlsx a paper."""
    from meterd import __version__
    from meterd.app.allocate import channels_of, statements
    from meterd.app.cli import _console
    from meterd.app.paper_data import period_of
    from meterd.app.query import Span as Wanted
    from meterd.app.query import kept_span, write
    from meterd.papers.allocation_paper import Allocated, allocation_document
    from meterd.report import Revision, Span
    from meterd.store.archive import ArchiveReader
    from meterd.store.sqlite import SqliteStore

    plan, path = _plan(arguments)
    if not plan.site.allocations:
        raise ConfigError("the plan allocates no cost; write [[allocation]] in site.toml, see README.md")
    period, words = _period(arguments)
    low, high = period_of(words, period, plan.site)
    with closing(SqliteStore.reader(path)) as store, closing(ArchiveReader(path)) as archive:
        found = statements(store, plan.site, period, Wanted(low, high))
        kept, schema = kept_span(store, plan.site), archive.schema
    span = Span(period, low, high, low if kept is None else kept.until_ms)
    if arguments.pdf is None and arguments.xlsx is None:
        empty = f"no allocation is made per {period}"
        lines = _cost_lines(found, plan.site, span)
        write(lines, arguments.format, _console(), title=f"Cost allocation {words} ({plan.site.zone})", empty=empty)
        return DONE
    made = Allocated(span, tuple(found), Revision(plan.fingerprint, __version__, schema))
    document = allocation_document(plan.site, made, _lang(arguments, plan))
    for file, data in _files(arguments, document):
        _write(file, data)
        digest = hashlib.sha256(data).hexdigest()
        finished(Finished("cost-allocation", words, digest, channels_of(plan.site), low, high, file))
    return DONE


def _cost_lines(found: "Iterable[Statement]", site: "Site", span: "Span") -> list[dict[str, object]]:
    """Lines for the terminal; what cannot be divided is one line that says why."""
    currency = {rule.name: rule.currency if rule.price is not None else "" for rule in site.allocations}
    lines: list[dict[str, object]] = []
    for made in found:
        common: dict[str, object] = {"allocation": made.allocation, "period": made.label}
        if not made.lines:
            why = "not over" if not span.over else f"missing: {' '.join(made.missing)}"
            lines.append(common | {"line": why, "energy_wh": None, "cost": None, "currency": "", "quality": "missing"})
        money = currency[made.allocation]
        lines += [
            common | _cost_line(line.name or line.kind, line.wh, line.cents, currency=money, estimated=line.estimated)
            for line in made.lines
        ]
        if made.lines:
            lines.append(common | _cost_line("total", made.wh, made.cents, currency=money, estimated=made.estimated))
    return lines


def _cost_line(name: str, wh: int, cents: int | None, *, currency: str, estimated: bool) -> dict[str, object]:
    cost = None if cents is None else f"{cents / 100:.2f}"
    quality = "estimated" if estimated else "good"
    return {"line": name, "energy_wh": float(wh), "cost": cost, "currency": currency, "quality": quality}


def _period(arguments: argparse.Namespace) -> tuple[Period, str]:
    return (Period.MONTH, arguments.month) if arguments.month else (Period.YEAR, arguments.year)


# -- acceptance, documents, labels ---------------------------------------------------------------------------------------


def run_acceptance(arguments: argparse.Namespace) -> int:
    """`meterd acceptance PLAN --point P --pdf FILE`."""
    from meterd.app.query import some_boards, some_points
    from meterd.papers.acceptance_paper import board_document, point_document
    from meterd.papers.pdf import pdf

    plan, store = _plan(arguments)
    _needs_file(arguments)
    site, paper = plan.site, _paper_plan(plan)
    if arguments.point:
        point = site.point(some_points(site, [arguments.point])[0])
        seen = _seen(site, store, [point], board=None)
        document = point_document(paper, point, seen, _lang(arguments, plan))
    else:
        name = some_boards(site, [arguments.board])[0]
        board = next(one for one in site.boards if one.name == name)
        document = board_document(paper, board, _seen(site, store, [], board=name), _lang(arguments, plan))
    _write(arguments.pdf, pdf(document))
    print(f"{arguments.pdf}: {document.title}")
    return DONE


def _seen(site: "Site", path: Path, points: "list[Point]", *, board: str | None) -> "Seen":
    """Newest readings of points and the newest closed day of a board; nothing where there is no store yet."""
    from meterd.papers.acceptance_paper import Read, Seen
    from meterd.store.sqlite import SqliteStore

    if not path.exists():
        return Seen({})
    names = {point.name for point in points}
    with closing(SqliteStore.reader(path)) as store:
        channels = [(one.point, one.register) for one in site.inputs if one.point in names]
        newest = {channel: found for channel in channels if (found := store.latest(channel)) is not None}
        days = store.span(Period.DAY) if board is not None else None
        rows = store.balances(board, Period.DAY, days[0], days[1] + 1) if board is not None and days is not None else []
    return Seen({channel: Read(*found) for channel, found in newest.items()}, rows[-1] if rows else None)


def run_documents(arguments: argparse.Namespace) -> int:
    """`meterd documents PLAN --pdf FILE --xlsx FILE`."""
    from meterd.papers.plan_paper import plan_document

    plan, _ = _plan(arguments)
    _needs_file(arguments)
    document = plan_document(_paper_plan(plan), _lang(arguments, plan))
    for path, data in _files(arguments, document):
        _write(path, data)
        print(f"{path}: {document.title}, plan {plan.fingerprint[:12]}")
    return DONE


def run_labels(arguments: argparse.Namespace) -> int:
    """`meterd labels PLAN --pdf FILE`."""
    from meterd.app.query import some_boards, some_points
    from meterd.papers.labels import label_pdf, labels_of

    plan, _ = _plan(arguments)
    _needs_file(arguments)
    site, paper = plan.site, _paper_plan(plan)
    names = some_points(site, arguments.point) if arguments.point else [point.name for point in site.points]
    boards = some_boards(site, arguments.board)
    points = [site.point(name) for name in names if site.point(name).board in boards]
    lang = _lang(arguments, plan)
    labels = labels_of(paper, points, lang)
    _write(arguments.pdf, label_pdf(paper, labels, lang))
    print(f"{arguments.pdf}: {len(labels)} labels")
    return DONE


# -- shared --------------------------------------------------------------------------------------------------------------


def _plan(arguments: argparse.Namespace) -> "tuple[Plan, Path]":
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path

    plan = load_plan(arguments.plan)
    return plan, getattr(arguments, "store", None) or store_path(arguments.plan, plan.site)


def _paper_plan(plan: "Plan") -> "PaperPlan":
    from meterd import __version__
    from meterd.papers.acceptance_paper import Plan as PaperPlan

    return PaperPlan(plan.site, plan.fingerprint, __version__)


def _lang(arguments: argparse.Namespace, plan: "Plan") -> str:
    return str(arguments.lang or plan.site.page.language)


def _needs_file(arguments: argparse.Namespace) -> None:
    if arguments.pdf is None and getattr(arguments, "xlsx", None) is None:
        ways = "--pdf FILE" + (" or --xlsx FILE" if hasattr(arguments, "xlsx") else "")
        raise ConfigError(f"say where the paper goes: {ways}")


def _files(arguments: argparse.Namespace, document: "Document") -> Iterable[tuple[Path, bytes]]:
    from meterd.papers.pdf import pdf
    from meterd.papers.xlsx import workbook

    if arguments.pdf is not None:
        yield arguments.pdf, pdf(document)
    if arguments.xlsx is not None:
        yield arguments.xlsx, workbook(document)


def _write(path: Path, data: bytes) -> None:
    """Whole or not at all: who opens the file sees the old one or the new one."""
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_bytes(data)
        partial.replace(path)
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc.strerror}; name a file in a folder that can be written") from exc
