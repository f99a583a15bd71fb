"""The forecast on the page "pv": the next 48 hours with their band, and how good the forecasts of a month were."""

from collections.abc import Sequence

from meterd.adapters.web.common import Values
from meterd.core.forecast.outside import FEWEST_DAYS
from meterd.core.model.forecast import PUBLISHED, Course, ForecastScore, OutsideUse, Quantity, SiteForecast
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot

HOUR_S = 3600


class CourseLine(Values):
    """One quantity in W for each interval: 10, 50 and 90 %; None = nothing can be said."""

    quantity: str
    low: list[int | None]
    middle: list[int | None]
    high: list[int | None]


class Ahead(Values):
    """What is to come within some hours, in mWh and W: the middle of the forecast, and the band of its last interval."""

    quantity: str
    hours: int
    energy: int | None
    low_w: int | None
    middle_w: int | None
    high_w: int | None


class OutsideView(Values):
    """The forecast from outside: what of, since when the newest was known (None: nothing within 12 h), days of errors and

    how many are needed, its weight some hours ahead, 0 to 1.
    """

    quantity: str
    known_ms: int | None
    days: int
    least_days: int
    hours: list[int]
    weights: list[float]


class ForecastView(Values):
    """The newest forecast. `young`: the history is shorter than six weeks, so the band is too narrow."""

    issued_ms: int
    interval_ms: int
    young: bool
    days: int
    courses: list[CourseLine]
    ahead: list[Ahead]
    outside: OutsideView | None


class ScoreLine(Values):
    """How good the forecasts of a lead were in the month, in W, beside the best method without forecast."""

    quantity: str
    lead_h: int
    count: int
    error_w: float
    naive: str
    naive_w: float
    inside: float | None


AHEAD_H = (1, 3, 6, 24)


def forecast_view(snapshot: Snapshot, site: Site) -> ForecastView | None:
    """The forecast of the picture; None before the first, or where its time is over."""
    forecast = snapshot.forecast
    if forecast is None or snapshot.now_ms - forecast.issued_ms > 2 * forecast.interval_ms:
        return None
    published = [(quantity, course) for quantity, course in forecast.courses if quantity in PUBLISHED]
    return ForecastView(
        issued_ms=forecast.issued_ms,
        interval_ms=forecast.interval_ms,
        young=forecast.young,
        days=forecast.days,
        courses=[_line(quantity, course) for quantity, course in published],
        ahead=[_ahead(forecast, quantity, course, hours) for quantity, course in published for hours in AHEAD_H],
        outside=None if forecast.outside is None else _outside(forecast.outside, site),
    )


def score_lines(scores: Sequence[ForecastScore]) -> list[ScoreLine]:
    """The scores as the page shows them."""
    return [
        ScoreLine(
            quantity=score.quantity.value,
            lead_h=score.lead_h,
            count=score.count,
            error_w=score.error_w,
            naive=score.naive,
            naive_w=score.naive_w,
            inside=score.inside,
        )
        for score in scores
    ]


def _line(quantity: Quantity, course: Course) -> CourseLine:
    return CourseLine(quantity=quantity.value, low=list(course.low), middle=list(course.middle), high=list(course.high))


def _outside(use: OutsideUse, site: Site) -> OutsideView:
    hours, weights = [hour for hour, _ in use.weights], [weight for _, weight in use.weights]
    return OutsideView(
        quantity=site.forecast.quantity.value,
        known_ms=use.known_ms,
        days=use.days,
        least_days=FEWEST_DAYS,
        hours=hours,
        weights=weights,
    )


def _ahead(forecast: SiteForecast, quantity: Quantity, course: Course, hours: int) -> Ahead:
    energy = forecast.energy_mwh(quantity, hours)
    last = hours * HOUR_S * 1000 // forecast.interval_ms - 1
    return Ahead(
        quantity=quantity.value,
        hours=hours,
        energy=energy,
        low_w=course.low[last],
        middle_w=course.middle[last],
        high_w=course.high[last],
    )
