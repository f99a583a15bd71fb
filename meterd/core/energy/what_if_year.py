"""A calendar year of a site as it was and as it would have been: an estimate with its assumptions."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.aggregation import net_plan
from meterd.core.energy.cost import MONEY, PeriodAccount
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.energy.tariff import COIN_PARTS, BillLine, total
from meterd.core.energy.what_if import (
    MOST_PART,
    MWH_PER_KWH,
    Battery,
    BatteryUse,
    ChangedConnection,
    Flows,
    Summary,
    above,
    more_pv,
    summary,
    with_battery,
)
from meterd.core.errors import ConfigError
from meterd.core.model.connection import connection_feeds
from meterd.core.model.periods import HOUR_MS, Period, bounds, day_of, local, starts
from meterd.core.model.plan import Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.tariff import CURRENCY, Price, PriceKind

FULL_POWER = Fraction(85, 100)  # of the kWp the best interval of a year comes to (common practice for a roof)
HOURS_OF_CHARGE = 2  # a battery of 40 kWh takes and gives 20 kW where nothing else is said (common practice)


@dataclass(frozen=True, slots=True)
class Question:
    """What is to be different. `installed_kwp` is what the PV of the site has; None: from its best interval."""

    year: int | None = None
    contract_kw: Fraction | None = None
    more_kwp: Fraction = Fraction(0)
    installed_kwp: Fraction | None = None
    battery_kwh: Fraction = Fraction(0)
    battery_kw: Fraction | None = None
    tariff: tuple[Price, ...] | None = None


def plain_tariff(site: Site, prices: dict[PriceKind, Fraction | None]) -> tuple[Price, ...] | None:
    """A tariff of one price of each kind in the currency of the plan; None without any price.

    Prices are per kWh (import, export), per kW of the year's highest interval mean (demand) and per month (fixed).
    """
    currency = currency_of(site)
    rows = [
        Price(kind.value, kind, price, currency, per="year" if kind is PriceKind.DEMAND else "month")
        for kind, price in prices.items()
        if price is not None
    ]
    return tuple(rows) or None


def currency_of(site: Site) -> str:
    """The currency of the tariff of the plan, or the one that holds where it names none."""
    return site.tariff[0].currency if site.tariff else CURRENCY


@dataclass(frozen=True, slots=True)
class Case:
    """The year in one of the two ways: sums in mWh, intervals above the contract, the lines of the bill."""

    sums: Summary
    above: int | None
    bill: tuple[BillLine, ...]

    @property
    def amount(self) -> int | None:
        """The sum of the bill in 1/10,000 of the currency; None without a tariff."""
        return total(self.bill, MONEY) if self.bill else None


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Both cases of a calendar year from `from_ms` until `until_ms`, and what they rest on."""

    year: int
    from_ms: int
    until_ms: int
    interval_ms: int
    before: Case
    after: Case
    contract_w: int | None
    installed_kwp: Fraction | None
    battery: Battery | None
    use: BatteryUse | None

    @property
    def cycles(self) -> Fraction:
        """How often the battery was emptied, by the energy it gave."""
        if self.use is None or self.battery is None or not self.battery.capacity_mwh:
            return Fraction(0)
        return Fraction(int(self.use.given.sum()), self.battery.capacity_mwh)


def what_if(stored: StoredFigures, site: Site, question: Question, now_ms: int) -> WhatIf:
    """Both cases; ConfigError for what cannot be answered."""
    _refuse(site, question)
    interval_ms, zone = site.interval_s * 1000, ZoneInfo(site.zone)
    span = stored.span(Period.INTERVAL)
    if span is None:
        raise ConfigError("the store has no closed interval yet: let the daemon run, or import old readings")
    history = span[0], span[1] + interval_ms
    start, end = _year(site, question.year, history, now_ms)
    low, high = max(start, history[0]), min(end, history[1])
    flows = _flows(stored, site, (low, high))
    if not flows.known.any():
        raise ConfigError(
            "in each interval of this year a reading is missing; name another year, or let the daemon run"
        )
    after, installed = flows, None
    if question.more_kwp:
        installed = question.installed_kwp or _installed(flows)
        if question.more_kwp > MOST_PART * installed:
            raise ConfigError(
                f"more PV is at most {MOST_PART} times what is installed, here {float(installed):.1f} kWp"
            )
        after = more_pv(after, question.more_kwp / installed)
    battery, use = _battery(question), None
    if battery is not None:
        after, use = with_battery(after, battery)
    contract_w = site.limits.contracted_w if question.contract_kw is None else round(question.contract_kw * 1000)
    other = site if question.tariff is None else replace(site, tariff=question.tariff)
    before, later = (
        _case(ChangedConnection(stored, site, case), (case, start, history), plan, contract)
        for case, plan, contract in ((flows, site, site.limits.contracted_w), (after, other, contract_w))
    )
    year = local(start, zone).year
    return WhatIf(
        year=year,
        from_ms=low,
        until_ms=high,
        interval_ms=interval_ms,
        before=before,
        after=later,
        contract_w=contract_w,
        installed_kwp=installed,
        battery=battery,
        use=use,
    )


def _case(
    stored: ChangedConnection, of: tuple[Flows, int, tuple[int, int]], plan: Site, contract_w: int | None
) -> Case:
    flows, start, history = of
    bill = PeriodAccount(stored, plan, Period.YEAR, start, history).bill if plan.tariff else ()
    return Case(summary(flows), None if contract_w is None else above(flows, contract_w), bill)


