"""What the watch over the roof reads: whole days of 24 hours by the standard time of the zone; missing stays missing."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from meterd.app.operations.roof_job import read_roof
from meterd.core.energy.rollup import Columns
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period
from meterd.core.model.plan import Board, Input, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT
from meterd.core.model.results import BalanceRow, Channel, PvRow
from meterd.core.registers.register_line import Ints

BEGIN = 1_772_319_600_000  # 2026-02-28 23:00 UTC: 1 March in Vienna
POINTS = (Point("grid", "main", Role.FEED), Point("hall", "main", Role.PV), Point("shed", "main", Role.PV))
INPUTS = tuple(Input(name, register, "b", "x") for name in ("grid", "hall", "shed") for register in (IMPORT, EXPORT))
SITE = Site("mill", "Europe/Vienna", boards=(Board("main"),), points=POINTS, inputs=INPUTS)


class Figures:
    """Forty days and some hours: the hall gives 1 kWh in each interval and takes 0.1 kWh back, the shed 2 kWh."""

    def __init__(self, step_ms: int, days: float = 40.2) -> None:
        self.step, self.end = step_ms, BEGIN + int(days * DAY_MS) // step_ms * step_ms

    def columns(self, channels: Sequence[Channel], period: Period, starts: Ints) -> Columns:
        """The hall is missing in one interval of the third day."""
        energy = {
            ("hall", IMPORT): 1_000_000,
            ("hall", EXPORT): 100_000,
            ("shed", IMPORT): 2_000_000,
            ("shed", EXPORT): 0,
        }
        table = np.array([[energy[channel] for channel in channels]] * len(starts), dtype=np.int64)
        present = np.ones(table.shape, dtype=np.bool_)
        for column, (point, _) in enumerate(channels):
            if point == "hall":
                present[:, column] = starts != BEGIN + 2 * DAY_MS + 12 * HOUR_MS
        return Columns(table, present, np.zeros(table.shape, dtype=np.uint8))

    def balances(self, board: str, period: Period, from_ms: int, until_ms: int) -> list[BalanceRow]:
        """None."""
        return []

    def pv(self, period: Period, from_ms: int, until_ms: int) -> list[PvRow]:
        """None."""
        return []

    def span(self, period: Period) -> tuple[int, int] | None:
        """From some hours before the first whole day."""
        return BEGIN - 3 * HOUR_MS, self.end - self.step


@pytest.mark.parametrize(("step_s", "slots", "hall_w"), [(900, 96, 3600.0), (3600, 24, 900.0), (300, 96, 10_800.0)])
def test_days_are_whole_and_powers_are_means(step_s: int, slots: int, hall_w: float) -> None:
    """Forty days, also over the change of the clocks in March; five minutes are put together to a quarter hour."""
    days = read_roof(Figures(step_s * 1000), replace(SITE, interval_s=step_s))
    assert days is not None
    assert days.names == ("hall", "shed")
    assert days.watt.shape == (40, slots, 2)
    assert int(days.at_ms[0, 0]) == BEGIN + DAY_MS // slots // 2
    assert set(np.diff(days.at_ms.ravel())) == {DAY_MS // slots}
    assert np.isnan(days.watt[:, :, 0]).sum() == 1
    assert np.isnan(days.watt[2, slots // 2, 0])
    assert np.nanmax(days.watt[:, :, 0]) == pytest.approx(hall_w)
    assert not np.isnan(days.watt[:, :, 1]).any()


def test_too_little_or_no_pv_is_nothing() -> None:
    """Less than a month; intervals that make no day; a site without PV."""
    assert read_roof(Figures(900_000, days=20), SITE) is None
    assert read_roof(Figures(900_000), replace(SITE, points=POINTS[:1])) is None
    assert read_roof(Figures(420_000), replace(SITE, interval_s=420)) is None
