"""What a chart says, in words: for those who cannot see it. Name, unit and range, then the main figures of each series."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from zoneinfo import ZoneInfo

from meterd.adapters.documents.formats import moment
from meterd.adapters.documents.model import Bars, Course, HoursMap, Moment
from meterd.adapters.documents.texts import Texts
from meterd.core.model.periods import DAY_MS, HOUR_MS

W_PER_KW = 1000


def alternative_text(block: Bars | Course | HoursMap, lang: str, zone: ZoneInfo) -> str:
    """Sentences in the language of the document."""
    texts = Texts(lang)
    if isinstance(block, Bars):
        return " ".join(_bars(block, texts))
    if isinstance(block, Course):
        return " ".join(_course(block, texts, zone))
    return " ".join(_hours(block, texts, zone))


def _bars(bars: Bars, texts: Texts) -> Iterator[str]:
    yield texts("alt-bars", name=bars.name, unit=bars.unit, first=bars.labels[0], last=bars.labels[-1])
    for series in bars.series:
        yield from _series(series.name, series.values, bars.labels, texts)


def _course(course: Course, texts: Texts, zone: ZoneInfo) -> Iterator[str]:
    starts = course.edges[:-1]
    by_day = all(high - low >= DAY_MS - HOUR_MS for low, high in pairwise(course.edges))
    labels = [moment(Moment(at, date_only=by_day), texts.lang, zone) for at in starts]
    key = "alt-stacked" if course.form == "stacked" else "alt-lines"
    yield texts(key, name=course.name, unit=course.unit, first=labels[0], last=labels[-1])
    for series in course.series:
        yield from _series(series.name, series.values, labels, texts)


def _series(name: str, values: Sequence[float | None], labels: Sequence[str], texts: Texts) -> Iterator[str]:
    """Highest and lowest with their times, and how many values are missing."""
    known = [(value, label) for value, label in zip(values, labels, strict=True) if value is not None]
    if known:
        high, low = max(known, key=lambda pair: pair[0]), min(known, key=lambda pair: pair[0])
        figures = {"high": texts.number(high[0]), "high_at": high[1], "low": texts.number(low[0]), "low_at": low[1]}
        yield texts("alt-series", name=name, **figures)
    if gone := len(values) - len(known):
        yield texts("alt-gaps", name=name, count=gone)


def _hours(block: HoursMap, texts: Texts, zone: ZoneInfo) -> Iterator[str]:
    hours = block.hours
    days = [moment(Moment(at, date_only=True), texts.lang, zone) for at in hours.day_ms]
    yield texts("alt-hours", name=block.name, first=days[0], last=days[-1])
    rows, columns = (places.tolist() for places in hours.present.nonzero())
    labels = [f"{days[column]} {row:02d}:00" for row, column in zip(rows, columns, strict=True)]
    values = [*(hours.watt[hours.present] / W_PER_KW).tolist(), *[None] * int(hours.missing.sum())]
    yield from _series(texts("alt-power"), values, [*labels, *[""] * (len(values) - len(labels))], texts)
