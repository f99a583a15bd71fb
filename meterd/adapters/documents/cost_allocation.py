"""The cost allocations of a month or year as a document."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from zoneinfo import ZoneInfo

from meterd.adapters.documents.cells import period_name
from meterd.adapters.documents.formats import moment
from meterd.adapters.documents.model import Block, Cell, Column, Document, Facts, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.report_quality import cautions
from meterd.adapters.documents.texts import Texts
from meterd.core.model.periods import Period
from meterd.core.model.plan import Allocation, Site
from meterd.core.reports.content import Revision, Span
from meterd.core.reports.cost_allocation import Line, Statement


@dataclass(frozen=True, slots=True)
class Allocated:
    """What goes into the document: the period, its statements, and what they were made from."""

    span: Span
    statements: tuple[Statement, ...]
    revision: Revision


def allocation_document(site: Site, made: Allocated, lang: str) -> Document:
    """The whole document, a chapter for each allocation of the plan."""
    texts = Texts(lang)
    name = period_name(made.span.period, made.span.from_ms, ZoneInfo(site.zone), texts)
    title = texts("allocation-title", period=name, site=site.title or site.name)
    blocks: list[Block] = [_about(site, made, texts, name=name)]
    statements = {statement.allocation: statement for statement in made.statements}
    for rule in site.allocations:
        blocks.append(Heading(rule.title or rule.name))
        if rule.name in statements:
            blocks += _chapter(
                site,
                rule,
                statements[rule.name],
                why_not=_why_not(site, made, statements[rule.name], texts),
                texts=texts,
            )
        else:
            blocks.append(Text(texts("no-statement", name=rule.title or rule.name)))
    blocks += [Text(texts("allocation-note"), "note"), *cautions(texts)]
    foot = texts("foot", site=site.name, plan=made.revision.plan[:12], program=made.revision.program)
    return Document(title, texts("allocation"), lang, site.zone, foot, texts.pattern("page"), tuple(blocks))


def _about(site: Site, made: Allocated, texts: Texts, *, name: str) -> Facts:
    return Facts(
        texts("about"),
        (
            (texts("site"), f"{site.title or site.name} ({site.name})"),
            (texts("period"), texts("span", name=name, zone=site.zone)),
            (texts("from"), Moment(made.span.from_ms)),
            (texts("until"), Moment(made.span.until_ms)),
            (texts("revision"), made.revision.plan[:12]),
            (texts("program"), texts("program-is", version=made.revision.program, schema=made.revision.schema)),
        ),
    )


def _why_not(site: Site, made: Allocated, statement: Statement, texts: Texts) -> str:
    """Why nothing can be divided: the calendar before single meters."""
    span, zone = made.span, ZoneInfo(site.zone)
    if not span.over:
        key = "not-yet-year" if span.period is Period.YEAR else "not-yet"
        return texts(key, time=moment(Moment(span.known_ms), texts.lang, zone))
    if span.begun_ms is not None:
        return texts("not-whole", time=moment(Moment(span.begun_ms), texts.lang, zone))
    return texts("not-divided", points=", ".join(statement.missing))


def _chapter(site: Site, rule: Allocation, made: Statement, *, why_not: str, texts: Texts) -> Iterator[Block]:
    pot = (
        texts("pot-board", board=next((b.title for b in site.boards if b.name == rule.board), "") or rule.board)
        if rule.board
        else texts("pot-points", points=", ".join(site.point(p).title or p for p in rule.points))
    )
    pairs: list[tuple[str, Cell]] = [
        (texts("pot"), pot),
        (texts("basis"), texts(f"basis-{rule.basis}", use=rule.use_percent, area=100 - rule.use_percent)),
        (texts("per"), texts(f"per-{rule.per}")),
    ]
    if rule.price == "tariff":
        pairs.append((texts("price"), _mean_price(rule, made, texts)))
    elif rule.price is not None:
        pairs.append((texts("price"), Number(float(rule.price), _decimals(rule.price), rule.currency)))
    if made.lines:
        pairs.append((texts("rest"), Number(made.rest_mwh / 1000, 3, "Wh")))
    yield Facts(texts("allocation"), tuple(pairs))
    if not made.lines:
        yield Text(why_not, "caution")
        return
    yield _table(rule, made, texts)


def _mean_price(rule: Allocation, made: Statement, texts: Texts) -> str:
    """By the tariff, and what that comes to per kWh."""
    if not made.wh or made.cents is None:
        return texts("price-tariff")
    return texts("price-tariff-is", mean=texts.number(made.cents / made.wh * 10, 4), currency=rule.currency)


def _decimals(price: Fraction) -> int:
    """As many decimals of the price as it has, at least two."""
    return next(places for places in range(2, 13) if places == 12 or (price * 10**places) % 1 == 0)


def _table(rule: Allocation, made: Statement, texts: Texts) -> Table:
    by = [name for name, there in (("use", "use_wh"), ("area", "area_m2"), ("weight", "weight")) if _any(made, there)]
    columns = [Column(texts("tenant"), 62)]
    if "use" in by:
        columns.append(Column(texts("use"), 28, "right"))
    if "area" in by:
        columns.append(Column(texts("area-m2"), 18, "right"))
    if "weight" in by:
        columns.append(Column(texts("weight"), 18, "right"))
    columns += [Column(texts("allocated"), 28, "right")]
    if rule.price is not None:
        columns.append(Column(texts("cost", currency=rule.currency), 24, "right"))
    columns.append(Column(texts("data-state"), 22))
    rows = [_row(line, by, texts, priced=rule.price is not None) for line in made.lines]
    rows.append(_sum_row(made, by, texts, priced=rule.price is not None))
    return Table(rule.title or rule.name, tuple(columns), tuple(rows), sums=1)


def _any(made: Statement, field: str) -> bool:
    return any(getattr(line, field) is not None for line in made.lines)


def _row(line: Line, by: Sequence[str], texts: Texts, *, priced: bool) -> tuple[Cell, ...]:
    name = line.name if line.kind == "tenant" else texts(f"{line.kind}-line")
    values: dict[str, Cell] = {
        "use": "" if line.use_wh is None else Number(line.use_wh / 1000, 3),
        "area": "" if line.area_m2 is None else Number(float(line.area_m2), 1),
        "weight": "" if line.weight is None else Number(line.weight, 0),
    }
    state = texts("estimated") if line.estimated else texts("good")
    return (name, *(values[item] for item in by), *_energy(line.wh, line.cents, texts, priced=priced), state)


def _sum_row(made: Statement, by: Sequence[str], texts: Texts, *, priced: bool) -> tuple[Cell, ...]:
    state = texts("estimated") if made.estimated else texts("good")
    return (texts("total"), *("" for _ in by), *_energy(made.wh, made.cents, texts, priced=priced), state)


def _energy(wh: int, cents: int | None, texts: Texts, *, priced: bool) -> tuple[Cell, ...]:
    cost = texts("missing") if cents is None else Number(cents / 100, 2)
    return (Number(wh / 1000, 3), cost) if priced else (Number(wh / 1000, 3),)
