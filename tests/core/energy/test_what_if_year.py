"""A year of figures in memory: which year is taken, what is refused, what the answer says it rests on."""

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.core.energy.rollup import Columns
from meterd.core.energy.what_if_year import Question, assumptions, figures, plain_tariff, what_if
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period
from meterd.core.model.plan import Board, Input, Limits, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import BalanceRow, Channel, PvRow
from meterd.core.model.tariff import Price, PriceKind
from meterd.core.registers.register_line import Ints

HOUR = 3_600_000
BEGIN = 1_767_222_000_000  # 2025-12-31 23:00 UTC: 2026 in Vienna
POINTS = (Point("grid", "main", Role.FEED), Point("roof", "main", Role.PV))
INPUTS = tuple(Input(name, register, "b", "x") for name in ("grid", "roof") for register in (IMPORT, EXPORT))
SITE = Site(
    "mill",
    "Europe/Vienna",
    interval_s=3600,
    boards=(Board("main"),),
    points=POINTS,
    inputs=INPUTS,
    limits=Limits(contracted_w=9_000),
)


class Figures:
    """Hours from before New Year on: 10 kWh of import at night, 6 kWh of export and 8 kWh of PV at day; hour 30 is missing."""

    begin, hours = BEGIN - 100 * HOUR, 500

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """Of intervals only."""
        assert period is Period.INTERVAL
        day = (starts // HOUR) % 24 < 12
        energies = {
            ("grid", IMPORT): np.where(day, 0, 10_000_000),
            ("grid", EXPORT): np.where(day, 6_000_000, 0),
            ("roof", IMPORT): np.where(day, 8_000_000, 0),
            ("roof", EXPORT): np.zeros(len(starts), dtype=np.int64),
        }
        table = np.array([energies[channel] for channel in channels], dtype=np.int64).reshape(len(channels), -1).T
        present = np.repeat((starts != BEGIN + 30 * HOUR)[:, None], len(channels), axis=1)
        return Columns(table.copy(), present, np.zeros(table.shape, dtype=np.uint8))

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """None."""
        return []

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """None."""
        return []

    def span(self, period: Period) -> tuple[int, int] | None:
        """First and last hour."""
        return self.begin, self.begin + (self.hours - 1) * HOUR


class Empty(Figures):
    """A store before its first interval."""

    def span(self, period: Period) -> tuple[int, int] | None:
        """None."""
        return None


NOW = Figures.begin + Figures.hours * HOUR


def test_the_year_that_is_known_longest_is_taken_unless_another_is_asked_for() -> None:
    """400 hours of 2026 against 100 of 2025; what is not known counts as nothing in both cases, and that is said."""
    answer = what_if(Figures(), SITE, Question(contract_kw=Fraction(10)), NOW)
    assert (answer.year, answer.before.sums.known, answer.before.sums.of) == (2026, 399, 400)
    assert what_if(Figures(), SITE, Question(year=2025), NOW).before.sums.of == 100
    key, text = assumptions(answer, ZoneInfo(SITE.zone))[0]
    assert (key, text["known"], text["first"]) == ("rests_on", "399", "2026-01-01")
    counted = {figure.key: (figure.before, figure.after) for figure in figures(answer)}
    assert counted["above"][0] > 150
    assert counted["above"][1] == 0
    assert counted["peak"] == (10_000, 10_000)


def test_more_pv_and_a_battery_say_what_they_assume() -> None:
    """8 kWh in the best hour are taken as 85 % of what is installed; the battery has half its size as power."""
    answer = what_if(Figures(), SITE, Question(more_kwp=Fraction(5), battery_kwh=Fraction(40)), NOW)
    assert answer.installed_kwp == Fraction(8) / Fraction(85, 100)
    output = dict(assumptions(answer, ZoneInfo(SITE.zone)))
    assert output["assume_pv"] == {"kwp": "9.4"}
    assert output["assume_battery"] == {"power": "20", "percent": "95"}
    before, after = answer.before.sums, answer.after.sums
    assert answer.use is not None
    lost, left = int(answer.use.lost.sum()), int(answer.use.stored[-1])
    assert after.imported - after.exported + after.produced - lost - left == (
        before.imported - before.exported + before.produced
    )
    assert answer.cycles > 10


@pytest.mark.parametrize(
    ("site", "question", "text"),
    [
        (SITE, Question(year=1999), "no interval of 1999"),
        (replace(SITE, points=POINTS[1:]), Question(), "no live feed"),
        (replace(SITE, points=POINTS[:1]), Question(more_kwp=Fraction(5)), "no PV point"),
        (replace(SITE, inputs=INPUTS[::2]), Question(battery_kwh=Fraction(5)), "no feed reads what is exported"),
        (SITE, Question(more_kwp=Fraction(99_999)), "at most 1000 times"),
        (SITE, Question(battery_kwh=Fraction(-1)), "not below zero"),
        (SITE, Question(more_kwp=Fraction(1), installed_kwp=Fraction(0)), "not below zero"),
    ],
)
def test_what_cannot_be_answered_is_said(site: Site, question: Question, text: str) -> None:
    """Each in words that say what is missing."""
    with pytest.raises(ConfigError, match=text):
        what_if(Figures(), site, question, NOW)


def test_an_empty_store_is_said() -> None:
    """Before the first closed interval."""
    with pytest.raises(ConfigError, match="no closed interval"):
        what_if(Empty(), SITE, Question(), NOW)


def test_plain_prices_are_a_tariff_of_the_currency_of_the_plan() -> None:
    """What is empty costs nothing; a demand price is for the peak of the year, here 10 kW."""
    known = replace(SITE, tariff=(Price("old", PriceKind.IMPORT, Fraction(1), "CHF"),))
    tariff = plain_tariff(known, {PriceKind.IMPORT: None, PriceKind.DEMAND: Fraction(9), PriceKind.FIXED: None})
    assert tariff is not None
    assert [(row.kind, row.currency, row.per) for row in tariff] == [(PriceKind.DEMAND, "CHF", "year")]
    answer = what_if(Figures(), known, Question(tariff=tariff), BEGIN + 400 * HOUR)
    assert answer.after.amount == 90 * 10_000
    assert plain_tariff(SITE, dict.fromkeys(PriceKind)) is None
