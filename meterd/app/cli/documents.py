"""`meterd report`, `cost-allocation`, `acceptance`, `documents` and `labels`: documents of a site as PDF and workbook."""

import argparse
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.documents.model import Document
from meterd.adapters.planfile.loader import Plan, load_plan, store_path
from meterd.adapters.runtime.clock import WallClock
from meterd.app.cli.commands import Subparsers, command
from meterd.app.cli.findings import user
from meterd.app.cli.output import terminal, write
from meterd.app.operations.documents import (
    CalendarPeriod,
    IssuedDocument,
    Recipient,
    acceptance_of_board,
    acceptance_of_point,
    costs,
    costs_of,
    documents,
    give_out,
    labels,
    rendered,
    report,
    statement,
)
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import Period, local
from meterd.core.model.plan import Site
from meterd.core.reports.content import Span
from meterd.core.reports.cost_allocation import Statement

DONE = 0
LANGUAGES = ("en", "de")


def add(commands: Subparsers) -> None:
    """The commands and their options."""
    report = _command(commands, "report", run_report)
    _add_period(report)
    report.add_argument("--tenant", metavar="NAME", help="the statement of this tenant instead")
    costs = _command(commands, "cost-allocation", run_costs)
    _add_period(costs)
    costs.add_argument("--format", choices=("table", "csv", "json"), default="table", help="default: table, in kWh")
    form = _command(commands, "acceptance", run_acceptance)
    what = form.add_mutually_exclusive_group(required=True)
    what.add_argument("--point", metavar="NAME", help="a metering point")
    what.add_argument("--board", metavar="NAME", help="a board with its points and balance")
    _command(commands, "documents", run_documents)
    labels = _command(commands, "labels", run_labels)
    labels.add_argument("--point", action="append", default=[], metavar="NAME", help="only this point; repeat for more")
    labels.add_argument(
        "--board", action="append", default=[], metavar="NAME", help="only of this board; repeat for more"
    )


def _command(commands: Subparsers, name: str, work: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
    parser = command(commands, name, work, store=name in ("report", "cost-allocation", "acceptance"))
    parser.add_argument("--lang", choices=LANGUAGES, help="language of the document; default: that of [page], or en")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="write it there as PDF")
    if name in ("report", "cost-allocation", "documents"):
        parser.add_argument("--xlsx", type=Path, metavar="FILE", help="write it there as a workbook")
    return parser


def _add_period(parser: argparse.ArgumentParser) -> None:
    period = parser.add_mutually_exclusive_group(required=True)
    period.add_argument("--month", metavar="YYYY-MM", help="local month of the site")
    period.add_argument("--year", metavar="YYYY", help="local year of the site")
    parser.add_argument("--by", metavar="PERSON", help="who issues it; default: the user of this terminal")


# -- report and cost allocation ----------------------------------------------------------------------------------------


def run_report(arguments: argparse.Namespace) -> int:
    """`meterd report PLAN --month 2026-10 --pdf FILE --xlsx FILE`, with --tenant the statement of one."""
    plan, store = _plan(arguments)
    asked = _when(arguments)
    _needs_file(arguments)
    lang = _lang(arguments, plan)
    if arguments.tenant is not None:
        document = statement(plan, store, asked, arguments.tenant, lang=lang)
    else:
        document = report(plan, store, asked, lang=lang)
    _give(arguments, plan, store, document=document)
    return DONE


def run_costs(arguments: argparse.Namespace) -> int:
    """`meterd cost-allocation PLAN --month 2026-10`: a table, or with --pdf or --xlsx a document."""
    plan, store = _plan(arguments)
    asked = _when(arguments)
    if arguments.pdf is None and arguments.xlsx is None:
        result = costs_of(plan, store, asked)
        empty = f"no allocation is made per {asked.period}"
        title = f"Cost allocation {asked.words} ({plan.site.zone})"
        lines = _cost_lines(result.statements, plan.site, result.span)
        write(lines, arguments.format, terminal(), title=title, empty=empty)
        return DONE
    _give(arguments, plan, store, document=costs(plan, store, asked, lang=_lang(arguments, plan)))
    return DONE


