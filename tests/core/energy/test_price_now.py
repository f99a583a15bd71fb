"""The price of now and its next change: hours of weekdays over a weekend, a change of the clocks, a dated price, steps."""

from dataclasses import replace
from datetime import datetime
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from meterd.core.energy.price_now import price_now
from meterd.core.model.periods import to_ms
from meterd.core.model.plan import Site
from meterd.core.model.tariff import Price, PriceKind, times_in

ZONE = "Europe/Vienna"
DAY, NIGHT = Fraction("0.219"), Fraction("0.174")
HOURS = times_in("mon-fri 06:00-22:00")
TARIFF = (
    Price("day", PriceKind.IMPORT, DAY, times=HOURS),
    Price("night", PriceKind.IMPORT, NIGHT, not_times=HOURS),
    Price("feed-in", PriceKind.EXPORT, Fraction("0.07")),
)
LEVY = Price("levy", PriceKind.IMPORT, Fraction("0.01"))


def at(text: str) -> int:
    """A local moment."""
    return to_ms(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(ZONE)))


@pytest.mark.parametrize(
    ("tariff", "now", "price", "until", "then"),
    [
        (TARIFF, "2026-05-08 12:07", DAY, "2026-05-08 22:00", NIGHT),  # a Friday
        (TARIFF, "2026-05-08 22:00", NIGHT, "2026-05-11 06:00", DAY),  # until Monday
        (TARIFF, "2026-10-23 23:00", NIGHT, "2026-10-26 06:00", DAY),  # the night of Sunday has an hour more
        ((*TARIFF, LEVY), "2026-05-08 12:07", DAY + LEVY.price, "2026-05-08 22:00", NIGHT + LEVY.price),
        ((LEVY,), "2026-05-08 12:07", LEVY.price, None, None),
        (
            (replace(LEVY, from_ms=at("2026-05-09 00:00")),),
            "2026-05-08 12:07",
            Fraction(0),
            "2026-05-09 00:00",
            LEVY.price,
        ),
        ((LEVY, replace(LEVY, name="beyond", above_kwh=Fraction(100))), "2026-05-08 12:07", LEVY.price, None, None),
    ],
)
def test_price_and_next_change(
    tariff: tuple[Price, ...], now: str, price: Fraction, until: str | None, then: Fraction | None
) -> None:
    """By hand from the calendar."""
    result = price_now(Site("mill", ZONE, tariff=tariff), at(now))
    assert result is not None
    assert (result.price, result.until_ms, result.then) == (price, None if until is None else at(until), then)


def test_a_plan_without_import_prices_has_none() -> None:
    """Feed-in alone is no price of what is taken."""
    assert price_now(Site("mill", ZONE), at("2026-05-08 12:00")) is None
    assert price_now(Site("mill", ZONE, tariff=TARIFF[2:]), at("2026-05-08 12:00")) is None
