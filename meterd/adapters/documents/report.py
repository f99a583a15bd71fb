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
    period_name,
    step_name,
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
from meterd.adapters.documents.texts import Words
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
    words: Words

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    def titled(self, names: Iterable[str]) -> str:
        """Points and boards by their titles."""
        return wording.titled_names(", ".join(names), wording.titles_of(self.site))

    @property
    def name(self) -> str:
        return period_name(self.report.span.period, self.report.span.from_ms, self.zone, self.words)


def report_document(site: Site, report: Report, lang: str) -> Document:
    """The whole document."""
    words = Words(lang)
    builder = _ReportBuilder(site, report, words)
    title = words("report-title", period=builder.name, site=site.title or site.name)
    blocks = (
        *_head(builder), *_glance(builder), *_comparison(builder), *_balance(builder), *_points(builder),
        *_groups(builder), *_demand(builder), *_pv(builder), *cost_blocks(report.cost, words, builder.zone),
        *savings_blocks(site, report, words), *performance_blocks(site, report, words),
        *forecast_blocks(report, words),
        *quality_blocks(site, report, words), *cautions(words),
    )  # fmt: skip
    foot = words("foot", site=site.name, plan=report.revision.plan[:12], program=report.revision.program)
    return Document(title, words("report"), lang, site.zone, foot, words.pattern("page"), blocks)


# -- head --------------------------------------------------------------------------------------------------------------


def _head(builder: _ReportBuilder) -> Iterator[Block]:
    words, span, revision = builder.words, builder.report.span, builder.report.revision
    changed = sum(change.figures for change in builder.report.changes)
    versions = words("versions-first") if not changed else words("versions-changed", count=changed)
    yield Facts(
        words("about"),
        (
            (words("site"), f"{builder.site.title or builder.site.name} ({builder.site.name})"),
            (words("period"), words("span", name=builder.name, zone=builder.site.zone)),
            (words("from"), Moment(span.from_ms)),
            (words("until"), Moment(span.until_ms)),
            (words("newest"), Moment(min(span.known_ms, span.until_ms))),
            (words("interval"), Number(builder.site.interval_s / 60, 0, "min")),
            (words("data-versions"), versions),
            (words("revision"), revision.plan[:12]),
            (words("program"), words("program-is", version=revision.program, schema=revision.schema)),
        ),
    )
    if span.begun_ms is not None:
        yield Text(words("begun", time=moment(Moment(span.begun_ms), words.lang, builder.zone)), "caution")
    if not span.over:
        yield Text(words("not-over"), "caution")


def _glance(builder: _ReportBuilder) -> Iterator[Block]:
    words, report = builder.words, builder.report
    yield Heading(words("glance"))
    pairs: list[tuple[str, Cell]] = []
    if report.pv is not None:
        row = report.pv.row
        pairs += [
            (words("grid-import"), _unit(kwh(row.grid_import, words))),
            (words("grid-export"), _unit(kwh(row.grid_export, words))),
            (words("production"), _unit(kwh(row.production, words))),
            (words("self-use"), _unit(kwh(row.self_use, words))),
        ]
    else:
        grid = connection_feeds(builder.site)
        of = {line.point.name: line for line in report.points}
        pairs += [
            (words("from-point", point=builder.titled([p.name])), _unit(amount(of[p.name].imported, words)))
            for p in grid
        ]
    if report.peaks:
        power, when = kilowatt(report.peaks[0], words)
        pairs += [(words("demand"), _unit(power, "kW")), (words("demand-when"), when)]
    if report.cost is not None:
        pairs.append((words("costs-bill"), money(report.cost.amount, words, report.cost.currency)))
    pairs += [
        (words("board-verdict", board=_board_name(builder, board_line)), _verdict(board_line, words))
        for board_line in report.boards
    ]
    known = report.quality
    pairs += [
        (words("data-missing"), _unit(percent(known.part(known.missing), words), "%")),
        (words("data-estimated"), _unit(percent(known.part(known.estimated), words), "%")),
        (words("open-findings"), Number(len(report.findings), 0)),
    ]
    yield Facts(words("glance"), tuple(pairs))
    if report.steps:
        yield _bars(builder)
    yield from course_blocks(report, words)


def _unit(cell: Cell, unit: str = "kWh") -> Cell:
    """A number that stands alone carries its unit."""
    if isinstance(cell, Number):
        return Number(cell.value, cell.decimals, unit)
    return f"{cell} {unit}" if isinstance(cell, str) and cell.startswith("<") else cell


