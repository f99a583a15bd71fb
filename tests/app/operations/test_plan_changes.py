"""Since when closed figures rest on instruments that the plan has otherwise now."""

from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.plan_changes import changed_instruments, keep_instruments, take_names
from meterd.core.engine import begin
from meterd.core.model.plan import Board, Input, Instrument, Limits, Point, Role, Site
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in, words_of

OLD = Instrument("q01", 1_000, 5_000, serial="A", closing=((IMPORT, 70),), ct_primary_a=200.0, ct_secondary_a=5.0)
LIMITS = Limits()
NEW = Instrument("q01", 5_000, serial="B", opening=((IMPORT, 3),), ct_primary_a=250.0, ct_secondary_a=5.0)


def site(*instruments: Instrument, name: str = "q01", limits: Limits = LIMITS) -> Site:
    """A site of one point that is read on the secondary side."""
    return Site(
        "s", "UTC", boards=(Board("main"),), limits=limits,
        points=(Point(name, "main", Role.FEEDER, aliases=("q01",) if name != "q01" else ()),),
        inputs=(Input(name, IMPORT, "s", "a", per_ct=True),),
        instruments=tuple(replace(instrument, point=name) for instrument in instruments),
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A store whose figures were made with both instruments."""
    result = SqliteStore.writer(tmp_path / "s.sqlite")
    with result.transaction():
        keep_instruments(result, begin(site(OLD, NEW), ZoneInfo("UTC"), None))
    return result


@pytest.mark.parametrize(
    ("instruments", "since"),
    [
        ((OLD, NEW), None),
        ((replace(OLD, serial="C", note="x", meter_class="B"), NEW), None),
        ((replace(OLD, ct_primary_a=250.0), NEW), 1_000),
        ((OLD, replace(NEW, ct_primary_a=200.0)), 5_000),
        ((replace(OLD, closing=((IMPORT, 71),)), NEW), 5_000),
        ((OLD, replace(NEW, opening=((IMPORT, 4),))), 5_000),
        ((replace(OLD, until_ms=4_000), replace(NEW, from_ms=4_000)), 4_000),
        ((replace(OLD, until_ms=None, closing=()),), 5_000),
        ((OLD, replace(NEW, until_ms=9_000), Instrument("q01", 9_000)), 9_000),
        ((replace(OLD, from_ms=500), NEW), 500),
        ((OLD, replace(NEW, from_ms=6_000, gap=((IMPORT, 5),))), 5_000),
    ],
)
def test_the_first_difference_is_found(
    store: SqliteStore, instruments: tuple[Instrument, ...], since: int | None
) -> None:
    """What only a person reads makes no difference; dates, ratios and readings do, from their moment on."""
    results = changed_instruments(store, begin(site(*instruments), ZoneInfo("UTC"), None))
    assert results == ([] if since is None else [(("q01", IMPORT), since)])


def test_what_is_only_believed_is_no_difference_and_a_new_point_neither(store: SqliteStore) -> None:
    """Limits of plausibility decide about readings to come; a point that was never kept has no figures."""
    assert changed_instruments(store, begin(site(OLD, NEW, limits=Limits(point_max_w=5)), ZoneInfo("UTC"), None)) == []
    assert changed_instruments(store, begin(site(OLD, NEW, name="q02"), ZoneInfo("UTC"), None)) == []


def test_a_new_name_takes_history_and_instruments_along(store: SqliteStore) -> None:
    """After that a difference is still seen."""
    with store.transaction():
        store.add_readings([Reading("q01", IMPORT, 1, 1, 1)])
    other = site(OLD, replace(NEW, ct_primary_a=200.0), name="oven")
    assert take_names(store, other) == []
    assert store.channels() == [("oven", IMPORT)]
    assert changed_instruments(store, begin(other, ZoneInfo("UTC"), None)) == [(("oven", IMPORT), 5_000)]
    assert take_names(store, other) == []


def test_a_new_name_takes_along_what_was_measured_of_the_clock(store: SqliteStore) -> None:
    """The bands of old balances stay what they were."""
    with store.transaction():
        store.add_readings([Reading("q01", IMPORT, 1, 1, 1)])
        store.set_fact(METER_CLOCKS, words_of({"q01": ((1_000, 10),), "q09": ((5, 60),)}))
    take_names(store, site(OLD, NEW, name="ovens"))
    assert clocks_in(store.fact(METER_CLOCKS)) == {"ovens": ((1_000, 10),), "q09": ((5, 60),)}
