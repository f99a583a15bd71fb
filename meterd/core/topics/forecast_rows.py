"""Rows of the table of derived values for what is to come: the next interval with the next 48 hours, and 1, 3 and 6 hours."""

from collections.abc import Callable

from meterd.core.model.forecast import Quantity
from meterd.core.model.periods import HOUR_MS
from meterd.core.model.plan import Site
from meterd.core.model.reading import Quality
from meterd.core.model.snapshot import Snapshot
from meterd.core.topics.definition import MISSING, Each, Row, RowValue, TimeBasis

HOURS = (1, 3, 6)
_WORDS = {
    Quantity.PV: ("pv/forecast", "PV power"),
    Quantity.LOAD: ("site/load-forecast", "power of all loads but the flexible ones"),
    Quantity.SURPLUS: ("pv/surplus-forecast", "power that PV can give to flexible loads"),
}

Present = Callable[[Site], tuple[str, ...]]


def _take(quantity: Quantity, hours: int | None) -> Callable[[Snapshot, str], RowValue]:
    """The next interval with the whole course, or the interval that ends so many hours after the moment of issue."""

    def take(snapshot: Snapshot, _: str) -> RowValue:
        forecast = snapshot.forecast
        course = None if forecast is None else forecast.of(quantity)
        if forecast is None or course is None:
            return MISSING
        place = 0 if hours is None else hours * HOUR_MS // forecast.interval_ms - 1
        value = course.middle[place] if 0 <= place < len(course.middle) else None
        state = Quality.PARTIAL if forecast.young else Quality.GOOD
        whole = course if hours is None else None
        return RowValue(value, forecast.issued_ms, state, course=whole, step_ms=forecast.interval_ms)

    return take


def _rows(quantity: Quantity, present: Present) -> tuple[Row, ...]:
    pattern, text = _WORDS[quantity]
    whole = (
        f"Forecast of the mean {text} in the next interval; the pack also holds each interval of the next 48 hours, with "
        "quantiles of 10, 50 and 90 %. Partial: from less than six weeks of history."
    )
    rows = [Row(pattern, "W", whole, Each.SITE, TimeBasis.FORECAST, _take(quantity, None), present)]
    for hours in HOURS:
        meaning = f"Forecast of the mean {text} in the interval that ends {hours} h after its time."
        take = _take(quantity, hours)
        rows.append(Row(f"{pattern}/{hours}h", "W", meaning, Each.SITE, TimeBasis.FORECAST, take, present))
    return tuple(rows)


def forecast_rows(everywhere: Present, with_pv: Present) -> tuple[Row, ...]:
    """The rows of all forecasts: those of PV and surplus only where there is PV."""
    return (
        *_rows(Quantity.PV, with_pv),
        *_rows(Quantity.LOAD, everywhere),
        *_rows(Quantity.SURPLUS, with_pv),
    )