def _bars(builder: _ReportBuilder) -> Bars:
    words, steps = builder.words, builder.report.steps
    names = ("imported", "exported", "produced")
    series = []
    for name, key in zip(names, ("grid-import", "grid-export", "production"), strict=True):
        values = tuple(None if (v := getattr(step, name)) is None else v / MWH_PER_KWH for step in steps)
        if key != "production" or builder.report.pv is not None:
            series.append(Series(words(key), values))
    order = (0, 2, 1) if len(series) == 3 else (0, 1)  # dark, light, outlined
    labels = tuple(step_name(builder.report.span.period, step.start_ms, builder.zone, words) for step in steps)
    name = words("steps-year" if builder.report.span.period is Period.YEAR else "steps")
    return Bars(name, "kWh", labels, tuple(series[i] for i in order), words("missing"))


def _comparison(builder: _ReportBuilder) -> Iterator[Block]:
    report, tariff = builder.report, builder.site.tariff
    currency = tariff[0].currency if tariff else ""
    return comparison_blocks(report.compared, report.span.period, currency, builder.words, builder.zone)


# -- balance -----------------------------------------------------------------------------------------------------------


def _board_name(builder: _ReportBuilder, line: BoardLine) -> str:
    board = next(b for b in builder.site.boards if b.name == line.row.board)
    return board.title or board.name


def _verdict(line: BoardLine, words: Words) -> str:
    return words(f"verdict-{line.row.verdict.replace(' ', '-')}") + (
        words("estimated-mark") if line.row.estimated else ""
    )


def _balance(builder: _ReportBuilder) -> Iterator[Block]:
    words = builder.words
    yield Heading(words("balance"))
    columns = (
        Column(words("board"), 34), Column(words("feed"), 25, "right"), Column(words("outgoing"), 24, "right"),
        Column(words("residual"), 23, "right"), Column(words("residual-part"), 24, "right"),
        Column(words("band"), 17, "right"), Column(words("verdict"), 23), Column(words("coverage"), 18),
    )  # fmt: skip
    rows = tuple(
        (
            _board_name(builder, board_line),
            kwh(board_line.row.feed, words),
            kwh(board_line.row.outgoing, words),
            kwh(board_line.row.residual, words),
            _part(board_line.row.residual, board_line.row.feed, words),
            kwh(board_line.row.band, words),
            _verdict(board_line, words),
            words("of", count=board_line.row.covered, all=board_line.row.of),
        )
        for board_line in builder.report.boards
    )
    yield Table(words("balance"), columns, rows)
    yield Text(words("balance-note"), "note")
    for board_line in builder.report.boards:
        yield Text(_board_detail(builder, board_line), "plain")


def _part(value: int | None, of: int | None, words: Words) -> Cell:
    if value is None or of is None:
        return words("missing")
    return words("undefined") if of == 0 else Number(100 * value / of, 2)


def _board_detail(builder: _ReportBuilder, line: BoardLine) -> str:
    words, row = builder.words, line.row
    parts = [
        words(
            "board-intervals", board=builder.titled([row.board]), inside=words.number(line.inside, 0),
            outside=words.number(line.outside, 0), none=words.number(line.not_computable, 0),
        )
    ]  # fmt: skip
    if row.missing:
        parts.append(words("board-missing", points=builder.titled(row.missing)))
    if row.uncovered:
        parts.append(words("board-not-live", points=builder.titled(row.uncovered)))
    return " ".join(parts)


# -- points ------------------------------------------------------------------------------------------------------------


def _points(builder: _ReportBuilder) -> Iterator[Block]:
    words, lines = builder.words, builder.report.points
    yield Heading(words("points"))
    outgoing = {board_line.row.board: board_line.row.outgoing for board_line in builder.report.boards}
    for board in builder.site.boards:
        own = [line for line in lines if line.point.board == board.name and line.point.role is not Role.SUB]
        if not own:
            continue
        yield Heading(board.title or board.name, 2)
        yield _point_table(builder, board.name, own, outgoing.get(board.name))
        below = [line for line in lines if line.point.board == board.name and line.point.role is Role.SUB]
        if below:
            yield Heading(words("below", board=board.title or board.name), 2)
            yield _point_table(builder, words("below-sheet", board=board.name), below, None)
    yield Text(words("points-note"), "note")


def _point_table(builder: _ReportBuilder, name: str, lines: Sequence[PointLine], outgoing: int | None) -> Table:
    words, titles = builder.words, wording.point_titles(builder.site)
    columns = (
        Column(words("point"), 35), Column(words("role"), 27), Column(words("imported"), 18, "right"),
        Column(words("exported"), 24, "right"), Column(words("share"), 17, "right"), Column(words("peak"), 13, "right"),
        Column(words("peak-when"), 27), Column(words("quality"), 26),
    )  # fmt: skip
    return Table(
        words("points-sheet", board=name),
        columns,
        tuple((titles[line.point.name], *_point_row(line, outgoing, words)) for line in lines),
    )


