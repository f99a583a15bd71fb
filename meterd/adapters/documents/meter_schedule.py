"""Measuring points and meter schedule, made from the plan as it is: the document that goes with the drawings."""

from collections.abc import Iterator

from meterd.adapters.documents.acceptance import PlanRevision
from meterd.adapters.documents.cells import none_or, titled
from meterd.adapters.documents.model import Block, Cell, Column, Document, Facts, Heading, Moment, Number, Table, Text
from meterd.adapters.documents.plan_cells import arrow, energy_wh, fitted_since, ratio, register_name, shown_at, unit_of
from meterd.adapters.documents.report_quality import cautions
from meterd.adapters.documents.texts import Words
from meterd.core.model.plan import Instrument, Point, Site


def plan_document(revision: PlanRevision, lang: str) -> Document:
    """The whole document."""
    words, site = Words(lang), revision.site
    title = words("documents-title", site=site.title or site.name)
    blocks = (
        _about(revision, words), *_boards(site, words), *_points(site, words), *_schedule(site, words), *_inputs(site, words),
        Text(words("document-note"), "note"), *cautions(words),
    )  # fmt: skip
    foot = words("foot", site=site.name, plan=revision.revision[:12], program=revision.program)
    return Document(title, words("documents"), lang, site.zone, foot, words.pattern("page"), blocks, side="long")


def newest_date(site: Site) -> int | None:
    """The newest date that the plan itself names: of an instrument put in or taken out."""
    dates = [ms for instrument in site.instruments for ms in (instrument.from_ms, instrument.until_ms) if ms]
    return max(dates, default=None)


def _about(revision: PlanRevision, words: Words) -> Facts:
    site, newest = revision.site, newest_date(revision.site)
    return Facts(
        words("about"),
        (
            (words("site"), f"{site.title or site.name} ({site.name})"),
            (words("zone"), site.zone),
            (words("interval"), Number(site.interval_s / 60, 0, "min")),
            (words("revision"), revision.revision[:12]),
            (words("revision-date"), words("no-date") if newest is None else Moment(newest, date_only=True)),
            (words("sources"), ", ".join(f"{source.name} ({source.protocol})" for source in site.sources)),
            (words("program"), f"meterd {revision.program}"),
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
            board.name,
            board.title,
            Number(board.nominal_v, 0),
            "" if board.rating_kva is None else Number(board.rating_kva, 0),
            board.fed_by or "",
            Number(len(site.points_of(board.name)), 0),
        )
        for board in site.boards
    )
    yield Table(words("boards"), columns, rows)


def _points(site: Site, words: Words) -> Iterator[Block]:
    yield Heading(words("points-list"))
    columns = (
        Column(words("point"), 42), Column(words("place"), 32), Column(words("designation"), 20), Column(words("board"), 14),
        Column(words("role"), 20), Column(words("below-what"), 20), Column(words("arrow"), 24),
        Column(words("rating"), 27, "right"), Column(words("tenant"), 22), Column(words("state"), 22),
    )  # fmt: skip
    yield none_or(Table(words("points-list"), columns, tuple(_point(point, words) for point in site.points)), words)


def _point(point: Point, words: Words) -> tuple[Cell, ...]:
    return (
        titled(point) + (f" ({', '.join(point.aliases)})" if point.aliases else ""), point.place, point.designation, point.board,
        words(f"role-{point.role}"), point.below or "", arrow(point, words),
        "" if point.rating_a is None else Number(point.rating_a, 0, "A"), point.tenant, words(f"state-{point.state}"),
    )  # fmt: skip


def _schedule(site: Site, words: Words) -> Iterator[Block]:
    yield Heading(words("schedule"))
    columns = (
        Column(words("point"), 30), Column(words("serial"), 19), Column(words("fitted"), 21), Column(words("until"), 20),
        Column(words("meter-class"), 17), Column(words("ct-ratio"), 25), Column(words("ct-class"), 18),
        Column(words("ct-set"), 18), Column(words("width"), 32, "right"), Column(words("resolution"), 18, "right"),
        Column(words("opening"), 24), Column(words("remark"), 30),
    )  # fmt: skip
    rows = tuple(_meter(instrument, words) for point in site.points for instrument in site.instruments_of(point.name))
    yield none_or(Table(words("schedule"), columns, rows), words)


def _meter(instrument: Instrument, words: Words) -> tuple[Cell, ...]:
    return (
        instrument.point,
        instrument.serial,
        fitted_since(instrument),
        "" if instrument.until_ms is None else Moment(instrument.until_ms, date_only=True),
        instrument.meter_class or "",
        ratio(instrument, words),
        instrument.ct_class or "",
        instrument.ct_set or "",
        energy_wh(instrument.register_max_wh),
        energy_wh(instrument.resolution_wh or instrument.pulse_wh),
        shown_at(instrument.opening),
        instrument.note,
    )


def _inputs(site: Site, words: Words) -> Iterator[Block]:
    yield Heading(words("input-list"))
    columns = (
        Column(words("point"), 34), Column(words("register"), 44), Column(words("input-source"), 22),
        Column(words("input-address"), 56), Column(words("input-field"), 40), Column(words("input-unit"), 24),
    )  # fmt: skip
    rows = tuple((i.point, register_name(i.register), i.source, i.address, i.field, unit_of(i)) for i in site.inputs)
    yield none_or(Table(words("input-list"), columns, rows), words)