def _refuse(site: Site, question: Question) -> None:
    """What the site has no figures for."""
    feeds = connection_feeds(site)
    if not feeds:
        raise ConfigError("the plan has no live feed: nothing says what the site takes; see meterd check PLAN")
    read = {(row.point, row.register) for row in site.inputs}
    if (question.more_kwp or question.battery_kwh) and not any((point.name, EXPORT) in read for point in feeds):
        raise ConfigError("no feed reads what is exported (2.8.0): it is needed for more PV and for a battery")
    if question.more_kwp and not any(p.role is Role.PV and p.counts for p in site.points):
        raise ConfigError("the site has no PV point: more PV is estimated from what its own roof produced")
    numbers = (
        question.more_kwp,
        question.battery_kwh,
        question.contract_kw,
        question.installed_kwp,
        question.battery_kw,
    )
    if any(number is not None and number < 0 for number in numbers) or question.installed_kwp == 0:
        raise ConfigError("sizes are not below zero, and installed PV is above it")


def _year(site: Site, year: int | None, history: tuple[int, int], now_ms: int) -> tuple[int, int]:
    """The calendar year that is asked for; else the newest one that is known from begin to end, or the one known longest."""
    zone, step = ZoneInfo(site.zone), site.interval_s * 1000
    first = bounds(Period.YEAR, history[0], zone, step)[0]
    years = [
        bounds(Period.YEAR, at, zone, step) for at in starts(Period.YEAR, first, min(history[1], now_ms), zone, step)
    ]
    if year is not None:
        years = [span for span in years if local(span[0], zone).year == year]
        if not years:
            raise ConfigError(f"the store has no interval of {year}; name another year")
    return max(years, key=lambda span: (min(span[1], history[1]) - max(span[0], history[0]), span[0]))


def _flows(stored: StoredFigures, site: Site, span: tuple[int, int]) -> Flows:
    step = site.interval_s * 1000
    grid = np.arange(span[0], span[1], step, dtype=np.int64)
    read = {(row.point, row.register) for row in site.inputs}
    feeds = [point.name for point in connection_feeds(site)]
    sides = [[(name, register) for name in feeds if (name, register) in read] for register in (IMPORT, EXPORT)]
    imported, exported = (stored.columns(channels, Period.INTERVAL, grid) for channels in sides)
    plan = net_plan(site, [point.name for point in site.points if point.role is Role.PV and point.counts])
    pv = plan.net(
        stored.columns(plan.imports, Period.INTERVAL, grid), stored.columns(plan.exports, Period.INTERVAL, grid)
    )
    known = np.asarray(imported.present.all(axis=1) & exported.present.all(axis=1) & pv.present.all(axis=1))
    sums = [columns.energy.sum(axis=1) for columns in (imported, exported, pv)]
    return Flows(grid, step, imported=sums[0], exported=sums[1], produced=sums[2], known=known)


def _installed(flows: Flows) -> Fraction:
    """kWp of the PV of the site, guessed from the best interval of the year."""
    best = int(np.where(flows.known, flows.produced, 0).max(initial=0))
    if best <= 0:
        raise ConfigError("PV has produced nothing in this year: name what is installed in kWp")
    return Fraction(best * HOUR_MS, flows.interval_ms * MWH_PER_KWH) / FULL_POWER


def _battery(question: Question) -> Battery | None:
    if not question.battery_kwh:
        return None
    power_kw = question.battery_kwh / HOURS_OF_CHARGE if question.battery_kw is None else question.battery_kw
    return Battery(round(question.battery_kwh * MWH_PER_KWH), round(power_kw * 1000))


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of both cases in Wh, W, the currency or a count; None = not known. `key` names its words."""

    key: str
    unit: str
    before: float | None
    after: float | None


def figures(answer: WhatIf) -> list[Figure]:
    """What page and command show, in their order."""

    def energy(key: str, pick: Callable[[Summary], int]) -> Figure:
        return Figure(key, "Wh", pick(answer.before.sums) / 1000, pick(answer.after.sums) / 1000)

    results = [energy("imported", lambda s: s.imported), energy("exported", lambda s: s.exported)]
    if answer.before.sums.produced or answer.after.sums.produced:
        results.append(energy("produced", lambda s: s.produced))
    if answer.use is not None:
        results.append(Figure("lost", "Wh", 0, int(answer.use.lost.sum()) / 1000))
        results.append(Figure("left", "Wh", 0, int(answer.use.stored[-1]) / 1000))
        results.append(Figure("cycles", "", 0, round(float(answer.cycles), 1)))
    before, after = answer.before, answer.after
    results.append(Figure("peak", "W", *(case.sums.peak_w(answer.interval_ms) for case in (before, after))))
    if answer.contract_w is not None:
        results.append(Figure("above", "", before.above, after.above))
    for case in (before, after):
        if case.bill:
            currency = case.bill[0].price.currency
            amounts = [None if c.amount is None else c.amount / COIN_PARTS for c in (before, after)]
            results.append(Figure("bill", currency, *amounts))
            break
    return results


def assumptions(answer: WhatIf, zone: ZoneInfo) -> list[tuple[str, dict[str, str]]]:
    """What the estimate rests on: keys of sentences with their values."""
    sums = answer.before.sums
    first, last = (day_of(at, zone).isoformat() for at in (answer.from_ms, answer.until_ms - 1))
    results: list[tuple[str, dict[str, str]]] = []
    results.append(("rests_on", {"first": first, "last": last, "known": str(sums.known), "of": str(sums.of)}))
    if answer.installed_kwp is not None:
        results.append(("assume_pv", {"kwp": f"{float(answer.installed_kwp):.1f}"}))
    if answer.battery is not None:
        power, percent = f"{answer.battery.power_w / 1000:g}", f"{answer.battery.permille / 10:g}"
        results.append(("assume_battery", {"power": power, "percent": percent}))
    results.append(("assume_interval", {}))
    if answer.before.bill or answer.after.bill:
        results.append(("assume_bill", {}))
    return results
