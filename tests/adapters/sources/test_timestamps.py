"""Times of devices are read as RFC 3339 says, or by their one unit, and refused when they cannot be."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterd.adapters.sources.timestamps import check_age, epoch_ms, rfc3339_ms
from meterd.core.model.periods import text

# RFC 3339 sections 5.6 to 5.8 (its own examples) and own vectors on its rules; intervals are no moments
VECTORS = Path(__file__).parents[2] / "vectors" / "rfc3339_vectors.csv"
with VECTORS.open(encoding="utf-8", newline="") as lines:
    ROWS = list(csv.DictReader(lines))
YEAR_MS = 366 * 86_400_000


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["text"])
def test_vector_of_rfc_3339(row: dict[str, str]) -> None:
    if row["status"].startswith("valid"):
        at_ms = rfc3339_ms(row["text"])
        if row["epoch_seconds"]:
            assert at_ms == round(float(row["epoch_seconds"]) * 1000)
        else:
            assert at_ms == 1_774_742_400_000  # 2026-03-29T00:00:00Z
    else:
        with pytest.raises(ValueError, match=r"RFC 3339|hour"):
            rfc3339_ms(row["text"])


@pytest.mark.parametrize(
    ("stamp", "reason"),
    [
        ("2026-02-30T00:00:00Z", "day"),
        ("2026-13-01T00:00:00Z", "month"),
        ("2026-03-29T00:00:61Z", "second"),
        ("2026-03-29T12:00:60Z", "23:59:60"),
        ("2026-03-29T00:00:00+24:00", "offset"),
        ("2026-03-29T00:00:00+01:60", "offset"),
        ("٢٠٢٦-03-29T00:00:00Z", "RFC 3339"),
        ("2026-03-29T00:00:00Z ", "RFC 3339"),
        ("9999-12-31T23:59:60Z", "outside"),
        ("0001-01-01T00:00:00+10:00", ""),
    ],
)
def test_impossible_stamp_is_refused(stamp: str, reason: str) -> None:
    if not reason:
        assert rfc3339_ms(stamp) < 0
        return
    with pytest.raises(ValueError, match=reason):
        rfc3339_ms(stamp)


@given(st.integers(-60_000_000_000_000, 250_000_000_000_000))
def test_every_stamp_we_write_is_read_back(ms: int) -> None:
    assert rfc3339_ms(text(ms)) == ms


@pytest.mark.parametrize(
    ("value", "unit", "ms"), [(1767225600, "s", 1767225600000), (1767225600.5, "s", 1767225600500), (5, "ms", 5)]
)
def test_c10_epoch_number_is_read_in_its_one_unit(value: float, unit: str, ms: int) -> None:
    assert epoch_ms(value, unit) == ms


def test_c10_seconds_taken_for_milliseconds_are_refused() -> None:
    now_ms = 1_767_225_600_000
    with pytest.raises(ValueError, match="its unit"):
        check_age(epoch_ms(now_ms / 1000, "ms"), now_ms, 60_000)
    with pytest.raises(ValueError, match="its unit"):
        epoch_ms(now_ms, "s")
    with pytest.raises(ValueError, match="out of any range"):
        epoch_ms(1e300, "s")


def test_c3_time_ahead_of_its_arrival_is_refused_and_an_old_one_is_not() -> None:
    now_ms = 1_767_225_600_000
    check_age(now_ms + 60_000, now_ms, 60_000)
    check_age(now_ms - 9 * YEAR_MS, now_ms, 60_000)
    with pytest.raises(ValueError, match=r"60\.0 s ahead"):
        check_age(now_ms + 60_001, now_ms, 60_000)
