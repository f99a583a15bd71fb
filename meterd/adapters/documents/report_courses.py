"""The charts of a report: the load of the site with PV, its hours by days, and the feeders one on the other."""

from collections.abc import Iterator

from meterd.adapters.documents.cells import MWH_PER_KWH
from meterd.adapters.documents.model import Block, Course, Heading, HoursMap, Series, Text
from meterd.adapters.documents.texts import Texts
from meterd.core.model.periods import Period
from meterd.core.reports.content import Report
from meterd.core.reports.courses import FeederCourse, LoadCourse

W_PER_KW = 1000


def course_blocks(report: Report, texts: Texts) -> Iterator[Block]:
    """Nothing where nothing is known."""
    year = report.span.period is Period.YEAR
    if report.load is not None and any(v is not None for v in report.load.load):
        yield Heading(texts("course-load"), 2)
        yield _load(report.load, texts)
        yield Text(texts("course-load-year" if year else "course-load-note"), "note")
    if report.hours is not None and report.hours.present.any():
        yield Heading(texts("course-hours"), 2)
        yield HoursMap(texts("course-hours"), report.hours, texts("missing"), texts("course-day"))
        yield Text(texts("course-hours-note"), "note")
    if report.feeders is not None and any(v is not None for row in report.feeders.values for v in row):
        yield Heading(texts("course-feeders"), 2)
        yield _feeders(report.feeders, texts)
        yield Text(texts("course-feeders-year" if year else "course-feeders-note"), "note")


def _load(course: LoadCourse, texts: Texts) -> Course:
    series = [Series(texts("consumption"), _divided(course.load, W_PER_KW))]
    if course.production:
        series.append(Series(texts("production"), _divided(course.production, W_PER_KW)))
    name, missing, first = texts("course-load"), texts("missing"), texts("course-from")
    return Course(name, "kW", "lines", course.edges, tuple(series), missing, first)


def _feeders(course: FeederCourse, texts: Texts) -> Course:
    names = [point.title or point.name for point in course.points]
    if course.others:
        names.append(texts("course-others", count=course.others))
    rows = zip(names, course.values, strict=True)
    series = tuple(Series(name, _divided(values, MWH_PER_KWH)) for name, values in rows)
    name, missing, first = texts("course-feeders"), texts("missing"), texts("course-from")
    return Course(name, "kWh", "stacked", course.edges, series, missing, first)


def _divided(values: tuple[float | None, ...] | tuple[int | None, ...], by: int) -> tuple[float | None, ...]:
    return tuple(None if value is None else value / by for value in values)
