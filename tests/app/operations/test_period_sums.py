"""What follows from changed intervals: last balances, contradictions, the day so far; one board that fails stops no other."""

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.late_readings import place_of
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.period_sums import Sums
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.model.results import BalanceRow
from tests.app.small_plant import DAY, HOUR, MAY, MINUTE, QUARTER, STEP, plan, readings

ZONE = ZoneInfo("Europe/Vienna")
END = MAY + DAY + 6 * HOUR
NOW = END + MINUTE + 1000


class Plant:
    """The workshop with a ledger that a test feeds, and the sums of the same store."""

    def __init__(self, folder: Path, some: list[Reading]) -> None:
        self.site: Site = load_plan(plan(folder)).site
        self.store = SqliteStore.writer(folder / "s.sqlite")
        self.ledger = Ledger(self.store, self.site, ZONE)
        self.ledger.tick(some, NOW)
        while self.ledger.tick([], NOW).figures:
            pass
        self.sums = Sums(self.store, self.site, ZONE, {})


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    """A day and six hours of the workshop."""
    made = Plant(tmp_path, readings(MAY, END))
    yield made
    made.store.close()


def test_the_last_balance_is_that_of_the_last_closed_interval(plant: Plant) -> None:
    """600 + 900 in, 800 + 500 out every five minutes."""
    (balance,) = plant.sums.last_balances(plant.ledger.state).values()
    assert (balance.start_ms, balance.end_ms) == (END - QUARTER, END)
    assert (balance.feed, balance.outgoing, balance.residual) == (4_500_000, 3_900_000, 600_000)


def test_before_anything_is_closed_there_is_nothing(tmp_path: Path) -> None:
    """No balance, no contradiction, and no PV figure that looks like zero."""
    made = Plant(tmp_path, [])
    state = made.ledger.state
    assert made.sums.last_balances(state) == {}
    assert made.sums.last_contradiction(state) is None
    day = made.sums.pv_day(state, NOW)
    assert day is not None
    assert (day.production_mwh, day.self_use_mwh, day.self_consumption) == (None, None, None)
    made.store.close()


def test_pv_of_the_day_so_far_is_of_its_closed_intervals(plant: Plant) -> None:
    """Six hours of the second day; all that is produced is used, and covers three fifths of what is consumed."""
    day = plant.sums.pv_day(plant.ledger.state, NOW)
    assert day is not None
    assert (day.start_ms, day.end_ms) == (MAY + DAY, END)
    assert (day.production_mwh, day.export_mwh, day.self_use_mwh) == (72 * 900_000, 0, 72 * 900_000)
    assert (day.self_consumption, day.self_sufficiency) == (1.0, 0.6)
    assert not day.estimated


def test_a_day_with_an_unknown_interval_has_no_sum(tmp_path: Path) -> None:
    """The inverter is silent for the last hour: what it produced today is missing, never the sum of the rest."""
    some = [r for r in readings(MAY, END) if r.point != "roof" or r.at_ms <= END - HOUR]
    made = Plant(tmp_path, some)
    day = made.sums.pv_day(made.ledger.state, NOW)
    assert day is not None
    assert (day.production_mwh, day.self_use_mwh, day.self_consumption) == (None, None, None)
    made.store.close()


def test_a_consumption_below_zero_is_a_contradiction_with_its_energies(tmp_path: Path) -> None:
    """More is exported than produced and imported; a site that consumes is none."""
    some = [r._replace(value=r.value * 4) if (r.point, r.register) == ("t1", IMPORT) else r for r in readings(MAY, END)]
    exported = [Reading("t1", EXPORT, r.at_ms, r.value * 9, r.received_ms) for r in some if r.point == "roof"]
    others = [r for r in some if (r.point, r.register) != ("t1", EXPORT)]
    made = Plant(tmp_path, [*others, *exported])
    contradiction = made.sums.last_contradiction(made.ledger.state)
    assert contradiction is not None
    row = made.store.pv(Period.INTERVAL, END - QUARTER, END)[-1]
    assert row.consumption == 3 * (4 * 600_000 + 900_000 - 9 * 900_000)
    made.store.close()
    sound = Plant(tmp_path / "sound", readings(MAY, END))
    assert sound.sums.last_contradiction(sound.ledger.state) is None
    sound.store.close()


def test_a_board_that_cannot_be_summed_stops_no_other_figure(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is noted with its reason; day sums and PV figures of the same intervals are written."""
    state, starts = plant.ledger.state, {("q01", IMPORT): [MAY], ("roof", IMPORT): [MAY]}

    def broken(*_: object) -> list[BalanceRow]:
        raise ValueError("injected")

    monkeypatch.setattr(type(plant.sums.boards["main"]), "interval_rows", broken)
    with plant.store.transaction():
        plant.sums.sum(state, starts, NOW, "test")
    assert "injected" in state.failed_boards["main"]
    day = plant.store.columns([("q01", IMPORT)], Period.DAY, np.array([MAY]))
    assert day.energy[0, 0] == 288 * 800_000
    assert len(plant.store.pv(Period.DAY, MAY, MAY + 1)) == 1


def test_long_periods_are_those_behind_the_place_where_work_stopped(plant: Plant) -> None:
    """Week, month and year around two spans, each once and in order; behind the first only the others are left."""
    state = plant.ledger.state
    state.closed_to = MAY + 400 * DAY
    spans = [(MAY, MAY + STEP), (MAY + 30 * DAY, MAY + 31 * DAY)]
    every = plant.sums.long_parents(state, spans, (-1, -1))
    assert {parent.period for parent in every} == {Period.WEEK, Period.MONTH, Period.YEAR}
    assert len(set(every)) == len(every)
    assert plant.sums.long_parents(state, spans, place_of(every[0])) == every[1:]
    assert plant.sums.long_parents(state, spans, place_of(every[-1])) == []
