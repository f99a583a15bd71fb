"""What the measures of the plan saved in the period, as a part of the report."""

from collections.abc import Iterator
from zoneinfo import ZoneInfo

from meterd.adapters.documents.cells import MWH_PER_KWH
from meterd.adapters.documents.model import Block, Course, Facts, Heading, Series, Text
from meterd.adapters.documents.texts import Texts
from meterd.adapters.texts.savings_words import savings_words, title_of
from meterd.core.model.periods import HOUR_MS, Period, bounds
from meterd.core.model.plan import Site
from meterd.core.reports.content import Report
from meterd.core.savings.savings import PlannedSaving


def savings_blocks(site: Site, report: Report, texts: Texts) -> Iterator[Block]:
    """For each measure its saving with what it rests on, and the course of the difference; nothing without a baseline."""
    if not report.savings:
        return
    yield Heading(texts("savings"))
    for number, entry in enumerate(report.savings, 1):
        output, name = savings_words(texts.lang, entry.answer, site), title_of(entry.answer.question.item, site)
        yield Heading(f"{name}: {entry.reason}", 2)
        yield Text(output.headline + ".", "plain")
        yield Facts(texts("savings-sheet", number=number), output.facts)
        if entry.answer.days:
            yield _course(entry, number, texts, ZoneInfo(site.zone))
        for remark in output.remarks:
            yield Text(remark, "note")


def _course(item: PlannedSaving, number: int, texts: Texts, zone: ZoneInfo) -> Course:
    days = item.answer.days
    saved = tuple(day.saved / MWH_PER_KWH for day in days)
    band = tuple(day.band / MWH_PER_KWH for day in days)
    series = (
        Series(texts("savings-course"), saved),
        Series(texts("savings-upper"), band),
        Series(texts("savings-lower"), tuple(-value for value in band)),
    )
    edges = (*(day.start_ms for day in days), bounds(Period.DAY, days[-1].start_ms, zone, HOUR_MS)[1])
    name = texts("savings-days", number=number)
    return Course(name, "kWh", "lines", edges, series, texts("missing"), texts("course-from"))
