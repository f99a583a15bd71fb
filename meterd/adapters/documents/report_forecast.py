"""How good the forecasts of the period were, as a part of the report. They enter none of its figures."""

from collections.abc import Iterator

from meterd.adapters.documents.model import Block, Column, Heading, Number, Table, Text
from meterd.adapters.documents.texts import Words
from meterd.core.model.forecast import ForecastScore
from meterd.core.reports.content import Report


def forecast_blocks(report: Report, words: Words) -> Iterator[Block]:
    """A table of each quantity and lead; nothing where no forecast was given out."""
    if not report.forecasts:
        return
    yield Heading(words("forecasts"))
    columns = (
        Column(words("forecast-quantity"), 46), Column(words("forecast-lead"), 20, "right"),
        Column(words("forecast-error"), 24, "right"), Column(words("forecast-naive-error"), 30, "right"),
        Column(words("forecast-naive"), 36), Column(words("forecast-inside"), 16, "right"),
        Column(words("forecast-count"), 15, "right"),
    )  # fmt: skip
    yield Table(words("forecasts"), columns, tuple(_row(score, words) for score in report.forecasts))
    yield Text(words("forecasts-note"), "note")


def _row(score: ForecastScore, words: Words) -> tuple[str | Number, ...]:
    return (
        words(f"forecast-{score.quantity.value}"),
        Number(score.lead_h, 0),
        Number(score.error_w / 1000, 2),
        Number(score.naive_w / 1000, 2),
        words(f"naive-{score.naive.replace(' ', '-')}"),
        "–" if score.inside is None else Number(100 * score.inside, 0),
        Number(score.count, 0),
    )