def _give(arguments: argparse.Namespace, plan: Plan, store: Path, *, document: IssuedDocument) -> None:
    """Write the files of a document. A file gets its name when it is recorded that it was issued."""
    person = arguments.by or user()
    for path, data in _files(arguments, document.document):
        recipient = Recipient(person, WallClock().now_ms())
        text = _write(path, data, lambda data=data, given=recipient: give_out(plan, store, document, data, given))  # type: ignore[misc]
        print(f"{path}: {text}")


def _cost_lines(statements: Iterable[Statement], site: Site, span: Span) -> list[dict[str, object]]:
    """Lines for the terminal; what cannot be divided is one line that says why."""
    currency = {rule.name: rule.currency if rule.price is not None else "" for rule in site.allocations}
    lines: list[dict[str, object]] = []
    for made in statements:
        common: dict[str, object] = {"allocation": made.allocation, "period": made.label}
        if not made.lines:
            why = f"missing: {' '.join(made.missing)}"
            if not span.over:
                why = "not over"
            elif span.begun_ms is not None:
                why = f"the history begins on {local(span.begun_ms, ZoneInfo(site.zone)):%Y-%m-%d}"
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


def _when(arguments: argparse.Namespace) -> CalendarPeriod:
    return (
        CalendarPeriod(Period.MONTH, arguments.month)
        if arguments.month
        else CalendarPeriod(Period.YEAR, arguments.year)
    )


# -- acceptance, documents, labels -------------------------------------------------------------------------------------


def run_acceptance(arguments: argparse.Namespace) -> int:
    """`meterd acceptance PLAN --point P --pdf FILE`."""
    plan, store = _plan(arguments)
    _needs_file(arguments)
    lang = _lang(arguments, plan)
    if arguments.point:
        document = acceptance_of_point(plan, store, arguments.point, lang=lang)
    else:
        document = acceptance_of_board(plan, store, arguments.board, lang=lang)
    _write(arguments.pdf, rendered(document, "pdf"))
    print(f"{arguments.pdf}: {document.title}")
    return DONE


def run_documents(arguments: argparse.Namespace) -> int:
    """`meterd documents PLAN --pdf FILE --xlsx FILE`."""
    plan, _ = _plan(arguments)
    _needs_file(arguments)
    document = documents(plan, lang=_lang(arguments, plan))
    for path, data in _files(arguments, document):
        _write(path, data)
        print(f"{path}: {document.title}, plan {plan.fingerprint[:12]}")
    return DONE


def run_labels(arguments: argparse.Namespace) -> int:
    """`meterd labels PLAN --pdf FILE`."""
    plan, _ = _plan(arguments)
    _needs_file(arguments)
    count, data = labels(plan, arguments.point, arguments.board, lang=_lang(arguments, plan))
    _write(arguments.pdf, data)
    print(f"{arguments.pdf}: {count} labels")
    return DONE


# -- shared ------------------------------------------------------------------------------------------------------------


def _plan(arguments: argparse.Namespace) -> tuple[Plan, Path]:
    plan = load_plan(arguments.plan)
    return plan, getattr(arguments, "store", None) or store_path(arguments.plan, plan.site)


def _lang(arguments: argparse.Namespace, plan: Plan) -> str:
    return str(arguments.lang or plan.site.page.language)


def _needs_file(arguments: argparse.Namespace) -> None:
    if arguments.pdf is None and getattr(arguments, "xlsx", None) is None:
        ways = "--pdf FILE" + (" or --xlsx FILE" if hasattr(arguments, "xlsx") else "")
        raise ConfigError(f"give a file for the document: {ways}")


def _files(arguments: argparse.Namespace, document: Document) -> Iterable[tuple[Path, bytes]]:
    for form in ("pdf", "xlsx"):
        if (path := getattr(arguments, form, None)) is not None:
            yield path, rendered(document, form)


def _write(path: Path, data: bytes, before: Callable[[], str] = str) -> str:
    """Whole or not at all: who opens the file sees the old one or the new one.

    `before` is done when the content lies on the disk under another name; if it raises, there is no new file. Returns its words.
    """
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_bytes(data)
        text = before()
        partial.replace(path)
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc.strerror}; name a file in a folder that can be written") from exc
    finally:
        with suppress(OSError):
            partial.unlink()
    return text
