"""How good the forecasts of the period were, as a part of the report. They enter none of its figures."""

from collections.abc import Iterator

from meterd.adapters.documents.model import Block, Column, Heading, Number, Table, Text
from meterd.adapters.documents.texts import Texts
from meterd.core.model.forecast import ForecastScore
from meterd.core.reports.content import Report


def forecast_blocks(report: Report, texts: Texts) -> Iterator[Block]:
    """A table of each quantity and lead; nothing where no forecast was given out."""
    if not report.forecasts:
        return
    yield Heading(texts("forecasts"))
    columns = (
        Column(texts("forecast-quantity"), 46), Column(texts("forecast-lead"), 20, "right"),
        Column(texts("forecast-error"), 24, "right"), Column(texts("forecast-naive-error"), 30, "right"),
        Column(texts("forecast-naive"), 36), Column(texts("forecast-inside"), 16, "right"),
        Column(texts("forecast-count"), 15, "right"),
    )  # fmt: skip
    yield Table(texts("forecasts"), columns, tuple(_row(score, texts) for score in report.forecasts))
    yield Text(texts("forecasts-note"), "note")


def _row(score: ForecastScore, texts: Texts) -> tuple[str | Number, ...]:
    return (
        texts(f"forecast-{score.quantity.value}"),
        Number(score.lead_h, 0),
        Number(score.error_w / 1000, 2),
        Number(score.naive_w / 1000, 2),
        texts(f"naive-{score.naive.replace(' ', '-')}"),
        "–" if score.inside is None else Number(100 * score.inside, 0),
        Number(score.count, 0),
    )
