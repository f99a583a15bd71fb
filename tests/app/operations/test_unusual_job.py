"""Unusual use in a store: which points are loads, what is read of them, and what is said after the last closed day."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.acceptances import with_acceptance
from meterd.app.operations.unusual_job import examine_use, loads_of, read_use, watched_points
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period
from meterd.core.model.plan import Board, Consumer, Point, PointState, Role, Site
from meterd.core.unusual.watch import Kind
from tests.app.drift_site import BEGIN, WARM, History, filled

SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("t1", "north", Role.FEED),
        Point("riser", "north", Role.FEEDER),
        Point("room-1", "north", Role.SUB, below="riser"),
        Point("heater", "north", Role.FEEDER),
        Point("planned", "north", Role.FEEDER, state=PointState.PLANNED),
        Point("roof", "north", Role.PV),
    ),
    consumers=(Consumer("heater-1", "heater", 1, 0, 2000, alone=True),),
)


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> History:
    return filled(tmp_path_factory.mktemp("quiet"))


def test_loads_are_feeders_and_parts_of_them_and_the_site() -> None:
    """Flexible loads, PV, feeds and planned points are none; the riser and the site hold the room."""
    assert [point.name for point in watched_points(SITE)] == ["riser", "room-1"]
    loads = loads_of(SITE)
    assert loads.names == ("riser", "room-1", "mill")
    assert loads.below.tolist() == [[False, True, False], [False, False, False], [True, True, False]]
    assert loads.base_only.tolist() == [False, False, True]


def test_powers_are_those_of_the_stored_days(quiet: History) -> None:
    """Closed local days alone, over the change of the clocks; the site is what its feed counts."""
    site = load_plan(quiet.plan).site
    store = SqliteStore.reader(quiet.store)
    days = read_use(store, site)
    assert days is not None
    closed = store.span(Period.DAY)
    assert closed is not None
    assert (int(days.bounds_ms[0]), int(days.bounds_ms[-2])) == (BEGIN, closed[1])
    starts = days.bounds_ms[:-1]
    for column, point in ((4, "feeder5"), (7, "main")):
        stored = store.columns([(point, "1.8.0")], Period.DAY, starts)
        energy_wh = days.day_w[:, column] * np.diff(days.bounds_ms) / HOUR_MS
        known = np.isfinite(energy_wh)
        assert known.sum() >= 50
        assert energy_wh[known] == pytest.approx(stored.energy[known, 0] / 1000)
    store.close()


def test_without_a_closed_day_or_a_feed_nothing_is_judged(quiet: History, tmp_path: Path) -> None:
    site = load_plan(quiet.plan).site
    empty = SqliteStore.writer(tmp_path / "s.sqlite")
    assert examine_use(empty, site) is None
    empty.close()
    store = SqliteStore.reader(quiet.store)
    assert examine_use(store, replace(site, points=tuple(p for p in site.points if p.role is not Role.FEED))) is None
    store.close()


def test_a_quiet_history_says_nothing_and_a_week_of_more_is_found(quiet: History, tmp_path: Path) -> None:
    """Sixty days without, then feeder 5 takes 70 % more for eight days: since when, and by how much."""
    history = quiet.copied(tmp_path / "case", 1883)
    history.write_plan()
    site = load_plan(history.plan).site
    store = SqliteStore.reader(history.store)
    watched = examine_use(store, site)
    store.close()
    assert watched is not None
    assert (watched.unusual, watched.young) == ((), ())
    history.add(8, loads={"feeder5": 1.7})
    store = SqliteStore.reader(history.store)
    watched = examine_use(store, site)
    store.close()
    assert watched is not None
    (item,) = watched.unusual
    assert item.load == "feeder5"
    assert item.kind in (Kind.NIGHT, Kind.WEEK)
    assert abs(item.first_ms - (BEGIN + WARM * DAY_MS - HOUR_MS)) <= DAY_MS
    assert item.taken / item.usual == pytest.approx(1.7, abs=0.2)
    accept(history, "old-name")
    store = SqliteStore.reader(history.store)
    renamed = replace(
        site, points=tuple(replace(p, aliases=("old-name",)) if p.name == "feeder5" else p for p in site.points)
    )
    here, there = examine_use(store, site), examine_use(store, renamed)
    store.close()
    assert here is not None
    assert there is not None
    assert (here.unusual, there.unusual) == ((item,), ()), "accepted under the name that the point had then"


def accept(history: History, name: str) -> None:
    """As the daemon keeps what a person has accepted, in the last hour of the history."""
    finding = Finding("unusual-use", name, BEGIN + WARM * DAY_MS - HOUR_MS, "more", points=(name,))
    store = SqliteStore.writer(history.store)
    with store.transaction():
        store.set_fact(*with_acceptance(store, finding, history.end_ms - HOUR_MS, person="Ada", note="stays"))
    store.close()
