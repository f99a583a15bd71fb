"""Unusual use is found on measured loads and seldom where there is none; how it goes on, ends, or becomes usual."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from meterd.core.unusual.watch import Accepted, Kind, Unusual, Watched, watch
from tests.simulator.unusual_study import FAULTS, Fault, Hours, found, house, load_years, planted, site_a, trials

NIGHT = Fault("night +60 %", Kind.NIGHT, 60, 4, 0, share=0.6)
WEEK = Fault("week +60 %", Kind.WEEK, 7, 7, 0, factor=1.6)
WEEKEND = Fault("weekend +150 %", Kind.WEEKEND, 2, 2, 0, share=1.5)
SATURDAY = 162  # 11 June 2016
MONDAY = 164
FEEDER5 = 4


@cache
def undisturbed() -> Watched:
    """The year of the given site without any fault."""
    hours = site_a()
    return watch(hours.days(0, len(hours.bounds) - 1))


def after(
    fault: Fault, day: int, days: int, accepted: tuple[tuple[int, int], ...] = (), load: int = FEEDER5
) -> Watched:
    """The watch so many days after the beginning of a fault of feeder 5, with what was accepted: since a day, on a day."""
    hours = planted(site_a(), fault, load, day)
    entries = [Accepted(int(hours.bounds[since]), int(hours.bounds[at])) for since, at in accepted]
    return watch(hours.days(0, day + days), {"feeder5": entries})


def of_feeder5(watched: Watched) -> Unusual | None:
    return next((item for item in watched.unusual if item.load == "feeder5"), None)


def day_of(at_ms: int) -> int:
    return int(np.searchsorted(site_a().bounds, at_ms))


def test_a_year_without_faults_has_at_most_one_finding_per_point() -> None:
    """Of all three kinds together, on the site and in a house where nothing follows the others."""
    for hours in (site_a(), house()):
        points = [name for name, _, _ in watch(hours.days(0, len(hours.bounds) - 1)).detected if name != "site"]
        assert len(points) / load_years(hours) <= 1.0
    assert sum(name == "site" for name, _, _ in undisturbed().detected) <= 1


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault.aim], ids=lambda fault: fault.kind)
def test_planted_faults_are_found(fault: Fault) -> None:
    """A small sample of the study (its figures: tests/simulator/RESULTS.md); the margin is that of three trials a load."""
    every = list(trials(site_a(), fault, undisturbed(), 17, 3))
    part = sum(found(site_a(), fault, load, day) is not None for load, day in every) / len(every)
    assert part >= fault.aim - 0.15


def test_nothing_later_changes_what_is_said() -> None:
    """Findings up to a day are the same whatever comes after it."""
    shorter = watch(site_a().days(0, 300))
    assert shorter.detected == tuple(item for item in undisturbed().detected if item[2] < site_a().bounds[300])


def test_a_night_load_is_told_with_its_first_night_and_its_power() -> None:
    """0.6 of the mean of the load from a day on: by how much, since when, by how many weeks."""
    item = of_feeder5(after(NIGHT, MONDAY, 9))
    assert item is not None
    hours = site_a()
    mean_w = hours.energy[:, FEEDER5].mean() / 1000
    assert (item.kind, day_of(item.first_ms)) == (Kind.NIGHT, MONDAY)
    assert item.taken - item.usual == pytest.approx(0.6 * mean_w, rel=0.1)
    assert item.weeks == 6


def test_a_week_is_told_with_energies_and_ends_when_it_is_over() -> None:
    """60 % more for a week: what was taken, what is usual; two ordinary days end it, with the first of them.

    Of feeder 1, which takes by day three times what it takes by night: the rise of its nights is no base load.
    """
    (item,) = (results for results in after(WEEK, MONDAY, 7, load=0).unusual if results.load == "feeder1")
    assert (item.kind, day_of(item.first_ms)) == (Kind.WEEK, MONDAY)
    energy = planted(site_a(), WEEK, 0, MONDAY)
    rows = (energy.starts >= item.first_ms) & (energy.starts < item.until_ms)
    assert item.taken == pytest.approx(energy.energy[rows, 0].sum() / 1000, rel=1e-6)
    assert item.taken / item.usual == pytest.approx(1.6, abs=0.12)
    over = after(WEEK, MONDAY, 11, load=0)
    assert [results.load for results in over.unusual] == []
    assert [(end.how, day_of(end.at_ms)) for end in over.ended if end.load == "feeder1"] == [("as before", MONDAY + 7)]


def test_a_weekend_is_told_on_its_sunday_and_lasts_until_the_next() -> None:
    """It is over with the next weekend that is as usual."""
    item = of_feeder5(after(WEEKEND, SATURDAY, 2))
    assert item is not None
    assert (item.kind, day_of(item.first_ms)) == (Kind.WEEKEND, SATURDAY)
    assert of_feeder5(after(WEEKEND, SATURDAY, 8)) is not None
    assert of_feeder5(after(WEEKEND, SATURDAY, 9)) is None


def test_what_lasts_six_weeks_has_become_usual() -> None:
    """One finding, and it ends; what was usual before it began is what it was compared with until then."""
    lasting = of_feeder5(after(NIGHT, MONDAY, 40))
    assert lasting is not None
    assert lasting.taken > 1.4 * lasting.usual
    watched = after(NIGHT, MONDAY, 55)
    assert of_feeder5(watched) is None
    assert [end.how for end in watched.ended if end.load == "feeder5"] == ["usual now"]
    assert sum(name == "feeder5" for name, _, _ in watched.detected) == 1


def test_what_is_accepted_ends_and_is_not_found_again() -> None:
    """Accepted on the sixth day, also where the night after it was not examined yet; the old level is no finding either."""
    assert of_feeder5(after(NIGHT, MONDAY, 6)) is not None
    for days in (6, 7, 30):
        watched = after(NIGHT, MONDAY, days, ((MONDAY, MONDAY + 6),))
        assert of_feeder5(watched) is None
        assert [end.how for end in watched.ended if end.load == "feeder5"] == ["accepted"]
    later = planted(planted(site_a(), NIGHT, FEEDER5, MONDAY), NIGHT, FEEDER5, MONDAY + 50)
    entry = Accepted(int(later.bounds[MONDAY]), int(later.bounds[MONDAY + 6]))
    again = watch(later.days(0, MONDAY + 55), {"feeder5": [entry]})
    assert of_feeder5(again) is not None


def test_a_young_history_is_quiet_and_says_so() -> None:
    """Six weeks for all loads; a load that came later is young alone."""
    hours = planted(site_a(), NIGHT, FEEDER5, MONDAY)
    young = watch(hours.days(MONDAY - 30, MONDAY + 9))
    assert (young.young, young.unusual) == (hours.loads.names, ())
    known = hours.known.copy()
    known[hours.starts < hours.bounds[MONDAY - 20], FEEDER5] = False
    late = watch(replace(hours, known=known).days(0, MONDAY + 6))
    assert late.young == ("feeder5",)
    assert of_feeder5(late) is None


def test_days_that_are_missing_are_no_use_and_end_nothing() -> None:
    """A silent meter in the week of a fault: the finding waits for what comes."""
    hours = planted(site_a(), NIGHT, FEEDER5, MONDAY)
    known = hours.known.copy()
    silent = (hours.starts >= hours.bounds[MONDAY + 8]) & (hours.starts < hours.bounds[MONDAY + 12])
    known[silent, FEEDER5] = False
    assert of_feeder5(watch(replace(hours, known=known).days(0, MONDAY + 12))) is not None
    assert of_feeder5(watch(replace(hours, known=known).days(0, MONDAY + 20))) is not None


def test_a_rise_of_all_loads_is_the_weathers_and_of_the_site_alone_its_own() -> None:
    """Every feeder takes 40 % more for a week: nothing at a point. A load without a point: the site's nights."""
    hours = site_a()
    energy = hours.energy.copy()
    rows = (hours.starts >= hours.bounds[MONDAY]) & (hours.starts < hours.bounds[MONDAY + 7])
    energy[rows] = energy[rows] * 14 // 10
    points = {item.load for item in watch(replace(hours, energy=energy).days(0, MONDAY + 7)).unusual}
    assert points <= {"site", "feeder4"}  # feeder 4 goes its own ways, so that its rise is its own
    energy = hours.energy.copy()
    energy[hours.starts >= hours.bounds[MONDAY], -1] += 20_000_000
    (item,) = watch(replace(hours, energy=energy).days(0, MONDAY + 6)).unusual
    assert (item.load, item.kind, day_of(item.first_ms)) == ("site", Kind.NIGHT, MONDAY)
    assert item.taken - item.usual == pytest.approx(20_000, rel=0.15)