def _point_row(line: PointLine, outgoing: int | None, words: Words) -> tuple[Cell, ...]:
    share: Cell = ""
    if line.point.role is Role.FEEDER and outgoing is not None:
        share = percent(None if line.net.mwh is None or outgoing == 0 else line.net.mwh / outgoing, words)
    return (
        words(f"role-{line.point.role}"),
        amount(line.imported, words),
        "" if line.exported is None else amount(line.exported, words),
        share,
        *kilowatt(line.peak, words),
        quality_words(line, words),
    )


def quality_words(line: PointLine, words: Words) -> str:
    """What became of the figures of a point, in per cent; good if nothing did."""
    quality = line.quality
    parts = [
        words(f"quality-{name}", part=words.number(100 * (quality.part(count) or 0)))
        for name, count in (("missing", quality.missing), ("estimated", quality.estimated), ("bound", quality.bound))
        if count
    ]
    if line.net.estimated:
        parts.append(words("quality-sum"))
    return ", ".join(parts) or words("good")


# -- areas, tenants, demand, PV ----------------------------------------------------------------------------------------


def _groups(builder: _ReportBuilder) -> Iterator[Block]:
    words = builder.words
    for key, groups in (("area", builder.report.areas), ("tenant", builder.report.tenants)):
        if len(groups) > 1 or (groups and groups[0].name):
            yield Heading(words(f"by-{key}"))
            yield _group_table(builder, key, groups)
    yield Text(words("groups-note"), "note")


def _group_table(builder: _ReportBuilder, key: str, groups: Sequence[Group]) -> Table:
    words = builder.words
    columns = (
        Column(words(key), 42), Column(words("energy"), 24, "right"), Column(words("part"), 16, "right"),
        Column(words("group-points"), 60), Column(words("group-missing"), 38),
    )  # fmt: skip
    known = [group.net.mwh for group in groups if group.net.mwh is not None]
    whole = sum(known) if len(known) == len(groups) else None
    rows: list[tuple[Cell, ...]] = [
        (
            group.name or words(f"no-{key}"),
            amount(group.net, words),
            _part_of(group.net.mwh, whole, words),
            builder.titled(group.points),
            builder.titled(group.missing),
        )
        for group in groups
    ]
    rows.append((words("all"), kwh(whole, words), _part_of(whole, whole, words), "", ""))
    return Table(words(f"by-{key}"), columns, tuple(rows), sums=1)


def _part_of(value: int | None, whole: int | None, words: Words) -> Cell:
    if value is None or whole is None:
        return words("missing")
    return percent(value / whole if whole else None, words)


def _demand(builder: _ReportBuilder) -> Iterator[Block]:
    words, limit = builder.words, builder.site.limits.contracted_w
    yield Heading(words("demand-title"))
    columns = (
        Column(words("rank"), 14), Column(words("demand-when"), 50), Column(words("peak"), 30, "right"),
        Column(words("of-contract"), 40, "right"),
    )  # fmt: skip
    rows = tuple(
        (
            Number(i + 1, 0),
            Moment(peak.start_ms),
            Number(peak.power_w / 1000, 1),
            percent(peak.power_w / limit, words) if limit else words("no-contract"),
        )
        for i, peak in enumerate(builder.report.peaks)
    )
    yield none_or(Table(words("demand-title"), columns, rows), words)
    grid = ", ".join(point.title or point.name for point in connection_feeds(builder.site)) or words("none")
    contract = words("contract-is", power=words.number(limit / 1000)) if limit else ""
    yield Text(words("demand-note", points=grid, minutes=builder.site.interval_s // 60) + contract, "note")


def _pv(builder: _ReportBuilder) -> Iterator[Block]:
    words, part = builder.words, builder.report.pv
    if part is None:
        return
    row = part.row
    yield Heading(words("pv"))
    yield Facts(
        words("pv"),
        (
            (words("production"), _unit(kwh(row.production, words))),
            (words("self-use"), _unit(kwh(row.self_use, words))),
            (words("grid-export"), _unit(kwh(row.grid_export, words))),
            (words("grid-import"), _unit(kwh(row.grid_import, words))),
            (words("consumption"), _consumption(row, words)),
            (words("self-consumption"), _unit(percent(part.self_consumption, words), "%")),
            (words("self-sufficiency"), _unit(percent(part.self_sufficiency, words), "%")),
            (words("shared"), _shared(part, words)),
        ),
    )
    yield Text(words("pv-note", minutes=builder.site.interval_s // 60), "note")


def _consumption(row: PvRow, words: Words) -> Cell:
    if row.consumption is not None and row.consumed is None:
        return words("below-zero")
    return _unit(kwh(row.consumed, words))


def _shared(part: PvPart, words: Words) -> Cell:
    if part.shared is None:
        return words("not-shared")
    modes = "/".join(words(f"mode-{mode}") for mode in part.modes)
    energy = words.number(sum(part.shared.energy.values()) / 1000)
    return words(
        "shared-is",
        energy=energy,
        count=words.number(part.decided, 0),
        hours=words.number(part.shared.hours),
        modes=modes,
    )
