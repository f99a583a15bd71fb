"""Faults of numbers (F1 to F6): nothing that is no number gets in, missing stays missing, sums are exact."""

from fractions import Fraction
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.sources.payloads import decode, group_of
from meterd.core.energy.batch import all_tables, follow, interval_table
from meterd.core.model.fair_division import largest_remainder
from meterd.core.model.periods import Period
from meterd.core.model.plan import Input, Limits
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.pv.figures import ratio
from meterd.core.registers.tracker import Rule
from tests.faults.mill import CHANNELS, DAY, MAY, QUARTER, StoreInFolder, as_readings, interval_energies, minutes

REFUSED = ["NaN", '"NaN"', "inf", "Infinity", "-Infinity", "1e400", "true", "false", "null", '"12,5"', "12,5", '"1_000"', "1_000",
           "0x10", '"7"', "[1]", "{}", "", "1 2", "１２"]  # fmt: skip
POINTER = group_of([Input("q01", "16.7.0", "m", "t", "/v", "W")])
PLAIN = group_of([Input("q01", "16.7.0", "m", "t", "", "W")])


@pytest.mark.parametrize("value", REFUSED)
def test_f1_what_is_no_number_is_refused_with_a_reason(value: str) -> None:
    for group, payload in ((POINTER, b'{"v": %s}' % value.encode()), (PLAIN, value.encode())):
        done = decode(group, payload, MAY, False)
        assert done.readings == ()
        assert done.refusals[0].reason


def test_f1_minus_zero_is_zero() -> None:
    (reading,) = decode(PLAIN, b"-0.0", MAY, False).readings
    assert str(reading.value) == "0.0"


def test_f2_a_day_without_any_reading_is_missing_and_not_zero(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed(as_readings(minutes(60)))
    folder_store.feed([], MAY + 2 * DAY)
    assert interval_energies(folder_store.store, ("q01", IMPORT), MAY + DAY, 4) == [None] * 4
    (row,) = folder_store.store.balances("main", Period.INTERVAL, MAY + DAY, MAY + DAY + 1)
    assert (row.feed, row.outgoing, row.residual, row.verdict) == (None, None, None, "not computable")
    assert folder_store.store.pv(Period.INTERVAL, MAY + DAY, MAY + DAY + 1)[0].production is None
    folder_store.close()


def test_f3_with_one_feeder_missing_the_balance_is_not_computable_and_says_which(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed([r for r in as_readings(minutes(60)) if r.point != "q02"])
    folder_store.feed([], MAY + 2 * 3_600_000)
    rows = folder_store.store.balances("main", Period.INTERVAL, MAY, MAY + 3 * QUARTER)
    assert {(row.verdict, row.missing, row.outgoing) for row in rows} == {("not computable", ("q02",), None)}
    folder_store.close()


def test_f4_ten_years_of_forty_points_add_up_to_the_milliwatt_hour() -> None:
    """Hourly readings of ten years with odd rises: every year and the whole are exactly what the registers say."""
    rng = np.random.default_rng(4)
    hours = 10 * 8766
    times = MAY + 3_600_000 * np.arange(hours + 1, dtype=np.int64)
    rule = Rule(capacity=None, limit_per_s=10**7)
    limits = Limits(gap_exact_s=7200)
    followed, rises = [], []
    for k in range(4):
        rise = rng.integers(0, 10**9, hours)
        shown = np.concatenate([[123_456_789 * k], 123_456_789 * k + np.cumsum(rise)])
        followed.append(follow((f"p{k}", IMPORT), (rule,), times, shown, limits=limits, interval_ms=3_600_000))
        rises.append(int(rise.sum()))
    tables = all_tables(interval_table(followed, 3_600_000), ZoneInfo("Europe/Vienna"), 3_600_000)
    intervals = tables[Period.INTERVAL].columns
    sums = [sum(int(e) for e in intervals.energy[:, k]) for k in range(4)]
    assert sums == rises
    assert sum(sums) * 10 == sum(rises) * 10  # forty points are ten times these four: whole numbers have no last digit
    months = tables[Period.MONTH].columns
    whole = [int(months.energy[months.present[:, k], k].sum()) for k in range(4)]
    assert all(part <= total for part, total in zip(whole, rises, strict=True))


@pytest.mark.parametrize(("total", "parts"), [(10_000, 3), (1, 48), (99_999, 7), (0, 5)])
def test_f5_rounded_shares_add_up_exactly(total: int, parts: int) -> None:
    exact = [Fraction(total, parts)] * parts
    shares = largest_remainder(total, exact, [f"c{i:02d}" for i in range(parts)])
    assert sum(shares) == total
    assert max(shares) - min(shares) <= 1


def test_f6_ratios_without_divisor_are_undefined() -> None:
    assert ratio(0, 0) is None
    assert ratio(5, 0) is None
    assert ratio(None, 5) is None
    assert ratio(0, 5) == 0.0


def test_f6_a_night_without_production_has_no_self_consumption(tmp_path: Path) -> None:
    folder_store = StoreInFolder(tmp_path)
    still = [Reading(*c, MAY + i * 60_000, 1_000_000, MAY) for c in CHANNELS for i in range(60)]
    folder_store.feed(still)
    folder_store.feed([], MAY + 3_700_000)
    day = folder_store.ledger.pv_day(MAY + 3_700_000)
    assert day is not None
    assert (day.self_consumption, day.self_sufficiency) == (None, None)
    folder_store.close()
