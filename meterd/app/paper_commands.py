"""`meterd report`, `cost-allocation`, `acceptance`, `documents` and `labels`: papers of a site as PDF and workbook."""

import argparse
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.errors import ConfigError, StoreError
from meterd.interval import Period

if TYPE_CHECKING:
    from meterd.app.config import Plan
    from meterd.app.paper_making import Made, When
    from meterd.cost_allocation import Statement
    from meterd.papers.document import Document
    from meterd.report import Span
    from meterd.site import Site

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
    parser.add_argument("--by", metavar="PERSON", help="who gives it out; default: the user of this terminal")


# -- report and cost allocation ------------------------------------------------------------------------------------------


def run_report(arguments: argparse.Namespace) -> int:
    """`meterd report PLAN --month 2026-10 --pdf FILE --xlsx FILE`."""
    from meterd.app.paper_making import report

    plan, store = _plan(arguments)
    asked = _when(arguments)
    _needs_file(arguments)
    _give(arguments, plan, store, made=report(plan, store, asked, lang=_lang(arguments, plan)))
    return DONE


def run_costs(arguments: argparse.Namespace) -> int:
    """`meterd cost-allocation PLAN --month 2026-10`: a table, or with --pdf or --xlsx a paper."""
    from meterd.app.cli import _console
    from meterd.app.paper_making import costs, costs_of
    from meterd.app.query import write

    plan, store = _plan(arguments)
    asked = _when(arguments)
    if arguments.pdf is None and arguments.xlsx is None:
        found = costs_of(plan, store, asked)
        empty = f"no allocation is made per {asked.period}"
        title = f"Cost allocation {asked.words} ({plan.site.zone})"
        lines = _cost_lines(found.statements, plan.site, found.span)
        write(lines, arguments.format, _console(), title=title, empty=empty)
        return DONE
    _give(arguments, plan, store, made=costs(plan, store, asked, lang=_lang(arguments, plan)))
    return DONE


def _give(arguments: argparse.Namespace, plan: "Plan", store: Path, *, made: "Made") -> None:
    """Write the files of a paper. A file gets its name when it is recorded that it was given out."""
    from meterd.app.clock import WallClock
    from meterd.app.finding_commands import user
    from meterd.app.paper_making import Given, give_out

    person = arguments.by or user()
    for path, data in _files(arguments, made.document):
        given = Given(person, WallClock().now_ms())
        words = _write(path, data, lambda data=data, given=given: give_out(plan, store, made, data, given))  # type: ignore[misc]
        print(f"{path}: {words}")


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


def _when(arguments: argparse.Namespace) -> "When":
    from meterd.app.paper_making import When

    return When(Period.MONTH, arguments.month) if arguments.month else When(Period.YEAR, arguments.year)


# -- acceptance, documents, labels ---------------------------------------------------------------------------------------


def run_acceptance(arguments: argparse.Namespace) -> int:
    """`meterd acceptance PLAN --point P --pdf FILE`."""
    from meterd.app.paper_making import acceptance_of_board, acceptance_of_point, rendered

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
    from meterd.app.paper_making import documents

    plan, _ = _plan(arguments)
    _needs_file(arguments)
    document = documents(plan, lang=_lang(arguments, plan))
    for path, data in _files(arguments, document):
        _write(path, data)
        print(f"{path}: {document.title}, plan {plan.fingerprint[:12]}")
    return DONE


def run_labels(arguments: argparse.Namespace) -> int:
    """`meterd labels PLAN --pdf FILE`."""
    from meterd.app.paper_making import labels

    plan, _ = _plan(arguments)
    _needs_file(arguments)
    count, data = labels(plan, arguments.point, arguments.board, lang=_lang(arguments, plan))
    _write(arguments.pdf, data)
    print(f"{arguments.pdf}: {count} labels")
    return DONE


# -- shared --------------------------------------------------------------------------------------------------------------


def _plan(arguments: argparse.Namespace) -> "tuple[Plan, Path]":
    from meterd.app.config import load_plan
    from meterd.app.daemon import store_path

    plan = load_plan(arguments.plan)
    return plan, getattr(arguments, "store", None) or store_path(arguments.plan, plan.site)


def _lang(arguments: argparse.Namespace, plan: "Plan") -> str:
    return str(arguments.lang or plan.site.page.language)


def _needs_file(arguments: argparse.Namespace) -> None:
    if arguments.pdf is None and getattr(arguments, "xlsx", None) is None:
        ways = "--pdf FILE" + (" or --xlsx FILE" if hasattr(arguments, "xlsx") else "")
        raise ConfigError(f"say where the paper goes: {ways}")


def _files(arguments: argparse.Namespace, document: "Document") -> Iterable[tuple[Path, bytes]]:
    from meterd.app.paper_making import rendered

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
        words = before()
        partial.replace(path)
    except OSError as exc:
        raise StoreError(f"cannot write {path}: {exc.strerror}; name a file in a folder that can be written") from exc
    finally:
        with suppress(OSError):
            partial.unlink()
    return words
