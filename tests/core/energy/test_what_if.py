"""What a year would have been: nothing is won or lost but by the battery, and nothing changes with nothing added."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.core.energy.what_if import Battery, Flows, above, more_pv, summary, with_battery
from tests.late import optimize

QUARTER = 900_000
ENERGIES = st.lists(st.tuples(*(st.integers(0, 40_000_000) for _ in range(3)), st.booleans()), min_size=1, max_size=60)
SIZES = st.tuples(st.integers(0, 200_000_000), st.integers(0, 200_000), st.integers(500, 1000))


def flows_of(rows: list[tuple[int, int, int, bool]]) -> Flows:
    """Consecutive quarter hours of import, export, PV, known."""
    imported, exported, produced = (np.array([row[k] for row in rows], dtype=np.int64) for k in range(3))
    starts = np.arange(len(rows), dtype=np.int64) * QUARTER
    return Flows(starts, QUARTER, imported, exported, produced, np.array([row[3] for row in rows]))


@given(ENERGIES, SIZES)
@settings(max_examples=150, deadline=None)
def test_a_battery_gives_what_it_took_less_what_it_lost_and_what_is_left(
    rows: list[tuple[int, int, int, bool]], sizes: tuple[int, int, int]
) -> None:
    """Exact in mWh in each interval; never both ways at once; never beyond its size or power; nothing where nothing is known."""
    flows, battery = flows_of(rows), Battery(*sizes)
    after, use = with_battery(flows, battery)
    assert (use.charged - use.lost - use.given == np.diff(use.stored, prepend=0)).all()
    assert not ((use.charged > 0) & (use.given > 0)).any()
    most = battery.power_w * QUARTER // 3600
    assert max(use.charged.max(), use.given.max()) <= most
    assert 0 <= use.stored.min() <= use.stored.max() <= battery.capacity_mwh
    assert (use.lost >= 0).all()
    assert (after.imported >= 0).all()
    assert (after.exported >= 0).all()
    before_net, after_net = flows.imported - flows.exported, after.imported - after.exported
    assert (after_net == before_net + use.charged - use.given).all()
    assert not (use.charged + use.given)[~flows.known].any()


@given(ENERGIES, st.fractions(0, 20))
@settings(max_examples=100, deadline=None)
def test_more_pv_keeps_import_less_export_less_what_it_produced(
    rows: list[tuple[int, int, int, bool]], part: Fraction
) -> None:
    """Consumption stays what it was, exactly; export never falls, import never rises."""
    flows = flows_of(rows)
    after = more_pv(flows, part)
    before = flows.imported - flows.exported + flows.produced
    assert (after.imported - after.exported + after.produced == before).all()
    assert (after.exported >= flows.exported).all()
    assert ((after.imported <= flows.imported) & (after.imported >= 0)).all()


@given(ENERGIES)
@settings(max_examples=50, deadline=None)
def test_nothing_added_changes_nothing(rows: list[tuple[int, int, int, bool]]) -> None:
    """No kWp, a battery of size zero, and one without power."""
    flows = flows_of(rows)
    for after in (more_pv(flows, Fraction(0)), *(with_battery(flows, Battery(*s))[0] for s in ((0, 9), (9, 0)))):
        assert summary(after) == summary(flows)
        assert (after.imported == flows.imported).all()


def test_no_plan_could_save_more_import_than_the_battery_does() -> None:
    """Two days as a linear program (HiGHS): the least import of any plan without losses, and ours, are the same."""
    random = np.random.default_rng(17)
    surplus = np.round(20e6 * np.sin(np.arange(96) / 24 * np.pi) + random.normal(0, 4e6, 96)).astype(np.int64)
    flows = flows_of([(max(0, -s), max(0, s), max(0, s), True) for s in surplus.tolist()])
    battery = Battery(60_000_000, 40_000, 1000)
    after, _ = with_battery(flows, battery)
    most = battery.power_w * QUARTER // 3600
    down = np.tril(np.ones((96, 96)))  # stored after each interval = sum of charge - sum of discharge
    rows = np.vstack([np.hstack([down, -down]), np.hstack([-down, down])])
    limits = np.concatenate([np.full(96, float(battery.capacity_mwh)), np.zeros(96)])
    caps = [(0, min(most, max(0, int(s)))) for s in surplus] + [(0, min(most, max(0, -int(s)))) for s in surplus]
    best = optimize.linprog(
        np.concatenate([np.zeros(96), -np.ones(96)]), A_ub=rows, b_ub=limits, bounds=caps, method="highs"
    )
    least = int(flows.imported.sum()) + best.fun
    assert int(after.imported.sum()) == pytest.approx(least, rel=1e-9)


def test_a_worked_day_with_losses() -> None:
    """10 kWh of export into a battery of 8 kWh with 95 % each way: 8.421 kWh go in, 7.6 kWh come out. Our own arithmetic."""
    flows = flows_of([(0, 10_000_000, 10_000_000, True), (9_000_000, 0, 0, True)])
    after, use = with_battery(flows, Battery(8_000_000, 100_000))
    assert use.charged.tolist() == [8_421_052, 0]
    assert use.given.tolist()[1] == pytest.approx(7_600_000, abs=2)
    assert (summary(after).imported, summary(after).exported) == (9_000_000 - int(use.given[1]), 1_578_948)


def test_a_contract_is_passed_above_it_and_not_at_it() -> None:
    """100 kW are 25 kWh in a quarter hour; a missing interval passes nothing."""
    flows = flows_of([(25_000_000, 0, 0, True), (25_000_001, 0, 0, True), (99_000_000, 0, 0, False)])
    assert above(flows, 100_000) == 1
    sums = summary(flows)
    assert (sums.peak_mwh, sums.peak_ms, sums.known, sums.of) == (25_000_001, QUARTER, 2, 3)
    assert sums.peak_w(QUARTER) == 100_000
