"""The baseline of a load: its daily energy by the kind of day and the outdoor temperature.

    energy of a day = b0 + b1 (Saturday or Sunday) + b2 max(0, 15 - T) + b3 max(0, T - 18)

T is the mean outdoor temperature of the day in degrees Celsius, so the last two are its heating and cooling degree days. A term
that says too little (|t| < 2) is left out, the weakest first; what is left may be the mean of the days alone.

Source: regression on degree days and kinds of day as in ISO 50006 and ASHRAE Guideline 14 (read in abstracts); |t| of 2 and
the temperatures 15 and 18 are common practice.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from meterd.core.savings.regression import Fit, least_squares
from meterd.core.unusual.days import WORKDAY, Bools, Floats, Ints, degree_days

LEAST_T = 2.0
LEAST_DAYS = 42  # six weeks: as for what is usual
LEAST_OF_A_KIND = 5  # days on which a term is not zero
MOST_RHO = 0.9


class Term(StrEnum):
    """A term of the formula."""

    CONSTANT = "constant"
    DAY_OFF = "day-off"
    HEATING = "heating"
    COOLING = "cooling"


@dataclass(frozen=True, slots=True)
class DayFacts:
    """What may explain the energy of days: their class, and the mean outdoor temperature (NaN = not known)."""

    classes: Ints
    outdoor_c: Floats

    def column(self, term: Term) -> Floats:
        """The values of one term."""
        match term:
            case Term.DAY_OFF:
                return np.asarray((self.classes != WORKDAY).astype(np.float64))
            case Term.HEATING:
                return np.asarray(degree_days(self.outdoor_c)[:, 0])
            case Term.COOLING:
                return np.asarray(degree_days(self.outdoor_c)[:, 1])
            case _:
                return np.ones(len(self.classes))

    def matrix(self, terms: Sequence[Term]) -> Floats:
        """Days by terms; NaN where a temperature is needed and not known."""
        return np.column_stack([self.column(term) for term in terms])


@dataclass(frozen=True, slots=True)
class Baseline:
    """The formula that was found. `cv` is CV(RMSE), the residual standard deviation over the mean; None for a mean of zero.

    `rho` is the correlation of residuals of one day with those of the next, 0 or more. `outdoor_c` are the coldest and the
    warmest day that it was learned from; None without temperatures.
    """

    terms: tuple[Term, ...]
    fit: Fit
    days: int
    cv: float | None
    rho: float
    outdoor_c: tuple[float, float] | None

    @property
    def widened(self) -> float:
        """By how much days that go on like the one before widen a variance: n / n' with n' = n (1 - rho) / (1 + rho)."""
        return (1 + self.rho) / (1 - self.rho)


def has_temperatures(energy: Floats, facts: DayFacts) -> bool:
    """Whether enough days have both."""
    return int((np.isfinite(energy) & np.isfinite(facts.outdoor_c)).sum()) >= LEAST_DAYS


def baseline_of(energy: Floats, facts: DayFacts) -> Baseline | None:
    """The formula of consecutive days; NaN = not known. None with fewer than LEAST_DAYS known ones.

    With temperatures only days that have one count.
    """
    warm = has_temperatures(energy, facts)
    known = np.isfinite(energy) & (np.isfinite(facts.outdoor_c) | (not warm))
    if known.sum() < LEAST_DAYS:
        return None
    candidates = (Term.DAY_OFF, Term.HEATING, Term.COOLING) if warm else (Term.DAY_OFF,)
    some = [term for term in candidates if _told_by(facts.column(term)[known])]
    terms, fit = _without_weak((Term.CONSTANT, *some), facts, energy, known)
    mean, outdoor = float(energy[known].mean()), facts.outdoor_c[known]
    return Baseline(
        terms=terms,
        fit=fit,
        days=int(known.sum()),
        cv=fit.residual_sd / abs(mean) if mean else None,
        rho=_autocorrelation(fit.residuals, np.flatnonzero(known)),
        outdoor_c=(float(outdoor.min()), float(outdoor.max())) if warm else None,
    )


def _told_by(column: Floats) -> bool:
    """Whether there are days enough of both kinds to tell what a term is worth."""
    beyond = int((column > 0).sum())
    return LEAST_OF_A_KIND <= beyond <= len(column) - (LEAST_OF_A_KIND if set(column.tolist()) <= {0.0, 1.0} else 0)


def _without_weak(
    terms: tuple[Term, ...], facts: DayFacts, energy: Floats, known: Bools
) -> tuple[tuple[Term, ...], Fit]:
    while True:
        fit = least_squares(facts.matrix(terms)[known], energy[known])
        if fit is None:  # one temperature all the time: heating says the same as the constant
            terms = terms[:-1]
            continue
        strength = [abs(b) / sd if sd > 0 else np.inf for b, sd in zip(fit.coefficients, fit.errors, strict=True)]
        weakest = min(range(1, len(terms)), key=strength.__getitem__, default=0)
        if not weakest or strength[weakest] >= LEAST_T:
            return terms, fit
        terms = (*terms[:weakest], *terms[weakest + 1 :])


def _autocorrelation(residuals: Floats, days: Ints) -> float:
    """Of residuals of days that follow each other; 0 where they do not vary or go to and fro."""
    follows = np.flatnonzero(np.diff(days) == 1)
    squares = float(residuals @ residuals)
    if not len(follows) or squares == 0:
        return 0.0
    # the mean product of neighbours over the mean square, so that gaps take nothing from it
    rho = float(residuals[follows] @ residuals[follows + 1]) / len(follows) / (squares / len(residuals))
    return min(MOST_RHO, max(0.0, rho))
