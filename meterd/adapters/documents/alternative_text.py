"""What a chart says, in words: for those who cannot see it. Name, unit and range, then the main figures of each series."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from zoneinfo import ZoneInfo

from meterd.adapters.documents.formats import moment
from meterd.adapters.documents.model import Bars, Course, HoursMap, Moment
from meterd.adapters.documents.texts import Words
from meterd.core.model.periods import DAY_MS, HOUR_MS

W_PER_KW = 1000


def alternative_text(block: Bars | Course | HoursMap, lang: str, zone: ZoneInfo) -> str:
    """Sentences in the language of the document."""
    words = Words(lang)
    if isinstance(block, Bars):
        return " ".join(_bars(block, words))
    if isinstance(block, Course):
        return " ".join(_course(block, words, zone))
    return " ".join(_hours(block, words, zone))


def _bars(bars: Bars, words: Words) -> Iterator[str]:
    yield words("alt-bars", name=bars.name, unit=bars.unit, first=bars.labels[0], last=bars.labels[-1])
    for series in bars.series:
        yield from _series(series.name, series.values, bars.labels, words)


def _course(course: Course, words: Words, zone: ZoneInfo) -> Iterator[str]:
    starts = course.edges[:-1]
    by_day = all(high - low >= DAY_MS - HOUR_MS for low, high in pairwise(course.edges))
    labels = [moment(Moment(at, date_only=by_day), words.lang, zone) for at in starts]
    key = "alt-stacked" if course.form == "stacked" else "alt-lines"
    yield words(key, name=course.name, unit=course.unit, first=labels[0], last=labels[-1])
    for series in course.series:
        yield from _series(series.name, series.values, labels, words)


def _series(name: str, values: Sequence[float | None], labels: Sequence[str], words: Words) -> Iterator[str]:
    """Highest and lowest with their times, and how many values are missing."""
    known = [(value, label) for value, label in zip(values, labels, strict=True) if value is not None]
    if known:
        high, low = max(known, key=lambda pair: pair[0]), min(known, key=lambda pair: pair[0])
        figures = {"high": words.number(high[0]), "high_at": high[1], "low": words.number(low[0]), "low_at": low[1]}
        yield words("alt-series", name=name, **figures)
    if gone := len(values) - len(known):
        yield words("alt-gaps", name=name, count=gone)


def _hours(block: HoursMap, words: Words, zone: ZoneInfo) -> Iterator[str]:
    hours = block.hours
    days = [moment(Moment(at, date_only=True), words.lang, zone) for at in hours.day_ms]
    yield words("alt-hours", name=block.name, first=days[0], last=days[-1])
    rows, columns = (places.tolist() for places in hours.present.nonzero())
    labels = [f"{days[column]} {row:02d}:00" for row, column in zip(rows, columns, strict=True)]
    values = [*(hours.watt[hours.present] / W_PER_KW).tolist(), *[None] * int(hours.missing.sum())]
    yield from _series(words("alt-power"), values, [*labels, *[""] * (len(values) - len(labels))], words)
