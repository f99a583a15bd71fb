"""What may leave the journal, and that its figures are compared with what the readings give before it does."""

from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.store.retention import Prunable
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.retention_check import (
    MARGIN_MS,
    as_details,
    cut_of,
    from_details,
    verify_figures,
)
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.plan import Site
from meterd.core.model.reading import IMPORT, POWER
from meterd.core.registers.corrections import FIGURES_FROM
from tests.app.two_meters import BEGIN, DAY, HOUR, fill, plan_file, readings

DAYS = 95
NOW = BEGIN + DAYS * DAY  # in the first days of April
FEBRUARY, MARCH = BEGIN + 31 * DAY, BEGIN + 59 * DAY
F1 = ("f1", IMPORT)


class _UndoneError(Exception):
    """Ends a transaction so that the store is as before."""


@contextmanager
def undone(store: SqliteStore) -> Iterator[None]:
    """What is written inside is gone afterwards."""
    with suppress(_UndoneError), store.transaction():
        yield
        raise _UndoneError


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Path]:
    """A store of three months, made once; what a test changes is undone."""
    folder = tmp_path_factory.mktemp("months")
    path = fill(folder, DAYS)
    return load_plan(plan_file(folder)).site, path


def test_whole_local_months_go_and_figures_of_the_month_after_may_still_change(site: tuple[Site, Path]) -> None:
    plan, path = site
    with closing(SqliteStore.reader(path)) as store:
        cut = cut_of(store, plan, 40, NOW)
    assert cut.before_ms == FEBRUARY, "40 days before is a day of February, whose month stays whole"
    assert cut.figures_from_ms == FEBRUARY + MARGIN_MS
    assert cut.channels[("f1", POWER)] == FEBRUARY, "no figure hangs on a power"
    assert set(cut.readings) == {F1, ("feed", IMPORT), ("f1", POWER), ("feed", POWER)}
    assert cut.total == sum(item.rows for item in cut.readings.values()) > 1400


def test_an_order_carries_the_cut_and_a_damaged_one_is_refused(site: tuple[Site, Path]) -> None:
    plan, path = site
    with closing(SqliteStore.reader(path)) as store:
        cut = cut_of(store, plan, 40, NOW)
    again = from_details(as_details(cut))
    assert (again.before_ms, again.figures_from_ms, again.readings) == (
        cut.before_ms, cut.figures_from_ms, dict(cut.readings)
    )  # fmt: skip
    for damage in ({"readings": [["f1", IMPORT, 1]]}, {"readings": [["f1"]]}, {"before_ms": "soon"}, {"readings": 3}):
        with pytest.raises(ConfigError, match="the order to delete readings is incomplete"):
            from_details({**as_details(cut), **damage})
    with pytest.raises(ConfigError):
        from_details({})
    assert from_details({"before_ms": 1, "figures_from_ms": 2, "readings": [["f1", IMPORT, 1, 0, 3, 4]]}).readings == {
        F1: Prunable(1, 0, 3, 4)
    }


@pytest.mark.parametrize(
    ("fact", "value", "message"),
    [
        ("unsettled_from_ms", str(BEGIN), "have no figures yet"),
        ("closed_to_ms", str(FEBRUARY + MARGIN_MS - HOUR), "figures are made only until"),
    ],
)
def test_nothing_goes_before_its_figures_are_final(
    site: tuple[Site, Path], fact: str, value: str, message: str
) -> None:
    plan, path = site
    with closing(SqliteStore.writer(path)) as store, undone(store):
        store.set_fact(fact, value)
        with pytest.raises(StoreError, match=message):
            cut_of(store, plan, 40, NOW)


def test_every_interval_of_what_goes_is_compared_and_a_difference_is_named(site: tuple[Site, Path]) -> None:
    plan, path = site
    with closing(SqliteStore.writer(path)) as store:
        cut = cut_of(store, plan, 40, NOW)
        compared = verify_figures(store, plan, cut)
        assert compared == 2 * (cut.figures_from_ms - BEGIN) // HOUR, (
            "both points, each hour that may not change any more"
        )
        with undone(store):
            store.connection.execute(
                "UPDATE figure SET energy = energy + 1 WHERE period = 'interval' AND start_ms = ?", (BEGIN + 10 * DAY,)
            )
            with pytest.raises(StoreError, match=r"2 figures differ .* nothing was deleted: f1 2026-01-10T23:00:00Z: "):
                verify_figures(store, plan, cut)
        with undone(store):
            store.connection.execute("UPDATE figure SET energy = 5 WHERE period = 'month' AND start_ms = ?", (BEGIN,))
            with pytest.raises(StoreError, match="month of 2025-12-31T23:00:00Z: not the sum of its intervals"):
                verify_figures(store, plan, cut)
        assert verify_figures(store, plan, cut) == compared


def test_what_was_compared_before_is_final_and_not_asked_again(site: tuple[Site, Path]) -> None:
    """After a first deletion the readings before are gone: only what follows can be made again."""
    plan, path = site
    with closing(SqliteStore.writer(path)) as store:
        whole = verify_figures(store, plan, cut_of(store, plan, 40, NOW))
        with undone(store):
            store.set_fact(FIGURES_FROM, str(BEGIN + 20 * DAY))
            rest = verify_figures(store, plan, cut_of(store, plan, 40, NOW))
        assert 0 < rest < whole - 2 * 19 * 24


def test_a_register_keeps_the_reading_that_its_next_energy_is_counted_from(tmp_path: Path) -> None:
    """Silent since the 20th of January: what shows its counter stays, however old; of its power nothing has to."""
    plan, path = load_plan(plan_file(tmp_path)).site, tmp_path / "s.sqlite"
    silent = BEGIN + 20 * DAY
    with closing(SqliteStore.writer(path)) as store:
        ledger = Ledger(store, plan, ZoneInfo(plan.zone))
        with store.transaction():
            store.add_readings(row for row in readings(DAYS) if row.point == "feed" or row.at_ms < silent)
        ledger.recompute_all(NOW, NOW)
        newest = store.latest(F1)
        assert newest is not None
        cut = cut_of(store, plan, 40, NOW)
        assert silent - DAY < cut.channels[F1] <= newest[0]
        assert (cut.channels["feed", IMPORT], cut.channels["f1", POWER]) == (FEBRUARY, FEBRUARY)
        assert verify_figures(store, plan, cut) > 0
