"""Long histories equal stepping to the last digit, whatever the blocks, and a year takes seconds."""

import time
from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.faults import Fault, fault
from meterd.adapters.simulator.history import BLOCK, collect, history, inputs_of, one_series, true_history
from meterd.adapters.simulator.instruments import Levels
from meterd.adapters.simulator.run import plan_path
from meterd.adapters.simulator.site import Simulator
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Role
from tests.adapters.simulator.sites import DAY, HOUR, JUNE, MINUTE, harrow_mill, instrument, mill

FAULTS = [
    fault("drift", "t1", start_s=600.0),
    Fault("stuck", "bakery-ovens", 0.0, 300.0, 900.0),
    fault("zero", "cold-store", start_s=100.0),
    fault("spike", "riser-east", start_s=200.0),
    Fault("silent", "studio-03", 0.0, 100.0, 500.0),
    Fault("clock", "t2", 30.0, 50.0, 400.0),
    fault("reset", "yard-light", start_s=900.0),
    fault("unmetered", "north"),
    fault("noon-cloud", "pv-hall"),
]


@pytest.mark.parametrize("faults", [[], FAULTS], ids=["healthy", "faulty"])
def test_history_equals_stepping(faults):
    site, end = harrow_mill(), JUNE + 40 * MINUTE
    stepped = defaultdict(list)
    simulator = Simulator(site, 4, faults, start_ms=JUNE)
    for k in range(1, 81):
        for reading in simulator.readings(JUNE + 30_000 * k):
            stepped[reading.point, reading.register].append((reading.at_ms, reading.value))
    result = collect(history(site, 4, JUNE, end, step_s=10, faults=faults, power=True))
    assert len(result) > 2 * 70
    for key, series in result.items():
        assert list(zip(series.at_ms.tolist(), series.values.tolist(), strict=True)) == stepped[key], key


def test_blocks_join_without_a_seam():
    """More than one block of cells against the same stretch begun inside the second."""
    end = JUNE + (BLOCK + 50) * 10_000
    result = one_series(collect(history(mill(), 4, JUNE, end, step_s=10)), "bakery-ovens")
    assert len(result.values) == BLOCK + 51
    assert (np.diff(result.at_ms) == 10_000).all()
    power = np.hstack([part.power for part in true_history(mill(), 4, JUNE, end, step_s=10)])[4]
    expected = np.cumsum(power[1:]) * 10 / 3600.0
    counted = result.values[1:] - result.values[0]
    assert np.abs(counted - expected * (counted[-1] / expected[-1])).max() < 2000


def test_an_exchange_is_the_same_stepped_and_at_once():
    plates = tuple(
        replace(instrument(p.name), until_ms=JUNE + HOUR if p.name == "riser" else None) for p in mill().points
    )
    new = instrument("riser", from_ms=JUNE + HOUR, ct_primary_a=250.0, ct_secondary_a=5.0, register_max_wh=None)
    inputs = tuple(replace(i, per_ct=i.point == "riser") for i in mill().inputs)
    site = mill(instruments=(*plates, new), inputs=inputs)
    end = JUNE + 2 * HOUR
    readings = [
        r for r in Simulator(site, 4, start_ms=JUNE).readings(end) if (r.point, r.register) == ("riser", "1.8.0")
    ]
    series = one_series(collect(history(site, 4, JUNE, end, step_s=10)), "riser")
    assert [(r.at_ms, r.value) for r in readings] == list(
        zip(series.at_ms.tolist(), series.values.tolist(), strict=True)
    )


def test_readings_can_be_followed_by_messages():
    """A store is filled with readings first; the messages go on from there."""
    item, two = (Simulator(mill(), 4, start_ms=JUNE) for _ in range(2))
    item.readings(JUNE + HOUR)
    two.step(JUNE + HOUR)
    assert item.step(JUNE + HOUR + MINUTE) == two.step(JUNE + HOUR + MINUTE)


def test_faults_of_the_history_go_on_in_the_simulator():
    """A demo begins where its history ends: a wrong ratio stays wrong, and a display that stands does not jump."""
    site, begin = mill(), JUNE + HOUR
    planted = [Fault("drift", "t1", -0.5, -1800.0), Fault("stuck", "bakery-ovens", 0.0, -1800.0, 3600.0)]
    stand: list[Levels] = []
    early = collect(history(site, 4, JUNE, begin, step_s=10, faults=planted, faults_from_ms=begin, stand=stand))
    late = Simulator(site, 4, planted, start_ms=begin, stand=stand[0]).readings(begin + HOUR)
    right = Simulator(site, 4, start_ms=begin).readings(begin + HOUR)

    def rise(readings, until):
        shown = [r.value for r in readings if (r.point, r.register) == ("t1", "1.8.0") and r.at_ms <= until]
        return shown[-1] - shown[0]

    assert rise(late, begin + HOUR) == pytest.approx(rise(right, begin + HOUR) / 2, rel=0.01)
    held = one_series(early, "bakery-ovens").values[-1]
    ovens = [r for r in late if (r.point, r.register) == ("bakery-ovens", "1.8.0")]
    assert {r.value for r in ovens if r.at_ms < begin + HOUR // 2} == {held}
    assert ovens[-1].value > held


def test_a_plan_without_inputs_gets_import_export_and_power():
    site = mill(inputs=())
    result = collect(history(site, 1, JUNE, JUNE + HOUR, power=True))
    expected = {(p.name, code) for p in site.points for code in ("1.8.0", "16.7.0")}
    expected |= {(p.name, "2.8.0") for p in site.points if p.role is not Role.SUB}
    assert set(result) == expected
    assert len(inputs_of(site)) == len(expected)


def test_the_small_plan_of_one_file_can_be_simulated():
    site = load_plan(plan_path("small.toml")).site
    result = collect(history(site, 1, JUNE, JUNE + DAY))
    assert {point.name for point in site.points} == {point for point, _ in result}
    moved = {p: int(result[p, "1.8.0"].values[-1] - result[p, "1.8.0"].values[0]) for p, c in result if c == "1.8.0"}
    assert all(rise > 0 for rise in moved.values())


def test_a_register_that_the_plan_does_not_have_is_named():
    with pytest.raises(ConfigError, match=r"no register 9\.8\.0 of point t1"):
        one_series(collect(history(mill(), 1, JUNE, JUNE)), "t1", "9.8.0")


def test_an_empty_stretch_is_empty():
    assert list(history(mill(), 1, JUNE, JUNE - 1)) == []


@pytest.mark.slow
def test_a_year_of_quarter_hours_takes_seconds():
    """Measured 4 s for 77 points on one core of a loaded small machine."""
    begun = time.process_time()
    readings = sum(len(s.values) for s in history(harrow_mill(), 1, JUNE, JUNE + 365 * DAY, step_s=900))
    assert readings > 70 * 35_000
    assert time.process_time() - begun < 20
