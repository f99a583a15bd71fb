"""Faults of counters and registers (A1 to A17): what is stored is true, what is not known is missing, a person is notified."""

import struct
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.sources.payloads import decode, group_of
from meterd.core.model.periods import Period
from meterd.core.model.plan import Input
from meterd.core.model.reading import IMPORT, POWER, Reading
from meterd.core.registers.limits import largest
from meterd.core.registers.register_line import Flag
from tests.faults.mill import MAY, QUARTER, StoreInFolder, interval_energies, site

MINUTE = 60_000
Q01 = ("q01", IMPORT)  # 63 A: 43.6 kW at most, 65 kW with the allowance; here it draws 6 kW = 100 Wh a minute


def series(shown_wh: list[float], *, start_ms: int = MAY, step_ms: int = MINUTE) -> list[Reading]:
    """One reading a minute of the register of q01."""
    return [
        Reading(*Q01, start_ms + i * step_ms, round(wh * 1000), start_ms + i * step_ms) for i, wh in enumerate(shown_wh)
    ]


def steady(count: int, *, start: float = 50_000) -> list[float]:
    """100 Wh a minute."""
    return [start + 100.0 * i for i in range(count)]


def booked(
    folder: Path, shown_wh: list[float], *, intervals: int, **more: int
) -> tuple[list[int | None], StoreInFolder]:
    """Interval energies in mWh after the readings came one by one and all intervals closed."""
    folder_store = StoreInFolder(folder)
    for reading in series(shown_wh, **more):
        folder_store.feed([reading])
    folder_store.feed([], MAY + (intervals + 1) * QUARTER)
    return interval_energies(folder_store.store, Q01, MAY, intervals), folder_store


def raw(folder_store: StoreInFolder) -> list[int]:
    """Everything the journal holds of q01."""
    return [int(v) for v in folder_store.store.history(Q01, 0)[1]]


def test_a1_a_single_zero_is_no_reset_and_counts_nothing(tmp_path: Path) -> None:
    shown = steady(47)
    shown[20] = 0
    energies, folder_store = booked(tmp_path, shown, intervals=3)
    assert energies == [1_500_000] * 3
    assert 0 in raw(folder_store)


def test_a1_the_first_reading_ever_is_no_energy(tmp_path: Path) -> None:
    energies, _ = booked(tmp_path, steady(47, start=987_654_000), intervals=3)
    assert energies == [1_500_000] * 3


def test_a2_a_restart_at_zero_keeps_history_and_goes_on_with_a_bound(tmp_path: Path) -> None:
    shown = steady(20) + [100.0 * i for i in range(1, 28)]
    energies, folder_store = booked(tmp_path, shown, intervals=3)
    assert energies[0] == energies[2] == 1_500_000
    assert energies[1] is not None
    assert 1_400_000 <= energies[1] <= 1_500_000
    flags = folder_store.store.columns([Q01], Period.INTERVAL, np.array([MAY + QUARTER])).flags
    assert flags[0, 0] & Flag.BOUND


@pytest.mark.parametrize("turns_wh", [2**32 / 1000, 2**31 / 1000, 10**6, 10**5, 10**5 / 10])
def test_a3_rollover_at_a_configured_width_keeps_the_energy(turns_wh: float, tmp_path: Path) -> None:
    plan = site()
    width = Fraction(round(turns_wh * 1000), 1000)
    plan = replace(plan, instruments=tuple(replace(i, register_max_wh=width) for i in plan.instruments))
    folder_store = StoreInFolder(tmp_path, plan)
    whole = round(turns_wh * 1000)
    begin = whole - 2_000_000
    readings = [Reading(*Q01, MAY + i * MINUTE, (begin + 100_000 * i) % whole, MAY) for i in range(47)]
    for reading in readings:
        folder_store.feed([reading])
    folder_store.feed([], MAY + 4 * QUARTER)
    assert interval_energies(folder_store.store, Q01, MAY, 3) == [1_500_000] * 3


def test_a3_a_fall_at_an_impossible_power_is_no_rollover(tmp_path: Path) -> None:
    energies, _ = booked(tmp_path, steady(20) + [100.0 * i for i in range(1, 28)], intervals=3)
    assert all(e is not None and e <= 1_500_000 for e in energies)


