"""The month's or year's report as a document."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from meterd.adapters.documents.cells import (
    MWH_PER_KWH,
    amount,
    kilowatt,
    kwh,
    none_or,
    percent,
    percents_of,
    period_name,
    step_name,
    titled_points,
    without_empty,
)
from meterd.adapters.documents.formats import moment
from meterd.adapters.documents.model import (
    Bars,
    Block,
    Cell,
    Column,
    Document,
    Facts,
    Heading,
    Moment,
    Number,
    Series,
    Table,
    Text,
)
from meterd.adapters.documents.report_comparison import comparison_blocks
from meterd.adapters.documents.report_cost import cost_blocks, money
from meterd.adapters.documents.report_courses import course_blocks
from meterd.adapters.documents.report_forecast import forecast_blocks
from meterd.adapters.documents.report_performance import performance_blocks
from meterd.adapters.documents.report_quality import cautions, quality_blocks
from meterd.adapters.documents.report_savings import savings_blocks
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts import wording
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import Period
from meterd.core.model.plan import Role, Site
from meterd.core.model.results import PvRow
from meterd.core.reports.content import BoardLine, PvPart, Report
from meterd.core.reports.figures import Group, PointLine


@dataclass(frozen=True, slots=True)
class _ReportBuilder:
    """One report in one language while its blocks are made."""

    site: Site
    report: Report
    texts: Texts

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    def titled(self, names: Iterable[str]) -> str:
        """Points and boards by their titles."""
        return titled_points(names, self.site)

    @property
    def name(self) -> str:
        return period_name(self.report.span.period, self.report.span.from_ms, self.zone, self.texts)


def report_document(site: Site, report: Report, lang: str) -> Document:
    """The whole document."""
    texts = Texts(lang)
    builder = _ReportBuilder(site, report, texts)
    title = texts("report-title", period=builder.name, site=site.title or site.name)
    blocks = (
        *_head(builder), *_glance(builder), *_comparison(builder), *_balance(builder), *_points(builder),
        *_groups(builder), *_demand(builder), *_pv(builder), *cost_blocks(report.cost, texts, builder.zone),
        *savings_blocks(site, report, texts), *performance_blocks(site, report, texts),
        *forecast_blocks(report, texts),
        *quality_blocks(site, report, texts), *cautions(texts),
    )  # fmt: skip
    foot = texts("foot", site=site.name, plan=report.revision.plan[:12], program=report.revision.program)
    return Document(title, texts("report"), lang, site.zone, foot, texts.pattern("page"), blocks)


# -- head --------------------------------------------------------------------------------------------------------------


def _head(builder: _ReportBuilder) -> Iterator[Block]:
    texts, span, revision = builder.texts, builder.report.span, builder.report.revision
    changed = sum(change.figures for change in builder.report.changes)
    versions = texts("versions-first") if not changed else texts("versions-changed", count=changed)
    yield Facts(
        texts("about"),
        (
            (texts("site"), f"{builder.site.title or builder.site.name} ({builder.site.name})"),
            (texts("period"), texts("span", name=builder.name, zone=builder.site.zone)),
            (texts("from"), Moment(span.from_ms)),
            (texts("until"), Moment(span.until_ms)),
            (texts("newest"), Moment(min(span.known_ms, span.until_ms))),
            (texts("interval"), Number(builder.site.interval_s / 60, 0, "min")),
            (texts("data-versions"), versions),
            (texts("revision"), revision.plan[:12]),
            (texts("program"), texts("program-is", version=revision.program, schema=revision.schema)),
        ),
    )
    if span.begun_ms is not None:
        yield Text(texts("begun", time=moment(Moment(span.begun_ms), texts.lang, builder.zone)), "caution")
    if not span.over:
        yield Text(texts("not-over"), "caution")


def _glance(builder: _ReportBuilder) -> Iterator[Block]:
    texts, report = builder.texts, builder.report
    yield Heading(texts("glance"))
    pairs: list[tuple[str, Cell]] = []
    if report.pv is not None:
        row = report.pv.row
        pairs += [
            (texts("grid-import"), _unit(kwh(row.grid_import, texts))),
            (texts("grid-export"), _unit(kwh(row.grid_export, texts))),
            (texts("production"), _unit(kwh(row.production, texts))),
            (texts("self-use"), _unit(kwh(row.self_use, texts))),
        ]
    else:
        grid = connection_feeds(builder.site)
        of = {line.point.name: line for line in report.points}
        pairs += [
            (texts("from-point", point=builder.titled([p.name])), _unit(amount(of[p.name].imported, texts)))
            for p in grid
        ]
    if report.peaks:
        power, when = kilowatt(report.peaks[0], texts)
        pairs += [(texts("demand"), _unit(power, "kW")), (texts("demand-at"), when)]
    if report.cost is not None:
        pairs.append((texts("costs-bill"), money(report.cost.amount, texts, report.cost.currency)))
    pairs += [
        (texts("board-verdict", board=_board_name(builder, board_line)), _verdict(board_line, texts))
        for board_line in report.boards
    ]
    known = report.quality
    pairs += [
        (texts("data-missing"), _unit(percent(known.part(known.missing), texts), "%")),
        (texts("data-estimated"), _unit(percent(known.part(known.estimated), texts), "%")),
        (texts("open-findings"), Number(len(report.findings), 0)),
    ]
    yield Facts(texts("glance"), tuple(pairs))
    if report.steps:
        yield _bars(builder)
    yield from course_blocks(report, texts)


def _unit(cell: Cell, unit: str = "kWh") -> Cell:
    """A number that stands alone carries its unit."""
    if isinstance(cell, Number):
        return Number(cell.value, cell.decimals, unit)
    return f"{cell} {unit}" if isinstance(cell, str) and cell.startswith("<") else cell


def _bars(builder: _ReportBuilder) -> Bars:
    texts, steps = builder.texts, builder.report.steps
    names = ("imported", "exported", "produced")
    series = []
    for name, key in zip(names, ("grid-import", "grid-export", "production"), strict=True):
        values = tuple(None if (v := getattr(step, name)) is None else v / MWH_PER_KWH for step in steps)
        if key != "production" or builder.report.pv is not None:
            series.append(Series(texts(key), values))
    order = (0, 2, 1) if len(series) == 3 else (0, 1)  # dark, light, outlined
    labels = tuple(step_name(builder.report.span.period, step.start_ms, builder.zone, texts) for step in steps)
    name = texts("steps-year" if builder.report.span.period is Period.YEAR else "steps")
    first = texts("course-month" if builder.report.span.period is Period.YEAR else "course-day")
    return Bars(name, "kWh", labels, tuple(series[i] for i in order), texts("missing"), first)


def _comparison(builder: _ReportBuilder) -> Iterator[Block]:
    report, tariff = builder.report, builder.site.tariff
    currency = tariff[0].currency if tariff else ""
    return comparison_blocks(report.compared, report.span.period, currency, builder.texts, builder.zone)


# -- balance -----------------------------------------------------------------------------------------------------------


def _board_name(builder: _ReportBuilder, line: BoardLine) -> str:
    board = next(b for b in builder.site.boards if b.name == line.row.board)
    return board.title or board.name


def _verdict(line: BoardLine, texts: Texts) -> str:
    return texts(f"verdict-{line.row.verdict.replace(' ', '-')}") + (
        texts("estimated-mark") if line.row.estimated else ""
    )


def _balance(builder: _ReportBuilder) -> Iterator[Block]:
    texts = builder.texts
    yield Heading(texts("balance"))
    columns = (
        Column(texts("board"), 34), Column(texts("feed"), 25, "right"), Column(texts("outgoing"), 24, "right"),
        Column(texts("residual"), 23, "right"), Column(texts("residual-part"), 24, "right"),
        Column(texts("band"), 17, "right"), Column(texts("verdict"), 23), Column(texts("coverage"), 18),
    )  # fmt: skip
    rows = tuple(
        (
            _board_name(builder, board_line),
            kwh(board_line.row.feed, texts),
            kwh(board_line.row.outgoing, texts),
            kwh(board_line.row.residual, texts),
            _part(board_line.row.residual, board_line.row.feed, texts),
            kwh(board_line.row.band, texts),
            _verdict(board_line, texts),
            texts("of", count=board_line.row.covered, all=board_line.row.of),
        )
        for board_line in builder.report.boards
    )
    yield Table(texts("balance"), columns, rows)
    yield Text(texts("balance-note"), "note")
    for board_line in builder.report.boards:
        yield Text(_board_detail(builder, board_line), "plain")


def _part(value: int | None, of: int | None, texts: Texts) -> Cell:
    if value is None or of is None:
        return texts("missing")
    return texts("undefined") if of == 0 else Number(100 * value / of, 2)


def _board_detail(builder: _ReportBuilder, line: BoardLine) -> str:
    texts, row = builder.texts, line.row
    parts = [
        texts(
            "board-intervals", board=builder.titled([row.board]), inside=texts.number(line.inside, 0),
            outside=texts.number(line.outside, 0), none=texts.number(line.not_computable, 0),
        )
    ]  # fmt: skip
    if row.missing:
        parts.append(texts("board-missing", points=builder.titled(row.missing)))
    if row.uncovered:
        parts.append(texts("board-not-live", points=builder.titled(row.uncovered)))
    return " ".join(parts)


# -- points ------------------------------------------------------------------------------------------------------------


def _points(builder: _ReportBuilder) -> Iterator[Block]:
    texts, lines = builder.texts, builder.report.points
    yield Heading(texts("points"))
    outgoing = {board_line.row.board: board_line.row.outgoing for board_line in builder.report.boards}
    for board in builder.site.boards:
        own = [line for line in lines if line.point.board == board.name and line.point.role is not Role.SUB]
        if not own:
            continue
        yield Heading(board.title or board.name, 2)
        yield _point_table(builder, board.name, own, outgoing.get(board.name))
        below = [line for line in lines if line.point.board == board.name and line.point.role is Role.SUB]
        if below:
            yield Heading(texts("below", board=board.title or board.name), 2)
            yield _point_table(builder, texts("below-sheet", board=board.name), below, None)
    yield Text(texts("points-note"), "note")


def _point_table(builder: _ReportBuilder, name: str, lines: Sequence[PointLine], outgoing: int | None) -> Table:
    texts, titles = builder.texts, wording.point_titles(builder.site)
    columns = (
        Column(texts("point"), 35), Column(texts("role"), 27), Column(texts("imported"), 18, "right"),
        Column(texts("exported"), 24, "right"), Column(texts("share"), 17, "right"), Column(texts("peak"), 13, "right"),
        Column(texts("peak-when"), 27), Column(texts("quality"), 26),
    )  # fmt: skip
    feeders = [line for line in lines if line.point.role is Role.FEEDER] if outgoing is not None else []
    parts = [line.net.mwh / outgoing if outgoing and line.net.mwh is not None else None for line in feeders]
    shares = dict(zip((line.point.name for line in feeders), percents_of(parts, texts), strict=True))
    rows = tuple((titles[p.point.name], *_point_row(p, shares.get(p.point.name, ""), texts)) for p in lines)
    return without_empty(Table(texts("points-sheet", board=name), columns, rows))


def _point_row(line: PointLine, share: Cell, texts: Texts) -> tuple[Cell, ...]:
    return (
        texts(f"role-{line.point.role}"),
        amount(line.imported, texts),
        "" if line.exported is None else amount(line.exported, texts),
        share,
        *kilowatt(line.peak, texts),
        quality_words(line, texts),
    )


def quality_words(line: PointLine, texts: Texts) -> str:
    """What became of the figures of a point, in per cent; good if nothing did."""
    quality = line.quality
    parts = [
        texts(f"quality-{name}", part=texts.number(100 * (quality.part(count) or 0)))
        for name, count in (("missing", quality.missing), ("estimated", quality.estimated), ("bound", quality.bound))
        if count
    ]
    if line.net.estimated:
        parts.append(texts("quality-sum"))
    return ", ".join(parts) or texts("good")


# -- areas, tenants, demand, PV ----------------------------------------------------------------------------------------


def _groups(builder: _ReportBuilder) -> Iterator[Block]:
    texts = builder.texts
    for key, groups in (("area", builder.report.areas), ("tenant", builder.report.tenants)):
        if len(groups) > 1 or (groups and groups[0].name):
            yield Heading(texts(f"by-{key}"))
            yield _group_table(builder, key, groups)
    yield Text(texts("groups-note"), "note")


def _group_table(builder: _ReportBuilder, key: str, groups: Sequence[Group]) -> Table:
    texts = builder.texts
    columns = (
        Column(texts(key), 42), Column(texts("energy"), 24, "right"), Column(texts("part"), 16, "right"),
        Column(texts("group-points"), 60), Column(texts("group-missing"), 38),
    )  # fmt: skip
    known = [group.net.mwh for group in groups if group.net.mwh is not None]
    whole = sum(known) if len(known) == len(groups) else None
    parts = percents_of(
        [group.net.mwh / whole if whole and group.net.mwh is not None else None for group in groups], texts
    )
    rows: list[tuple[Cell, ...]] = [
        (
            group.name or texts(f"no-{key}"),
            amount(group.net, texts),
            texts("missing") if whole is None else part,
            builder.titled(group.points),
            builder.titled(group.missing),
        )
        for group, part in zip(groups, parts, strict=True)
    ]
    rows.append((texts("all"), kwh(whole, texts), _part_of(whole, whole, texts), "", ""))
    return without_empty(Table(texts(f"by-{key}"), columns, tuple(rows), sums=1))


def _part_of(value: int | None, whole: int | None, texts: Texts) -> Cell:
    if value is None or whole is None:
        return texts("missing")
    return percent(value / whole if whole else None, texts)


def _demand(builder: _ReportBuilder) -> Iterator[Block]:
    texts, limit = builder.texts, builder.site.limits.contracted_w
    yield Heading(texts("demand-title"))
    columns = (
        Column(texts("rank"), 14), Column(texts("demand-when"), 50), Column(texts("peak"), 30, "right"),
        Column(texts("of-contract"), 40, "right"),
    )  # fmt: skip
    rows = tuple(
        (
            Number(i + 1, 0),
            Moment(peak.start_ms),
            Number(peak.power_w / 1000, 1),
            percent(peak.power_w / limit, texts) if limit else texts("no-contract"),
        )
        for i, peak in enumerate(builder.report.peaks)
    )
    yield none_or(Table(texts("demand-title"), columns, rows), texts)
    grid = ", ".join(point.title or point.name for point in connection_feeds(builder.site)) or texts("none")
    contract = texts("contract-is", power=texts.number(limit / 1000)) if limit else ""
    yield Text(texts("demand-note", points=grid, minutes=builder.site.interval_s // 60) + contract, "note")


def _pv(builder: _ReportBuilder) -> Iterator[Block]:
    texts, part = builder.texts, builder.report.pv
    if part is None:
        return
    row = part.row
    yield Heading(texts("pv"))
    yield Facts(
        texts("pv"),
        (
            (texts("production"), _unit(kwh(row.production, texts))),
            (texts("self-use"), _unit(kwh(row.self_use, texts))),
            (texts("grid-export"), _unit(kwh(row.grid_export, texts))),
            (texts("grid-import"), _unit(kwh(row.grid_import, texts))),
            (texts("consumption"), _consumption(row, texts)),
            (texts("self-consumption"), _unit(percent(part.self_consumption, texts), "%")),
            (texts("self-sufficiency"), _unit(percent(part.self_sufficiency, texts), "%")),
            (texts("shared"), _shared(part, texts)),
        ),
    )
    own = " " + texts("pv-own-note") if _uses_more(row) else ""
    yield Text(texts("pv-note", minutes=builder.site.interval_s // 60) + own, "note")


def _uses_more(row: PvRow) -> bool:
    """Whether use and export together are more than the production, from which the inverters' own use is subtracted."""
    if row.self_use is None or row.grid_export is None or row.production is None:
        return False
    return row.self_use + row.grid_export > row.production


def _consumption(row: PvRow, texts: Texts) -> Cell:
    if row.consumption is not None and row.consumed is None:
        return texts("below-zero")
    return _unit(kwh(row.consumed, texts))


def _shared(part: PvPart, texts: Texts) -> Cell:
    if part.shared is None:
        return texts("not-shared")
    modes = "/".join(texts(f"mode-{mode}") for mode in part.modes)
    energy = texts.number(sum(part.shared.energy.values()) / 1000)
    return texts(
        "shared-is",
        energy=energy,
        count=texts.number(part.decided, 0),
        hours=texts.number(part.shared.hours),
        modes=modes,
    )
