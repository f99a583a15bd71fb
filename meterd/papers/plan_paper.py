"""Measuring points and meter schedule, made from the plan as it is: the document that goes with the drawings."""

from collections.abc import Iterator

from meterd.papers.acceptance_paper import Plan
from meterd.papers.cells import none_or, titled
from meterd.papers.document import Block, Cell, Column, Document, Facts, Heading, Moment, Number, Table, Text
from meterd.papers.plan_cells import arrow, energy_wh, fitted_since, ratio, register_name, shown_at, unit_of
from meterd.papers.report_quality_paper import cautions
from meterd.papers.wording import Words
from meterd.site import Instrument, Point, Site


def plan_document(plan: Plan, lang: str) -> Document:
    """The whole paper."""
    words, site = Words(lang), plan.site
    title = words("documents-title", site=site.title or site.name)
    blocks = (
        _about(plan, words), *_boards(site, words), *_points(site, words), *_schedule(site, words), *_inputs(site, words),
        Text(words("document-note"), "note"), *cautions(words),
    )  # fmt: skip
    foot = words("foot", site=site.name, plan=plan.revision[:12], program=plan.program)
    return Document(title, words("documents"), lang, site.zone, foot, words.pattern("page"), blocks, side="long")


def newest_date(site: Site) -> int | None:
    """The newest date that the plan itself names: of an instrument put in or taken out."""
    dates = [ms for one in site.instruments for ms in (one.from_ms, one.until_ms) if ms]
    return max(dates, default=None)


def _about(plan: Plan, words: Words) -> Facts:
    site, newest = plan.site, newest_date(plan.site)
    return Facts(
        words("about"),
        (
            (words("site"), f"{site.title or site.name} ({site.name})"),
            (words("zone"), site.zone),
            (words("interval"), Number(site.interval_s / 60, 0, "min")),
            (words("revision"), plan.revision[:12]),
            (words("revision-date"), words("no-date") if newest is None else Moment(newest, date_only=True)),
            (words("sources"), ", ".join(f"{one.name} ({one.protocol})" for one in site.sources)),
            (words("program"), f"meterd {plan.program}"),
        ),
    )


def _boards(site: Site, words: Words) -> Iterator[Block]:
    yield Heading(words("boards"))
    columns = (
        Column(words("board"), 30), Column(words("title"), 62), Column(words("nominal"), 22, "right"),
        Column(words("transformer"), 28, "right"), Column(words("fed-by"), 26), Column(words("count-points"), 18, "right"),
    )  # fmt: skip
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            one.name,
            one.title,
            Number(one.nominal_v, 0),
            "" if one.rating_kva is None else Number(one.rating_kva, 0),
            one.fed_by or "",
            Number(sum(p.board == one.name for p in site.points), 0),
        )
        for one in site.boards
    )
    yield Table(words("boards"), columns, rows)


def _points(site: Site, words: Words) -> Iterator[Block]:
    yield Heading(words("points-list"))
    columns = (
        Column(words("point"), 42), Column(words("place"), 32), Column(words("designation"), 20), Column(words("board"), 14),
        Column(words("role"), 20), Column(words("below-what"), 20), Column(words("arrow"), 24),
        Column(words("rating"), 27, "right"), Column(words("tenant"), 22), Column(words("state"), 22),
    )  # fmt: skip
    yield none_or(Table(words("points-list"), columns, tuple(_point(one, words) for one in site.points)), words)


def _point(one: Point, words: Words) -> tuple[Cell, ...]:
    return (
        titled(one) + (f" ({', '.join(one.aliases)})" if one.aliases else ""), one.place, one.designation, one.board,
        words(f"role-{one.role}"), one.below or "", arrow(one, words),
        "" if one.rating_a is None else Number(one.rating_a, 0, "A"), one.tenant, words(f"state-{one.state}"),
    )  # fmt: skip


def _schedule(site: Site, words: Words) -> Iterator[Block]:
    yield Heading(words("schedule"))
    columns = (
        Column(words("point"), 30), Column(words("serial"), 19), Column(words("fitted"), 21), Column(words("until"), 20),
        Column(words("meter-class"), 17), Column(words("ct-ratio"), 25), Column(words("ct-class"), 18),
        Column(words("ct-set"), 18), Column(words("width"), 32, "right"), Column(words("resolution"), 18, "right"),
        Column(words("opening"), 24), Column(words("remark"), 30),
    )  # fmt: skip
    rows = tuple(_meter(one, words) for point in site.points for one in site.instruments_of(point.name))
    yield none_or(Table(words("schedule"), columns, rows), words)


def _meter(one: Instrument, words: Words) -> tuple[Cell, ...]:
    return (
        one.point, one.serial, fitted_since(one), "" if one.until_ms is None else Moment(one.until_ms, date_only=True),
        one.meter_class or "", ratio(one, words), one.ct_class or "", one.ct_set or "", energy_wh(one.register_max_wh),
        energy_wh(one.resolution_wh or one.pulse_wh), shown_at(one.opening), one.note,
    )  # fmt: skip


def _inputs(site: Site, words: Words) -> Iterator[Block]:
    yield Heading(words("input-list"))
    columns = (
        Column(words("point"), 34), Column(words("register"), 44), Column(words("input-source"), 22),
        Column(words("input-address"), 56), Column(words("input-field"), 40), Column(words("input-unit"), 24),
    )  # fmt: skip
    rows = tuple((i.point, register_name(i.register), i.source, i.address, i.field, unit_of(i)) for i in site.inputs)
    yield none_or(Table(words("input-list"), columns, rows), words)
