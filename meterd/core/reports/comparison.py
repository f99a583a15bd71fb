"""A month beside the month before and the same month a year before; a year beside the year before. Whole periods only."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterd.core.energy.cost import MONEY, PeriodAccount
from meterd.core.energy.tariff import demand_kw, total
from meterd.core.model.periods import Period, bounds
from meterd.core.model.results import PvRow

W_PER_KW = 1000


@dataclass(frozen=True, slots=True)
class PeriodFigures:
    """Figures of a whole period: energies in mWh, the highest demand in W, the cost in 1/10,000 of the currency.

    None where an interval is missing, or where the site or the plan has no such figure.
    """

    start_ms: int
    imported: int | None
    exported: int | None
    produced: int | None
    self_use: int | None
    consumed: int | None
    demand_w: float | None
    cost: int | None


def period_figures(account: PeriodAccount, pv: PvRow | None) -> PeriodFigures | None:
    """The figures of a period of which all is history; None for any other."""
    if account.part is not None or not len(account.grid):
        return None
    every = np.ones(len(account.grid), dtype=np.bool_)
    highest = demand_kw(account.taken.largest(every), account.site.interval_s * 1000)
    return PeriodFigures(
        start_ms=account.start_ms,
        imported=account.taken.sum(every),
        exported=account.given.sum(every),
        produced=None if pv is None else pv.production,
        self_use=None if pv is None else pv.self_use,
        consumed=None if pv is None else pv.consumed,
        demand_w=None if highest is None else float(highest) * W_PER_KW,
        cost=total(account.bill, MONEY) if account.site.tariff else None,
    )


def compared_with(account: PeriodAccount) -> Sequence[PeriodAccount]:
    """The periods that one is compared with: the one before it, and of a month the same month of the year before."""
    step = account.site.interval_s * 1000

    def before(period: PeriodAccount) -> PeriodAccount:
        start = bounds(period.period, period.start_ms - step, account.zone, step)[0]
        return PeriodAccount(period.stored, period.site, period.period, start, period.history)

    results = [before(account)]
    if account.period is Period.MONTH:
        year_ago = account
        for _ in range(12):
            year_ago = before(year_ago)
        results.append(year_ago)
    return results


def change_percent(now: float | None, then: float | None) -> float | None:
    """The change from an earlier value in percent, to one decimal; None where one is missing, or the earlier one is not above 0.

    >>> change_percent(110, 100)
    10.0
    """
    return None if now is None or then is None or then <= 0 else round(100 * (now / then - 1), 1)
