"""The statement of one tenant: energies of its points, what they would cost by the tariff, its part of shared costs."""

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from meterd.adapters.documents.cells import amount, kilowatt, percent, period_name
from meterd.adapters.documents.formats import moment
from meterd.adapters.documents.model import Block, Cell, Column, Document, Facts, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.report import quality_words
from meterd.adapters.documents.report_cost import MG_PER_KG, bill_table, division_words, money_of_coins
from meterd.adapters.documents.report_quality import cautions
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts import wording
from meterd.core.energy.divided_price import DividedPrice
from meterd.core.energy.tariff import each_in_coins
from meterd.core.model.plan import Allocation, Site
from meterd.core.model.tariff import PriceKind
from meterd.core.reports.cost_allocation import Line
from meterd.core.reports.tenant_statement import SharedCost, TenantStatement


def statement_document(site: Site, made: TenantStatement, lang: str) -> Document:
    """The whole document."""
    texts = Texts(lang)
    zone = ZoneInfo(site.zone)
    name = period_name(made.span.period, made.span.from_ms, zone, texts)
    title = texts("statement-title", tenant=made.tenant, period=name, site=site.title or site.name)
    blocks = (*_head(site, made, texts, name=name), *_energies(site, made, texts), *_cost(made, texts, zone),
              *_shared(site, made, texts), *cautions(texts))  # fmt: skip
    foot = texts("foot", site=site.name, plan=made.revision.plan[:12], program=made.revision.program)
    return Document(title, texts("statement"), lang, site.zone, foot, texts.pattern("page"), blocks)


def _head(site: Site, made: TenantStatement, texts: Texts, *, name: str) -> Iterator[Block]:
    yield Facts(
        texts("about"),
        (
            (texts("tenant"), made.tenant),
            (texts("site"), f"{site.title or site.name} ({site.name})"),
            (texts("period"), texts("span", name=name, zone=site.zone)),
            (texts("from"), Moment(made.span.from_ms)),
            (texts("until"), Moment(made.span.until_ms)),
            (texts("newest"), Moment(min(made.span.known_ms, made.span.until_ms))),
            (texts("revision"), made.revision.plan[:12]),
        ),
    )
    if made.span.begun_ms is not None:
        yield Text(texts("begun", time=moment(Moment(made.span.begun_ms), texts.lang, ZoneInfo(site.zone))), "caution")
    if not made.span.over:
        yield Text(texts("not-over"), "caution")


def _energies(site: Site, made: TenantStatement, texts: Texts) -> Iterator[Block]:
    titles = wording.point_titles(site)
    yield Heading(texts("statement-energies"))
    columns = (
        Column(texts("point"), 62), Column(texts("imported"), 28, "right"), Column(texts("peak"), 20, "right"),
        Column(texts("peak-when"), 32), Column(texts("quality"), 36),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = [
        (titles[line.point.name], amount(line.imported, texts), *kilowatt(line.peak, texts), quality_words(line, texts))
        for line in made.points
    ]
    rows.append((texts("total"), amount(made.energy, texts), "", "", ""))
    yield Table(texts("statement-energies"), columns, tuple(rows), sums=1)


def _cost(made: TenantStatement, texts: Texts, zone: ZoneInfo) -> Iterator[Block]:
    if made.cost is None:
        return
    yield Heading(texts("statement-cost"))
    lines = [line for line in made.cost.lines if line.price.kind is PriceKind.IMPORT]
    yield bill_table(texts("statement-cost"), lines, made.cost.amount, made.currency, texts)
    if made.with_carbon:
        mass = made.cost.carbon
        kilograms: Cell = texts("missing") if mass is None else Number(mass / MG_PER_KG, 1, "kg")
        yield Facts(texts("carbon"), ((texts("carbon"), kilograms),))
    if made.divided:
        yield Heading(texts("cost-divided"), 2)
        yield _parts_table(made, texts, zone)
    if made.cost.at_least:
        yield Text(texts("statement-at-least"), "caution")
    yield Text(texts("statement-cost-note"), "note")


def _parts_table(made: TenantStatement, texts: Texts, zone: ZoneInfo) -> Table:
    """The parts of demand and fixed prices, then the sum of all costs as they are shown."""
    columns = (
        Column(texts("cost-line"), 44), Column(texts("cost-division"), 78),
        Column(texts("part"), 22, "right"), Column(texts("cost-amount", currency=made.currency), 30, "right"),
    )  # fmt: skip
    costs = [None if made.cost is None else made.cost.amount, *(own.parts[0] for own in made.divided)]
    coins = each_in_coins(costs)
    rows: list[tuple[Cell, ...]] = [(texts("statement-energy"), "", "", money_of_coins(coins[0], texts))]
    rows += [
        (own.price.name, division_words(own, texts, zone), _share(own, texts), money_of_coins(amount, texts))
        for own, amount in zip(made.divided, coins[1:], strict=True)
    ]
    known = [value for value in coins if value is not None]
    whole = sum(known) if len(known) == len(coins) else None
    rows.append((texts("total"), "", "", money_of_coins(whole, texts)))
    return Table(texts("cost-divided"), columns, tuple(rows), sums=1)


def _share(own: DividedPrice, texts: Texts) -> Cell:
    part = own.parts[0]
    return percent(part / own.amount if part is not None and own.amount else None, texts)


def _shared(site: Site, made: TenantStatement, texts: Texts) -> Iterator[Block]:
    rules = {rule.name: rule for rule in site.allocations}
    known = [(rules[item.allocation], item) for item in made.shared]
    if not known:
        return
    yield Heading(texts("statement-shared"))
    columns = (
        Column(texts("allocation"), 50), Column(texts("basis"), 52), Column(texts("allocated"), 26, "right"),
        Column(texts("part"), 20, "right"), Column(texts("statement-amount"), 30, "right"),
    )  # fmt: skip
    rows = tuple(_shared_row(rule, item, texts, over=made.span.over) for rule, item in known)
    yield Table(texts("statement-shared"), columns, rows)
    yield Text(texts("statement-shared-note"), "note")


def _shared_row(rule: Allocation, item: SharedCost, texts: Texts, *, over: bool) -> tuple[Cell, ...]:
    basis = texts(f"basis-{rule.basis}", use=rule.use_percent, area=100 - rule.use_percent)
    if item.line is None:
        gone = texts("missing" if over else "shared-not-yet")
        return (rule.title or rule.name, basis, gone, "", gone if rule.price else "")
    part = percent(item.line.wh / item.wh if item.wh else None, texts)
    return (rule.title or rule.name, basis, Number(item.line.wh / 1000, 3), part, _amount(rule, item.line, texts))


def _amount(rule: Allocation, line: Line, texts: Texts) -> Cell:
    if rule.price is None:
        return ""
    return texts("missing") if line.cents is None else Number(line.cents / 100, 2, rule.currency)