def test_a6_a_swapped_word_order_enters_no_figure(tmp_path: Path) -> None:
    def swapped(value: float) -> float:
        high, low = struct.unpack(">HH", struct.pack(">I", round(value)))
        return float(struct.unpack(">I", struct.pack(">HH", low, high))[0])

    true = steady(90)
    shown = [swapped(v) if 30 <= i < 60 else v for i, v in enumerate(true)]
    energies, _ = booked(tmp_path, shown, intervals=6)
    assert sum(e for e in energies if e is not None) <= 9_000_000
    assert all(e is None or 0 <= e <= 1_600_000 for e in energies), energies
    assert energies[0] == 1_500_000


def test_a7_a_torn_read_of_two_halves_is_dropped(tmp_path: Path) -> None:
    true = steady(47, start=0x0001_FFFF - 2_000)
    shown = list(true)
    crossing = next(i for i, v in enumerate(true) if v > 0x0001_FFFF)
    shown[crossing] = (int(true[crossing]) & 0xFFFF) | 0x0001_0000  # new low half, old high half
    energies, _ = booked(tmp_path, shown, intervals=3)
    assert energies == [1_500_000] * 3


@pytest.mark.parametrize("code", [0x7FFF, 0x8000, 0xFFFF, 0xFFFF_FFFF, 0x7FC0_0000])
def test_a8_codes_for_not_available_enter_no_sum(code: int, tmp_path: Path) -> None:
    shown = steady(47, start=500_000)
    shown[20] = float(code)
    energies, _ = booked(tmp_path, shown, intervals=3)
    assert energies == [1_500_000] * 3


@pytest.mark.parametrize(
    ("register", "shown"),
    [("32.7.0", 6553.5), ("14.7.0", 655.35), ("13.7.0", 32.767), ("31.7.0", 65_535), (POWER, 4_294_967_290)],
)
def test_a8_a10_present_values_that_cannot_be_are_refused(register: str, shown: float) -> None:
    plan = site()
    unit = {"32.7.0": "V", "14.7.0": "Hz", "13.7.0": "/", "31.7.0": "A"}.get(register, "W")
    meter_input = Input("q01", register, "meters", "m/q01", "", unit)
    group = group_of([meter_input], largest=lambda point, code: largest(plan, point, code))
    done = decode(group, str(shown).encode(), MAY, False)
    assert done.readings == ()
    assert "is beyond what the point can have" in done.refusals[0].reason
    assert len(decode(group, b"0.9", MAY, False).readings) == 1


def test_a9_a_unit_that_changed_counts_nothing_false(tmp_path: Path) -> None:
    """From Wh to kWh the register seems to fall a thousandfold: no interval gets the fall or the rise back."""
    shown = [
        *steady(30, start=5_000_000),
        *[v / 1000 for v in steady(30, start=5_003_000)],
        *steady(30, start=5_006_000),
    ]
    energies, _ = booked(tmp_path, shown, intervals=6)
    assert all(e is None or 0 <= e <= 1_600_000 for e in energies), energies


def test_a11_of_a_register_that_runs_backwards_nothing_is_clipped(tmp_path: Path) -> None:
    energies, folder_store = booked(tmp_path, [50_000 - 100.0 * i for i in range(47)], intervals=3)
    assert all(e in (0, None) for e in energies)
    assert raw(folder_store) == [50_000_000 - 100_000 * i for i in range(47)]


def test_a12_a_jump_beyond_all_power_is_refused_as_energy_and_kept_as_read(tmp_path: Path) -> None:
    shown = steady(47)
    shown[20] += 10_000_000
    energies, folder_store = booked(tmp_path, shown, intervals=3)
    assert energies == [1_500_000] * 3
    assert round(shown[20] * 1000) in raw(folder_store)


def test_a13_the_same_value_at_a_new_time_is_no_energy(tmp_path: Path) -> None:
    shown = [v for v in steady(24) for _ in (0, 1)][:47]
    energies, _ = booked(tmp_path, shown, intervals=3)
    assert sum(e or 0 for e in energies) in range(2_100_000, 2_300_001)


def test_a15_an_exchange_without_notice_is_not_bridged(tmp_path: Path) -> None:
    shown = steady(20) + steady(40, start=700_000)
    energies, folder_store = booked(tmp_path, shown, intervals=4)
    assert energies == [1_500_000, None, 1_500_000, None], "the last one has no reading behind its end"
    assert len(raw(folder_store)) == 60
