"""The statement of one tenant: energies of its points, what they would cost by the tariff, its part of shared costs."""

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from meterd.adapters.documents.cells import amount, kilowatt, percent, period_name
from meterd.adapters.documents.formats import moment
from meterd.adapters.documents.model import Block, Cell, Column, Document, Facts, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.report import quality_words
from meterd.adapters.documents.report_cost import MG_PER_KG, bill_table, division_words, money_of_coins
from meterd.adapters.documents.report_quality import cautions
from meterd.adapters.documents.texts import Words
from meterd.adapters.texts import wording
from meterd.core.energy.divided_price import DividedPrice
from meterd.core.energy.tariff import in_coins
from meterd.core.model.plan import Allocation, Site
from meterd.core.model.tariff import PriceKind
from meterd.core.reports.cost_allocation import Line
from meterd.core.reports.tenant_statement import SharedCost, TenantStatement


def statement_document(site: Site, made: TenantStatement, lang: str) -> Document:
    """The whole document."""
    words = Words(lang)
    zone = ZoneInfo(site.zone)
    name = period_name(made.span.period, made.span.from_ms, zone, words)
    title = words("statement-title", tenant=made.tenant, period=name, site=site.title or site.name)
    blocks = (*_head(site, made, words, name=name), *_energies(site, made, words), *_cost(made, words, zone),
              *_shared(site, made, words), *cautions(words))  # fmt: skip
    foot = words("foot", site=site.name, plan=made.revision.plan[:12], program=made.revision.program)
    return Document(title, words("statement"), lang, site.zone, foot, words.pattern("page"), blocks)


def _head(site: Site, made: TenantStatement, words: Words, *, name: str) -> Iterator[Block]:
    yield Facts(
        words("about"),
        (
            (words("tenant"), made.tenant),
            (words("site"), f"{site.title or site.name} ({site.name})"),
            (words("period"), words("span", name=name, zone=site.zone)),
            (words("from"), Moment(made.span.from_ms)),
            (words("until"), Moment(made.span.until_ms)),
            (words("newest"), Moment(min(made.span.known_ms, made.span.until_ms))),
            (words("revision"), made.revision.plan[:12]),
        ),
    )
    if made.span.begun_ms is not None:
        yield Text(words("begun", time=moment(Moment(made.span.begun_ms), words.lang, ZoneInfo(site.zone))), "caution")
    if not made.span.over:
        yield Text(words("not-over"), "caution")


def _energies(site: Site, made: TenantStatement, words: Words) -> Iterator[Block]:
    titles = wording.point_titles(site)
    yield Heading(words("statement-energies"))
    columns = (
        Column(words("point"), 62), Column(words("imported"), 28, "right"), Column(words("peak"), 20, "right"),
        Column(words("peak-when"), 32), Column(words("quality"), 36),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = [
        (titles[line.point.name], amount(line.imported, words), *kilowatt(line.peak, words), quality_words(line, words))
        for line in made.points
    ]
    rows.append((words("total"), amount(made.energy, words), "", "", ""))
    yield Table(words("statement-energies"), columns, tuple(rows), sums=1)


def _cost(made: TenantStatement, words: Words, zone: ZoneInfo) -> Iterator[Block]:
    if made.cost is None:
        return
    yield Heading(words("statement-cost"))
    lines = [line for line in made.cost.lines if line.price.kind is PriceKind.IMPORT]
    yield bill_table(words("statement-cost"), lines, made.cost.amount, made.currency, words)
    if made.with_carbon:
        mass = made.cost.carbon
        kilograms: Cell = words("missing") if mass is None else Number(mass / MG_PER_KG, 1, "kg")
        yield Facts(words("carbon"), ((words("carbon"), kilograms),))
    if made.divided:
        yield Heading(words("cost-divided"), 2)
        yield _parts_table(made, words, zone)
    yield Text(words("statement-cost-note"), "note")


def _parts_table(made: TenantStatement, words: Words, zone: ZoneInfo) -> Table:
    """The parts of demand and fixed prices, then the sum of all costs, in coins that add up."""
    columns = (
        Column(words("cost-line"), 44), Column(words("cost-division"), 78),
        Column(words("part"), 22, "right"), Column(words("cost-amount", currency=made.currency), 30, "right"),
    )  # fmt: skip
    coins = in_coins([None if made.cost is None else made.cost.amount, *(own.parts[0] for own in made.divided)])
    rows: list[tuple[Cell, ...]] = [(words("statement-energy"), "", "", money_of_coins(coins[0], words))]
    rows += [
        (own.price.name, division_words(own, words, zone), _share(own, words), money_of_coins(amount, words))
        for own, amount in zip(made.divided, coins[1:], strict=True)
    ]
    known = [value for value in coins if value is not None]
    whole = sum(known) if len(known) == len(coins) else None
    rows.append((words("total"), "", "", money_of_coins(whole, words)))
    return Table(words("cost-divided"), columns, tuple(rows), sums=1)


def _share(own: DividedPrice, words: Words) -> Cell:
    part = own.parts[0]
    return percent(part / own.amount if part is not None and own.amount else None, words)


def _shared(site: Site, made: TenantStatement, words: Words) -> Iterator[Block]:
    rules = {rule.name: rule for rule in site.allocations}
    known = [(rules[item.allocation], item) for item in made.shared]
    if not known:
        return
    yield Heading(words("statement-shared"))
    columns = (
        Column(words("allocation"), 50), Column(words("basis"), 52), Column(words("allocated"), 26, "right"),
        Column(words("part"), 20, "right"), Column(words("statement-amount"), 30, "right"),
    )  # fmt: skip
    rows = tuple(_shared_row(rule, item, words, over=made.span.over) for rule, item in known)
    yield Table(words("statement-shared"), columns, rows)
    yield Text(words("statement-shared-note"), "note")


def _shared_row(rule: Allocation, item: SharedCost, words: Words, *, over: bool) -> tuple[Cell, ...]:
    basis = words(f"basis-{rule.basis}", use=rule.use_percent, area=100 - rule.use_percent)
    if item.line is None:
        gone = words("missing" if over else "shared-not-yet")
        return (rule.title or rule.name, basis, gone, "", gone if rule.price else "")
    part = percent(item.line.wh / item.wh if item.wh else None, words)
    return (rule.title or rule.name, basis, Number(item.line.wh / 1000, 3), part, _amount(rule, item.line, words))


def _amount(rule: Allocation, line: Line, words: Words) -> Cell:
    if rule.price is None:
        return ""
    return words("missing") if line.cents is None else Number(line.cents / 100, 2, rule.currency)
