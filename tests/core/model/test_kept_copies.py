"""Which copies stay."""

from datetime import date, timedelta

from meterd.core.model.kept_copies import kept_copies


def test_days_weeks_and_months() -> None:
    """A year of nightly copies, thinned out every night: 7 days, 5 weeks, 12 months are there, and no more."""
    copies: set[date] = set()
    day = date(2027, 2, 28)
    while day <= date(2028, 3, 1):
        copies = kept_copies(copies | {day}, daily=7, weekly=5, monthly=12)
        day += timedelta(days=1)
    newest = date(2028, 3, 1)
    assert {newest - timedelta(days=n) for n in range(7)} <= copies
    assert len({tuple(item.isocalendar())[:2] for item in copies}) >= 5
    assert len({(item.year, item.month) for item in copies}) == 12
    assert len(copies) <= 7 + 5 + 12
    assert date(2028, 2, 29) in copies


def test_an_outage_costs_no_copy() -> None:
    """Only spans with a copy count."""
    old = [date(2026, 1, day) for day in range(1, 8)]
    assert kept_copies([*old, date(2026, 12, 1)], daily=3, weekly=0, monthly=0) == {old[-1], old[-2], date(2026, 12, 1)}


def test_the_newest_always_stays() -> None:
    """Also where nothing else is stored; nothing of nothing."""
    assert kept_copies([date(2026, 1, 1), date(2026, 1, 2)], daily=0, weekly=0, monthly=0) == {date(2026, 1, 2)}
    assert kept_copies([], daily=7, weekly=5, monthly=12) == set()
