"""Which copies of a store stay: the newest of each of the last days, weeks and months. Pure."""

from collections.abc import Callable, Iterable
from datetime import date


def kept_copies(days: Iterable[date], *, daily: int, weekly: int, monthly: int) -> set[date]:
    """The copies that stay: the newest one of each of the `daily` newest days, `weekly` weeks and `monthly` months with one.

    Only days, weeks (ISO 8601) and months that have a copy count, so an outage of a month costs no older copy. The newest
    copy always stays, whatever the numbers.

    >>> some = [date(2026, 1, day) for day in range(1, 32)]
    >>> sorted(day.day for day in kept_copies(some, daily=2, weekly=2, monthly=1))
    [25, 30, 31]
    """
    newest_first = sorted(set(days), reverse=True)
    spans: tuple[tuple[int, Callable[[date], object]], ...] = (
        (daily, lambda day: day),
        (weekly, lambda day: tuple(day.isocalendar())[:2]),
        (monthly, lambda day: (day.year, day.month)),
    )
    staying = set(newest_first[:1])
    for count, span in spans:
        newest: dict[object, date] = {}
        for day in newest_first:
            newest.setdefault(span(day), day)
        staying.update(list(newest.values())[:count])
    return staying
