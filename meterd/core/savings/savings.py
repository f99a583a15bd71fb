"""What was saved: the baseline carried into later days, less what was measured, with the uncertainty of the difference.

    saving = sum of (baseline - measured) over the m known days
    u^2    = s^2 (m + x' (X'X)^-1 x) (1 + rho) / (1 - rho),      x = sum of the rows of these days
    band   = 2 u

The first part is exact for ordinary least squares with independent residuals: m days scatter, and the formula itself is not
known exactly. The factor is n / n' of days that go on like the one before, n' = n (1 - rho) / (1 + rho). It replaces the
approximation 1.26 CV(RMSE) sqrt(n / n' (1 + 2 / n') / m) for the same thing.

Only days like those of the baseline are compared. With temperatures these are the days at most 2 °C colder or warmer than all of
them. Without, those of the same season: a formula that was learned in winter says nothing of the summer. On the loads of
tests/data three months after four were called a change of 33 % (root mean square) with a band of 9 %, though nothing was done.

Source: Reddy and Claridge, HVAC&R Research 6 (2000) 3-20, and ASHRAE Guideline 14-2014, annex B, for n' and the approximation
(from memory); Koran, Boyer, Khawaja, Rushton and Stewart, A Comparison of Approaches to Estimating the Time-Aggregated
Uncertainty of Savings Estimated from Meter Data (2017), which names the exact form (read in its abstract).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from zoneinfo import ZoneInfo

import numpy as np

from meterd.core.energy.energy_items import EnergyItem, ItemKind, board_items, figures_of, point_items, site_items
from meterd.core.energy.stored_figures import StoredFigures
from meterd.core.errors import ConfigError
from meterd.core.model.periods import DAY_MS, Period, day_of, starts
from meterd.core.model.plan import BaselinePeriod, Site
from meterd.core.registers.register_line import Flag
from meterd.core.savings.baseline import LEAST_DAYS, Baseline, DayFacts, Term, baseline_of, has_temperatures
from meterd.core.unusual.days import Bools, Floats, Ints, classes_of

COVERAGE_FACTOR = 2
MOST_CV = (
    0.25  # ASHRAE Guideline 14 for energy of a whole building (common practice): above it the formula does not fit
)
# Common practice: a formula is believed that explains at least half of how the days differ; where they hardly differ there is
# nothing to explain. On tests/data, a month after four with nothing done, the error of what is left is 10 % (root mean square)
# instead of 19 %, and 0.75 instead of 0.5 makes it no smaller.
LEAST_R2, STEADY_CV = 0.5, 0.10
MARGIN_C = 2.0  # a straight line goes on so far; how much less is known there is in the band
MOST_DAYS = 3660
SEASON_DAYS = 15  # of the year, to both sides
DAYS_OF_YEAR = 366
MWH_PER_WH = 1000


class Outcome(StrEnum):
    """What can be said."""

    SAVED = "saved"
    MORE = "more"  # more was taken than by the baseline
    WITHIN = "within"  # the difference is no larger than its band
    NO_FIT = "no-fit"  # the formula does not describe its own days
    EXPLAINS_LITTLE = "explains-little"  # of how the days of the baseline differ
    TOO_FEW = "too-few"  # days of the baseline
    NO_DAYS = "no-days"  # none of the days after it is known
    NOT_ALIKE = "not-alike"  # none of them is like a day of the baseline


@dataclass(frozen=True, slots=True)
class SavingsQuestion:
    """Of what, from when until when (exclusive) the baseline is learned, and of which days the saving is asked."""

    item: EnergyItem
    baseline_ms: tuple[int, int]
    reporting_ms: tuple[int, int]


@dataclass(frozen=True, slots=True)
class SavingDay:
    """One local day in mWh, None = missing; `saved` and `band` since the first day, of the known days."""

    start_ms: int
    measured: int | None
    baseline: int | None
    saved: int
    band: int


@dataclass(frozen=True, slots=True)
class Savings:
    """The answer. Sums in mWh are of the known days of the reporting period; None where there are none or no saving is told.

    `estimated` counts days, of both periods, that rest on an estimated reading. `unlike` counts known days of the reporting
    period that are not compared: of another season, or much colder or warmer than all days of the baseline.
    """

    question: SavingsQuestion
    outcome: Outcome
    baseline: Baseline | None
    baseline_known: int
    baseline_of: int
    days: tuple[SavingDay, ...]
    known: int
    estimated: int
    unlike: int
    expected: int | None = None
    measured: int | None = None
    saved: int | None = None
    band: int | None = None

    @property
    def part(self) -> float | None:
        """The saving as a part of what was to be expected."""
        return None if self.saved is None or not self.expected else self.saved / self.expected


def savings_item(site: Site, name: str) -> EnergyItem | None:
    """What is meant by a name: a point (also by a former name), a board (its feed side), or the site (its consumption)."""
    now_called = {alias: point.name for point in site.points for alias in point.aliases}
    items = [*point_items(site), *board_items(site)]
    results = next((item for item in items if item.name == now_called.get(name, name)), None)
    if results is None and name == site.name:
        return next((item for item in site_items(site) if item.name == "consumption"), None)
    return results


def savings_items(site: Site) -> list[EnergyItem]:
    """All that can be asked for."""
    whole = [item for item in site_items(site) if item.name == "consumption"]
    return [*whole, *board_items(site), *point_items(site)]


def planned_baseline(site: Site, name: str) -> BaselinePeriod | None:
    """The newest baseline of a name in the plan."""
    return next((row for row in reversed(site.baselines) if row.name == name), None)


def name_of(item: EnergyItem, site: Site) -> str:
    """The name by which it is asked for."""
    return site.name if item.kind is ItemKind.SITE else item.name


def savings_of(stored: StoredFigures, site: Site, question: SavingsQuestion) -> Savings:
    """The answer from stored days. ConfigError for periods that cannot be."""
    low, high = question.baseline_ms
    begin, end = question.reporting_ms
    if low >= high or begin >= end:
        raise ConfigError("a period ends before it begins; its last day must not lie before its first one")
    if begin < high and low < end:
        raise ConfigError("the reporting period overlaps the baseline; let it begin where the baseline ends, or later")
    closed = stored.span(Period.DAY)
    end = min(end, begin if closed is None else closed[1] + 1)
    if max(high - low, end - begin) > MOST_DAYS * DAY_MS:
        raise ConfigError("a period is longer than ten years; what was then says nothing of today")
    before = _Days(stored, site, question.item, question.baseline_ms)
    after = _Days(stored, site, question.item, (begin, end))
    warm = has_temperatures(before.energy, before.facts)
    learned = before.energy if warm else np.where(alike(before.dates, after.dates), before.energy, np.nan)
    baseline = baseline_of(learned, before.facts)
    answer = Savings(
        question=question,
        outcome=Outcome.TOO_FEW if baseline is None else Outcome.NO_FIT,
        baseline=baseline,
        baseline_known=int(np.isfinite(learned).sum()),
        baseline_of=len(before.days),
        days=(),
        known=int(after.known.sum()),
        estimated=before.estimated + after.estimated,
        unlike=0,
    )
    if not answer.known:
        return replace(answer, outcome=Outcome.NO_DAYS)
    if not warm and not alike(after.dates[after.known], before.dates[before.known]).any():
        return replace(answer, outcome=Outcome.NOT_ALIKE, unlike=answer.known)
    if baseline is None or baseline.cv is None or baseline.cv > MOST_CV:
        return answer
    if explains_little(baseline):
        return replace(answer, outcome=Outcome.EXPLAINS_LITTLE)
    compared = after.known & (
        _within(baseline.outdoor_c, after) if baseline.outdoor_c else alike(after.dates, before.dates)
    )
    answer = replace(answer, unlike=int((after.known & ~compared).sum()))
    if not compared.any():
        return replace(answer, outcome=Outcome.NOT_ALIKE)
    days = tuple(_differences(baseline, after, compared))
    both = [(day.measured, day.baseline) for day in days if day.measured is not None and day.baseline is not None]
    saved, band = days[-1].saved, days[-1].band
    return replace(
        answer,
        outcome=Outcome.WITHIN if abs(saved) <= band else Outcome.SAVED if saved > 0 else Outcome.MORE,
        days=days,
        known=len(both),
        expected=sum(expected for _, expected in both),
        measured=sum(measured for measured, _ in both),
        saved=saved,
        band=band,
    )


def explains_little(baseline: Baseline) -> bool:
    """Whether days differ, and the formula says of less than half of it why; the mean of the days alone says of nothing."""
    r2 = 0.0 if baseline.fit.r2 is None else baseline.fit.r2
    return r2 < LEAST_R2 and baseline.cv is not None and baseline.cv > STEADY_CV


def alike(days: Ints, others: Ints) -> Bools:
    """Which days of the year (1 to 366) lie within SEASON_DAYS of one of the others, also over the turn of the year.

    >>> alike(np.array([1, 100, 361]), np.array([10, 150])).tolist()
    [True, False, True]
    """
    near = np.zeros(DAYS_OF_YEAR, dtype=np.bool_)
    for shift in range(-SEASON_DAYS, SEASON_DAYS + 1):
        near[(others - 1 + shift) % DAYS_OF_YEAR] = True
    return np.asarray(near[days - 1])


def _within(outdoor_c: tuple[float, float], after: "_Days") -> Bools:
    low, high = outdoor_c[0] - MARGIN_C, outdoor_c[1] + MARGIN_C
    return np.asarray((after.facts.outdoor_c >= low) & (after.facts.outdoor_c <= high))


class _Days:
    """The local days of a span: energies in mWh (NaN = missing, or only a lower bound), and what may explain them."""

    def __init__(self, stored: StoredFigures, site: Site, item: EnergyItem, span: tuple[int, int]) -> None:
        zone = ZoneInfo(site.zone)
        self.days: Ints = np.array(starts(Period.DAY, *span, zone, site.interval_s * 1000), dtype=np.int64)
        columns = figures_of(stored, item, Period.DAY, self.days)
        flags = columns.flags[:, 0]
        self.known: Bools = np.asarray(columns.present[:, 0] & ((flags & np.uint8(Flag.BOUND)) == 0))
        self.exact: Ints = columns.energy[:, 0]
        self.energy: Floats = np.where(self.known, self.exact.astype(np.float64), np.nan)
        self.estimated = int((self.known & (flags != 0)).sum())
        outdoor = dict(site.outdoor_c)
        self.dates: Ints = np.array(
            [day_of(day, zone).timetuple().tm_yday for day in self.days.tolist()], dtype=np.int64
        )
        self.facts = DayFacts(
            classes_of(self.days, zone, site.holidays),
            np.array([outdoor.get(day, np.nan) for day in self.days.tolist()]),
        )


def _differences(baseline: Baseline, after: _Days, compared: Bools) -> Iterator[SavingDay]:
    """Each day with what was saved by its end. Whole mWh by day, so that the days add up to the sum."""
    rows = np.where(compared[:, None], after.facts.matrix(baseline.terms), 0.0)
    expected = np.rint(rows @ baseline.fit.coefficients)
    whole = np.cumsum(rows, axis=0)
    scatter = np.cumsum(compared) + np.einsum("ij,jk,ik->i", whole, baseline.fit.inverse, whole)
    band = np.rint(COVERAGE_FACTOR * baseline.fit.residual_sd * np.sqrt(scatter * baseline.widened))
    saved = 0
    for i, start in enumerate(after.days.tolist()):
        measured = int(after.exact[i]) if after.known[i] else None
        day = int(expected[i]) if compared[i] else None
        saved += day - measured if day is not None and measured is not None else 0
        yield SavingDay(start, measured, day, saved, int(band[i]))


@dataclass(frozen=True, slots=True)
class PlannedSaving:
    """The saving of a measure that the plan names, in a period."""

    reason: str
    answer: Savings


def planned_savings(stored: StoredFigures, site: Site, span: tuple[int, int]) -> tuple[PlannedSaving, ...]:
    """Of every baseline of the plan whose saving counts in the span; of energies that the plan reads."""
    results = []
    for row in site.baselines:
        item, begin = savings_item(site, row.name), max(span[0], row.reporting_ms)
        if item is not None and begin < span[1]:
            question = SavingsQuestion(item, (row.from_ms, row.until_ms), (begin, span[1]))
            results.append(PlannedSaving(row.reason, savings_of(stored, site, question)))
    return tuple(results)


# -- what page, command and report say of it ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FormulaTerm:
    """A term with its coefficient in Wh (per day, or per degree and day) and the standard deviation of that."""

    term: Term
    wh: float
    error_wh: float


def formula(baseline: Baseline) -> list[FormulaTerm]:
    """The terms of the formula in their order."""
    values = zip(baseline.terms, baseline.fit.coefficients.tolist(), baseline.fit.errors.tolist(), strict=True)
    return [FormulaTerm(term, value / MWH_PER_WH, error / MWH_PER_WH) for term, value, error in values]


def remarks(answer: Savings) -> Sequence[tuple[str, dict[str, int]]]:
    """What has to be known with the figures: keys of sentences with their values."""
    results: list[tuple[str, dict[str, int]]] = []
    missing = len(answer.days) - answer.known - answer.unlike
    if answer.baseline is None:
        results.append(("least_days", {"least": LEAST_DAYS}))
    elif answer.baseline.terms == (Term.CONSTANT,):
        results.append(("mean_only", {}))
    if answer.baseline is None or answer.baseline.outdoor_c is None:
        results.append(("season", {"n": SEASON_DAYS}))
    if answer.days and missing:
        results.append(("missing", {"n": missing, "of": len(answer.days)}))
    if answer.estimated:
        results.append(("estimated", {"n": answer.estimated}))
    if answer.days and answer.unlike:
        results.append(("unlike", {"n": answer.unlike}))
    if answer.saved is not None:
        results.append(("meter", {}))
    return results
