"""Measuring points and meter schedule, made from the plan as it is: the document that goes with the drawings."""

from collections.abc import Iterator

from meterd.adapters.documents.acceptance import PlanRevision
from meterd.adapters.documents.cells import none_or, titled
from meterd.adapters.documents.model import Block, Cell, Column, Document, Facts, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.plan_cells import (
    arrow,
    energy_wh,
    fitted_since,
    opening_readings,
    ratio,
    register_name,
    unit_of,
)
from meterd.adapters.documents.report_quality import cautions
from meterd.adapters.documents.texts import Texts
from meterd.core.model.plan import Instrument, Point, Site


def plan_document(revision: PlanRevision, lang: str) -> Document:
    """The whole document."""
    texts, site = Texts(lang), revision.site
    title = texts("documents-title", site=site.title or site.name)
    blocks = (
        _about(revision, texts), *_boards(site, texts), *_points(site, texts), *_schedule(site, texts), *_inputs(site, texts),
        Text(texts("document-note"), "note"), *cautions(texts),
    )  # fmt: skip
    foot = texts("foot", site=site.name, plan=revision.revision[:12], program=revision.program)
    return Document(title, texts("documents"), lang, site.zone, foot, texts.pattern("page"), blocks, side="long")


def newest_date(site: Site) -> int | None:
    """The newest date that the plan itself names: of an instrument put in or taken out."""
    dates = [ms for instrument in site.instruments for ms in (instrument.from_ms, instrument.until_ms) if ms]
    return max(dates, default=None)


def _about(revision: PlanRevision, texts: Texts) -> Facts:
    site, newest = revision.site, newest_date(revision.site)
    return Facts(
        texts("about"),
        (
            (texts("site"), f"{site.title or site.name} ({site.name})"),
            (texts("zone"), site.zone),
            (texts("interval"), Number(site.interval_s / 60, 0, "min")),
            (texts("revision"), revision.revision[:12]),
            (texts("revision-date"), texts("no-date") if newest is None else Moment(newest, date_only=True)),
            (texts("sources"), ", ".join(f"{source.name} ({source.protocol})" for source in site.sources)),
            (texts("program"), f"meterd {revision.program}"),
        ),
    )


def _boards(site: Site, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("boards"))
    columns = (
        Column(texts("board"), 30), Column(texts("title"), 62), Column(texts("nominal"), 22, "right"),
        Column(texts("transformer"), 28, "right"), Column(texts("fed-by"), 26), Column(texts("count-points"), 18, "right"),
    )  # fmt: skip
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            board.name,
            board.title,
            Number(board.nominal_v, 0),
            "" if board.rating_kva is None else Number(board.rating_kva, 0),
            board.fed_by or "",
            Number(len(site.points_of(board.name)), 0),
        )
        for board in site.boards
    )
    yield Table(texts("boards"), columns, rows)


def _points(site: Site, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("points-list"))
    columns = (
        Column(texts("point"), 42), Column(texts("place"), 32), Column(texts("designation"), 20), Column(texts("board"), 14),
        Column(texts("role"), 20), Column(texts("below-what"), 18), Column(texts("arrow"), 29),
        Column(texts("rating"), 26, "right"), Column(texts("tenant"), 21), Column(texts("state"), 21),
    )  # fmt: skip
    yield none_or(Table(texts("points-list"), columns, tuple(_point(point, texts) for point in site.points)), texts)


def _point(point: Point, texts: Texts) -> tuple[Cell, ...]:
    return (
        titled(point) + (f" ({', '.join(point.aliases)})" if point.aliases else ""), point.place, point.designation, point.board,
        texts(f"role-{point.role}"), point.below or "", arrow(point, texts),
        "" if point.rating_a is None else Number(point.rating_a, 0, "A"), point.tenant, texts(f"state-{point.state}"),
    )  # fmt: skip


def _schedule(site: Site, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("schedule"))
    columns = (
        Column(texts("point"), 30), Column(texts("serial"), 19), Column(texts("fitted"), 21), Column(texts("until"), 20),
        Column(texts("meter-class"), 17), Column(texts("ct-ratio"), 25), Column(texts("ct-class"), 18),
        Column(texts("ct-set"), 18), Column(texts("width"), 32, "right"), Column(texts("resolution"), 18, "right"),
        Column(texts("opening"), 24), Column(texts("remark"), 30),
    )  # fmt: skip
    rows = tuple(_meter(instrument, texts) for point in site.points for instrument in site.instruments_of(point.name))
    yield none_or(Table(texts("schedule"), columns, rows), texts)


def _meter(instrument: Instrument, texts: Texts) -> tuple[Cell, ...]:
    return (
        instrument.point,
        instrument.serial,
        fitted_since(instrument),
        "" if instrument.until_ms is None else Moment(instrument.until_ms, date_only=True),
        instrument.meter_class or "",
        ratio(instrument, texts),
        instrument.ct_class or "",
        instrument.ct_set or "",
        energy_wh(instrument.register_max_wh),
        energy_wh(instrument.resolution_wh or instrument.pulse_wh),
        opening_readings(instrument, texts),
        instrument.note,
    )


def _inputs(site: Site, texts: Texts) -> Iterator[Block]:
    yield Heading(texts("input-list"))
    columns = (
        Column(texts("point"), 34), Column(texts("register"), 44), Column(texts("input-source"), 22),
        Column(texts("input-address"), 56), Column(texts("input-field"), 40), Column(texts("input-unit"), 24),
    )  # fmt: skip
    rows = tuple(
        (i.point, register_name(i.register, texts), i.source, i.address, i.field, unit_of(i, texts))
        for i in site.inputs
    )
    yield none_or(Table(texts("input-list"), columns, rows), texts)
