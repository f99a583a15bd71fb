"""Descriptions of archived months, and which figures belong to which month."""

from dataclasses import replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from meterd.core.errors import StoreError
from meterd.core.model.archived_month import ArchivedFile, ArchivedMonth, newest_paths, read_month, spans_of
from meterd.core.model.periods import Period, bounds, starts
from tests.core.model.test_schedule import ms

FILE = ArchivedFile("site=mill/table=energy/month=2026-01/v1-0a0b0c0d.parquet", 3, 900, "0a0b0c0d" * 8, "ff")
MONTH = ArchivedMonth(
    1, "mill", "Europe/Vienna", 900, "2026-01", 1, 5, 9, 11, "0.2.0", 8, "ab" * 32, "cd" * 16, False, {"energy": FILE}
)  # fmt: skip


def test_there_and_back() -> None:
    """The name follows the content."""
    assert read_month(MONTH.as_bytes(), MONTH.path) == MONTH
    assert MONTH.path.startswith("site=mill/table=month/month=2026-01/v1-")
    assert replace(MONTH, plan="ef" * 32).path != MONTH.path


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"", "is no description"),
        (b"[]", "is no description"),
        (b'{"format": 1}', "is incomplete"),
        (b'{"format": 9}', "of a later version"),
        (MONTH.as_bytes().replace(b'"sha256"', b'"sha"'), "is incomplete"),
    ],
)
def test_what_is_no_description(data: bytes, text: str) -> None:
    """Said with its place."""
    with pytest.raises(StoreError, match=f"x/v1.json .*{text}|x/v1.json {text}"):
        read_month(data, "x/v1.json")


def test_the_newest_version() -> None:
    """By number, not by name; two of one version are both named; other files are passed over."""
    folder = "site=mill/table=month/month="
    paths = [
        f"{folder}2026-01/v2-00000000.json", f"{folder}2026-01/v10-00000001.json", f"{folder}2026-02/v1-00000002.json",
        f"{folder}2026-02/v1-00000003.json", f"{folder}2026-01/v11-00000000.json.partial", FILE.path,
    ]  # fmt: skip
    assert newest_paths(paths) == {"2026-01": [paths[1]], "2026-02": paths[2:4]}


@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/St_Johns", "Australia/Lord_Howe"])
def test_each_figure_belongs_to_one_month(zone: str) -> None:
    """Over two years: the spans of the months follow each other without gap, and what is in one ends in it."""
    place, step = ZoneInfo(zone), 900_000
    months = starts(Period.MONTH, ms(2026, 1, 15), ms(2028, 3, 15), place, step)
    spans = [spans_of(bounds(Period.MONTH, start, place, step), place, step) for start in months]
    for period in Period:
        for before, after in pairwise(spans):
            assert before[period][1] == after[period][0]
    for start, own in zip(months, spans, strict=True):
        low, high = bounds(Period.MONTH, start, place, step)
        for period in (Period.DAY, Period.WEEK, Period.MONTH, Period.YEAR):
            for item in starts(period, *own[period], place, step):
                assert low < bounds(period, item, place, step)[1] <= high
