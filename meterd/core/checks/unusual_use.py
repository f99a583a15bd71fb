"""Loads that take more than usual as findings: plain sentences with what is usual and what was taken."""

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import remedy
from meterd.core.model.periods import day_of, local
from meterd.core.model.plan import Site
from meterd.core.unusual.watch import Ended, Kind, Unusual

UNUSUAL = "unusual-use"
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
OFF = 0.5  # of a workday: a weekend that usually takes less is one on which the load rests
TIMES = 1.995  # so much of the usual is told as a factor: "400 % more" is read as four times
TOLD_MOVED = 0.02  # by how much the other loads or the weather have moved it before that is said
SUCH = {Kind.WEEK: "week", Kind.WEEKEND: "weekend"}


def unusual_finding(item: Unusual, site: Site) -> Finding:
    """One load that takes more than usual. Its subject is the point, or the site."""
    points = () if item.load == site.name else (item.load,)
    text = _beyond_limit(item, site) if item.kind is Kind.LIMIT else f"{_sentence(item, site)}; {_figures(item)}"
    return Finding(UNUSUAL, item.load, item.first_ms, text, remedy(UNUSUAL), points, tuple(_evidence(item)))


def _beyond_limit(item: Unusual, site: Site) -> str:
    day = day_of(item.first_ms, ZoneInfo(site.zone))
    return (
        f"{item.load} takes {_kilo(item.taken)} kW by night since {day}, more than its limit of {_kilo(item.usual)} kW"
    )


def _sentence(item: Unusual, site: Site) -> str:
    day, zone = day_of(item.first_ms, ZoneInfo(site.zone)), ZoneInfo(site.zone)
    weekday = WEEKDAYS[local(item.first_ms, zone).weekday()]
    if item.kind is Kind.NIGHT:
        more = _kilo(item.taken - item.usual)
        if item.load == site.name:
            return f"the site's night-time base load rose by {more} kW on {day}"
        return f"the night-time base load of {item.load} rose by {more} kW on {day}"
    if item.kind is Kind.WEEKEND and item.usual < OFF * item.workdays <= item.taken:
        return f"{item.load} ran through the weekend of {day}"
    ratio = item.taken / max(item.usual, 1.0)
    more = f"{_times(ratio)} times as much as" if ratio >= TIMES else f"{(ratio - 1) * 100:.0f} % more than"
    return f"{item.load} took {more} usual for a {SUCH[item.kind]} like this, since {weekday} {day}"


def _times(ratio: float) -> str:
    """A factor as people say it: 5.2 times, 12 times, 2 times.

    >>> _times(5.23), _times(12.4), _times(1.996)
    ('5.2', '12', '2')
    """
    return f"{ratio:.1f}".removesuffix(".0") if ratio < 9.95 else f"{ratio:.0f}"


def _figures(item: Unusual) -> str:
    unit = "kW" if item.kind is Kind.NIGHT else "kWh"
    return f"usual {_kilo(item.usual)} {unit} by {item.weeks} comparable weeks, taken {_kilo(item.taken)} {unit}"


def _evidence(item: Unusual) -> Iterable[str]:
    if abs(item.others - 1) > TOLD_MOVED:
        yield f"the other loads took {_moved(item.others)} than usual meanwhile; what is usual here counts that in"
    if abs(item.air - 1) > TOLD_MOVED:
        yield f"by the outdoor temperatures {_moved(item.air)} than before is usual meanwhile; this is counted in"


def _moved(factor: float) -> str:
    """By how much, and where to.

    >>> _moved(1.124), _moved(0.9)
    ('12 % more', '10 % less')
    """
    return f"{abs(factor - 1) * 100:.0f} % {'more' if factor > 1 else 'less'}"


def _kilo(value: float) -> str:
    """In thousands, three digits.

    >>> _kilo(412_345.0), _kilo(4_021.0), _kilo(56.0)
    ('412', '4.02', '0.056')
    """
    thousands = value / 1000
    digits = 0 if thousands >= 100 else 1 if thousands >= 10 else 2 if thousands >= 1 else 3
    return f"{thousands:.{digits}f}"


def end_of(ended: Ended, site: Site) -> str:
    """How a finding of unusual use came to its end."""
    day, first = day_of(ended.at_ms, ZoneInfo(site.zone)), day_of(ended.first_ms, ZoneInfo(site.zone))
    if ended.how == "accepted":
        return f"taken as the new normal on {day}"
    if ended.how == "usual now":
        return f"what {ended.load} takes since {first} has become usual"
    return f"{ended.load} takes no more than usual since {day}"