def test_what_a_part_explains_is_told_of_the_part_alone() -> None:
    """A sub-meter below feeder 5 and the site above it rise by the same: one finding, of the sub-meter."""
    hours = site_a()
    names = ("room", *hours.loads.names)
    below = np.zeros((len(names), len(names)), dtype=np.bool_)
    below[1:, 1:] = hours.loads.below
    below[[1 + FEEDER5, len(names) - 1], 0] = True
    room = hours.energy[:, FEEDER5] // 2
    loads = replace(hours.loads, names=names, below=below, base_only=np.append(False, hours.loads.base_only))
    energy = np.column_stack([room, hours.energy])
    late = hours.starts >= hours.bounds[MONDAY]
    energy[np.ix_(late, [0, 1 + FEEDER5, len(names) - 1])] += 25_000_000
    whole = Hours(loads, hours.starts, energy, np.ones(energy.shape, dtype=np.bool_))
    assert {item.load for item in watch(whole.days(0, MONDAY + 6)).unusual} == {"room"}


def test_a_share_that_a_person_has_set_takes_the_place_of_the_learned_limit() -> None:
    """60 % more for a week: found, not found where only a doubling matters; 8 % more is found where 5 % matter."""
    small = replace(WEEK, factor=1.08)
    for fault, own, expected in ((WEEK, 1.0, False), (WEEK, None, True), (small, 0.05, True), (small, None, False)):
        hours = planted(site_a(), fault, FEEDER5, MONDAY)
        share = np.full(len(hours.loads.names), np.nan)
        if own is not None:
            share[FEEDER5] = np.log1p(own)
        hours = replace(hours, loads=replace(hours.loads, own_excess=share))
        watched = watch(hours.days(0, MONDAY + 8))
        begun = [at for name, _, at in watched.detected if name == "feeder5" and at >= int(hours.bounds[MONDAY])]
        assert bool(begun) == expected, (fault.factor, own)
