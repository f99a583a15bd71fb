"""Dates in every usual order and dress; the repeated hour by the order of rows; what fits two readings is said."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.old_readings.time_cells import DMY, MDY, YMD, DateOrder, date_order, in_utc, read_times
from meterd.core.model.periods import to_ms

BERLIN = ZoneInfo("Europe/Berlin")


def texts(*cells: str) -> np.ndarray:  # type: ignore[type-arg]
    return np.array(cells, dtype=object)


def utc(cell: str, order: str, unit: str = "") -> str:
    cells = in_utc(read_times(texts(cell), order, unit), BERLIN)
    return datetime.fromtimestamp(cells.values[0] / 1000, UTC).isoformat() if cells.good[0] else cells.reasons[0]


@pytest.mark.parametrize(
    ("cell", "order", "wanted"),
    [
        ("31.12.2025 23:45", DMY, "2025-12-31T22:45:00+00:00"),
        ("31.12.25 23:45:30", DMY, "2025-12-31T22:45:30+00:00"),
        ("Mi, 31.12.2025 23:45 Uhr", DMY, "2025-12-31T22:45:00+00:00"),
        ("31.12.2025 24:00", DMY, "2025-12-31T23:00:00+00:00"),
        ("31.12.2025", DMY, "2025-12-30T23:00:00+00:00"),
        ("12/31/2025 11:45 PM", MDY, "2025-12-31T22:45:00+00:00"),
        ("12/31/2025 12:15 am", MDY, "2025-12-30T23:15:00+00:00"),
        ("2025-12-31T23:45:00Z", YMD, "2025-12-31T23:45:00+00:00"),
        ("2025-12-31 23:45:00.250+0300", YMD, "2025-12-31T20:45:00.250000+00:00"),
        ("26.10.2025 02:15 MESZ", DMY, "2025-10-26T00:15:00+00:00"),
        ("26.10.2025 02:15 MEZ", DMY, "2025-10-26T01:15:00+00:00"),
        ("31.04.2025 10:00", DMY, "no date and time; one is written like 31.12.2025 23:45"),
        ("13/31/2025 10:00", MDY, "no date and time; one is written like 12/31/2025 23:45"),
        ("31.12.2025 25:00", DMY, "no date and time; one is written like 31.12.2025 23:45"),
        ("31.12.2025 23:45 XYZ", DMY, "unknown name of a zone; write an offset such as +01:00, or none"),
        ("30.03.2025 02:30", DMY, "local time that the clock skips"),
        ("1.8.0", DMY, "no date and time; one is written like 31.12.2025 23:45"),
    ],
)
def test_one_time(cell: str, order: str, wanted: str) -> None:
    assert utc(cell, order) == wanted


def test_numbers_as_times() -> None:
    """Days as spreadsheets count them are local; seconds since 1970 are UTC."""
    assert utc("46022,989583", DMY, "days") == "2025-12-31T22:45:00+00:00"
    assert utc("1767224700", DMY, "s") == "2025-12-31T23:45:00+00:00"
    assert "between 1990 and 2099" in utc("12", DMY, "s")


@pytest.mark.parametrize(
    ("cells", "wanted"),
    [
        (["01.02.2025"], DateOrder(DMY)),
        (["2025-02-01 00:00"], DateOrder(YMD)),
        (["01/02/2025", "13/02/2025"], DateOrder(DMY)),
        (["01/02/2025", "02/13/2025"], DateOrder(MDY)),
        (["02/02/2025", "01/02/2025"], DateOrder("", "01/02/2025")),
        (["x", ""], None),
    ],
)
def test_the_order_of_dates_is_what_the_column_allows(cells: list[str], wanted: DateOrder | None) -> None:
    assert date_order(texts(*cells)) == wanted


def test_a_date_of_two_readings_gives_both() -> None:
    assert DateOrder("", "1/2/25").readings == ("2025-02-01", "2025-01-02")


@pytest.mark.parametrize("newest_first", [False, True])
@given(begin=st.integers(0, 8000), step=st.sampled_from([15, 30, 60]))
def test_local_times_of_a_year_come_back(newest_first: bool, begin: int, step: int) -> None:
    """Any stretch of a week of local times without offset, through both changes of the clocks, in both orders."""
    first = datetime(2025, 1, 1, tzinfo=UTC) + timedelta(hours=begin)
    moments = [first + timedelta(minutes=step * row) for row in range(7 * 24 * 60 // step)]
    if first.astimezone(BERLIN).utcoffset() == timedelta(hours=1) and first.astimezone(BERLIN).fold:
        return  # a file that begins inside the second run cannot tell
    moments = moments[::-1] if newest_first else moments
    cells = in_utc(read_times(texts(*(f"{m.astimezone(BERLIN):%d.%m.%Y %H:%M}" for m in moments)), DMY), BERLIN)
    wanted = [to_ms(moment) for moment in moments]
    last = moments[0] if newest_first else moments[-1]
    if not cells.good.all() or cells.values.tolist() != wanted:
        inside = last.astimezone(BERLIN)
        assert inside.replace(fold=0).utcoffset() != inside.replace(fold=1).utcoffset()
