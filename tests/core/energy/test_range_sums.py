"""The sum of any span is that of its intervals, whichever stored periods it is taken from."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.core.energy.energy_items import EnergyItem, ItemKind
from meterd.core.energy.range_sums import Calendar, cover, span_sum, step_figures
from meterd.core.model.periods import Period, bounds, to_ms
from meterd.core.model.results import FigureRow

VIENNA = ZoneInfo("Europe/Vienna")
STEP = 900_000
BEGIN = to_ms(datetime(2026, 3, 11, 9, 15, tzinfo=UTC))
END = to_ms(datetime(2026, 5, 20, 13, 45, tzinfo=UTC))
CALENDAR = Calendar(VIENNA, STEP, (BEGIN, END))
PLUS, MINUS = ("q01", "1.8.0"), ("q01", "2.8.0")
ITEM = EnergyItem(ItemKind.POINT, "q01", "", ("q01",), (PLUS, MINUS), (1, -1))
GAP = to_ms(datetime(2026, 4, 14, 6, 0, tzinfo=UTC))
STARTS = np.arange(BEGIN, END, STEP)
ENERGY = {PLUS: np.arange(len(STARTS)) * 7 % 1000 + 1, MINUS: np.arange(len(STARTS)) * 3 % 100}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> SqliteStore:
    """Two registers over ten weeks with every whole period, one interval missing."""
    result = SqliteStore.writer(tmp_path_factory.mktemp("sums") / "s.sqlite")
    with result.transaction():
        for channel, energy in ENERGY.items():
            for period in Period:
                sums: dict[int, list[int | None]] = {}
                for at, value in zip(STARTS.tolist(), energy.tolist(), strict=True):
                    low, high = bounds(period, at, VIENNA, STEP)
                    if low >= BEGIN and high <= END:
                        sums.setdefault(low, []).append(None if at == GAP and channel == PLUS else value)
                rows = [
                    FigureRow(channel, period, low, None if None in some else sum(v or 0 for v in some), 0)
                    for low, some in sums.items()
                ]
                result.write_figures(rows, now_ms=END, reason="closed")
    return result


def plain(low: int, high: int) -> int:
    """The net energy of a span, interval by interval."""
    rows = (low <= STARTS) & (high > STARTS)
    return int(ENERGY[PLUS][rows].sum() - ENERGY[MINUS][rows].sum())


@pytest.mark.parametrize(
    ("low", "high"),
    [
        (datetime(2026, 4, 30, 22, tzinfo=UTC), datetime(2026, 5, 31, 22, tzinfo=UTC)),  # May so far
        (datetime(2026, 4, 20, 10, 30, tzinfo=UTC), datetime(2026, 5, 3, 7, 15, tzinfo=UTC)),  # any span
        (datetime(2026, 3, 28, 23, tzinfo=UTC), datetime(2026, 3, 29, 22, tzinfo=UTC)),  # a day of 23 hours
    ],
)
def test_a_span_is_the_sum_of_its_intervals(store: SqliteStore, low: datetime, high: datetime) -> None:
    """From the largest periods that lie in it, and few of them."""
    covered = cover((to_ms(low), to_ms(high)), CALENDAR)
    assert covered is not None
    assert len(covered.parts) < 75
    result = span_sum(store, ITEM, covered)
    assert result.energy_mwh == plain(to_ms(low), min(to_ms(high), END))


def test_a_missing_interval_makes_the_sum_missing(store: SqliteStore) -> None:
    """Never a smaller one."""
    covered = cover((GAP - 86_400_000, GAP + 86_400_000), CALENDAR)
    assert covered is not None
    assert span_sum(store, ITEM, covered).energy_mwh is None


def test_a_span_before_the_history_counts_since_it_begins(store: SqliteStore) -> None:
    """The year begins before the first reading; the gap lies after the end of this span."""
    covered = cover((to_ms(datetime(2025, 12, 31, 23, tzinfo=UTC)), GAP), CALENDAR)
    assert covered is not None
    assert covered.begins
    result = span_sum(store, ITEM, covered)
    assert (result.energy_mwh, result.from_ms) == (plain(BEGIN, GAP), BEGIN)


def test_outside_the_history_there_is_nothing() -> None:
    """Neither before nor after it."""
    assert cover((0, BEGIN), CALENDAR) is None
    assert cover((END, END + 10 * STEP), CALENDAR) is None


def test_steps_hold_what_is_closed_of_the_running_one(store: SqliteStore) -> None:
    """Days: the first one begins with the history, the last one is not over, the one with the gap is missing."""
    begins = [bounds(Period.DAY, at, VIENNA, STEP)[0] for at in (BEGIN, GAP, END - 1)]
    figures = step_figures(store, ITEM, Period.DAY, begins, CALENDAR)
    assert figures.partial.tolist() == [True, False, True]
    assert figures.value(0) == plain(BEGIN, begins[0] + 86_400_000)
    assert figures.value(1) is None
    assert figures.value(2) == plain(begins[2], END)
