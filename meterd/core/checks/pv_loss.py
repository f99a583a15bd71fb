"""PV arrays that give less than they should, and clocks that shift their days, as findings with plain sentences."""

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from meterd.core.model.finding import Finding
from meterd.core.model.finding_cause import remedy
from meterd.core.model.periods import day_of
from meterd.core.model.plan import Site
from meterd.core.pv.roof_fit import RoofDays
from meterd.core.pv.roof_watch import Look, Loss

PV_LOSS, PV_CLOCK = "pv-loss", "pv-clock"


def pv_finding(loss: Loss, days: RoofDays, site: Site) -> Finding:
    """One array; its subject is the point."""
    first_ms, since = int(days.at_ms[loss.day, 0]), _day(loss.day, days, site)
    array, percent = loss.array, f"{loss.loss * 100:.0f}"
    if loss.look is Look.CLOCK:
        direction = "later" if loss.loss > 0 else "earlier"
        text = f"{array}: its days come {abs(loss.loss):.0f} min {direction} than before, since {since}"
        return Finding(PV_CLOCK, array, first_ms, text, remedy(PV_CLOCK), (array,), tuple(_evidence(loss)))
    if loss.look is Look.SEASON:
        text = f"{array} gives {percent} % less than in the same season of the year before"
    elif loss.look is Look.SHADE:
        first, until = _hours(loss, days)
        text = f"{array} gives {percent} % less than a year before between {first} and {until} o'clock standard time"
    elif loss.look is Look.BRIGHT:
        text = f"{array} gives about {percent} % less than before against the other arrays, since {since}"
    else:
        text = f"{array} gives {percent} % less than before under a clear sky, since {since}"
    return Finding(PV_LOSS, array, first_ms, text, remedy(PV_LOSS), (array,), tuple(_evidence(loss)))


def _day(day: int, days: RoofDays, site: Site) -> str:
    middle = days.at_ms.shape[1] // 2
    return str(day_of(int(days.at_ms[day, middle]), ZoneInfo(site.zone)))


def _hours(loss: Loss, days: RoofDays) -> tuple[str, str]:
    """From when to when a shade lasts, to the half hour: days of a roof are days of standard time."""
    assert loss.slots is not None, "a shade has hours"
    halves = (round(slot * days.slot_h * 2) for slot in loss.slots)
    first, until = (f"{half // 2}:{half % 2 * 30:02d}" for half in halves)
    return first, until


def _evidence(loss: Loss) -> Iterable[str]:
    if loss.look is Look.CLOCK:
        yield f"found by the sun on {loss.days} clear days; until the clock is right a loss of this array is not looked for"
    elif loss.look is Look.BRIGHT:
        yield f"{loss.days} bright days; without a fit of its orientation only a loss of about a half is seen"
    elif loss.look is Look.ALONE:
        yield f"{loss.days} clear days; without a second array haze is in it"
    elif loss.look is Look.SEASON:
        yield f"{loss.days} clear days of the last month; dirt or shade that grows, or a loss that was not seen as one"
    elif loss.look is Look.SHADE:
        yield f"{loss.days} bright days of the last month, against the other arrays; its other hours are as they were"
    else:
        yield f"{loss.days} clear days, against the other arrays; parts that an inverter cuts off are left out"


def roof_end(loss: Loss, days: RoofDays, site: Site) -> tuple[str, str]:
    """The name of the finding of a loss that is over, and how it ended."""
    assert loss.ended is not None, "it is over"
    return f"{PV_LOSS}-{loss.array}", f"the array gives as much as before again, since {_day(loss.ended, days, site)}"
