"""Messages with a forecast from outside: SenML packs, lists, units, stamps; what is not believed is refused as a whole."""

import json
from typing import Any

import pytest

from meterd.adapters.sources.outside_forecast import Reader, read_series, reader_of
from meterd.core.model.forecast import ForecastInput, OutsideQuantity

NOW_MS = 1_777_593_600_000  # 2026-05-01 00:00 UTC
HOUR = 3_600_000


def reader(quantity: str = "power", *, field: str = "/v", unit: str = "W", stamp: str = "start") -> Reader:
    """A reader for a site whose arrays can give 50 kW."""
    time_field = "/t" if field.startswith("/") else ""
    what = ForecastInput("s", "w", OutsideQuantity(quantity), field, time_field, unit, stamp)
    return reader_of(what, "s", 50_000.0)


def lists(times: list[Any], values: list[Any]) -> bytes:
    return json.dumps({"t": times, "v": values}).encode()


FUTURE = [NOW_MS // 1000 + 3600 * n for n in range(3)]


@pytest.mark.parametrize(
    ("quantity", "unit", "factor"),
    [
        ("power", "W", 1.0),
        ("power", "kW", 1000.0),
        ("irradiance", "W/m2", 1.0),
        ("cloud-cover", "%", 0.01),
        ("cloud-cover", "/", 1.0),
    ],
)
def test_lists_of_times_and_values(quantity: str, unit: str, factor: float) -> None:
    """Numbers of seconds and RFC 3339 times; null is missing."""
    series = read_series(reader(quantity, unit=unit), lists(FUTURE, [0, 1, None]), NOW_MS, retained=True)
    assert series.times_ms == (NOW_MS, NOW_MS + HOUR, NOW_MS + 2 * HOUR)
    assert series.values == (0.0, pytest.approx(factor), None)
    assert (series.received_ms, series.retained) == (NOW_MS, True)
    written = ["2026-05-01T00:00:00Z", "2026-05-01T03:00:00+02:00"]
    assert read_series(reader(), lists(written, [1, 2]), NOW_MS, retained=False).times_ms == (NOW_MS, NOW_MS + HOUR)


def test_times_at_the_end_of_what_they_stand_for() -> None:
    """The first value holds as long before its time as the second does."""
    series = read_series(reader(stamp="end"), lists(FUTURE, [1, 2, 3]), NOW_MS, retained=False)
    assert series.times_ms == (NOW_MS - HOUR, NOW_MS, NOW_MS + HOUR)


def test_a_pack_with_times_to_come() -> None:
    """The name of the plan is read, others are not; times of the pack may be relative to now; kW and W mix."""
    pack = [
        {"bn": "roof:", "n": "p50", "t": 3600, "u": "kW", "v": 2},
        {"n": "p90", "t": 3600, "u": "W", "v": 9},
        {"n": "p50", "t": 7200, "u": "W", "v": 500},
    ]
    series = read_series(reader(field="roof:p50"), json.dumps(pack).encode(), NOW_MS, retained=False)
    assert (series.times_ms, series.values) == ((NOW_MS + HOUR, NOW_MS + 2 * HOUR), (2000.0, 500.0))


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "empty payload"),
        (b"\xff", "no valid JSON|not UTF-8"),
        (b'{"t": [1, 2], "v": [NaN, 1]}', "no valid JSON"),
        (b'{"t": [1, 2]}', "no such member"),
        (b'{"t": 1, "v": [1, 2]}', "no list at /t"),
        (lists(FUTURE, [1, 2]), "2 values and 3 times"),
        (lists(FUTURE[:1], [1]), "1 values; a forecast has 2 at least"),
        (lists([FUTURE[0], FUTURE[0]], [1, 2]), "times must rise"),
        (lists([FUTURE[1], FUTURE[0]], [1, 2]), "times must rise"),
        (lists([1_700_000_000, 1_700_003_600], [1, 2]), "nothing of it lies ahead"),
        (lists([at * 1000 for at in FUTURE], [1, 2, 3]), "reaches more than 16 days ahead|out of any range"),
        (lists(FUTURE, [1, 2, "3"]), "quotes"),
        (lists(FUTURE, [1, 2, True]), "true is no number"),
        (lists(FUTURE, [1, 2, -9000]), "is not between 0 and 50000; see unit and quantity"),
        (lists(FUTURE, [1, 2, 2e9]), "is not between 0 and 50000; see unit and quantity"),
        (lists(FUTURE * 2000, [1] * 6000), "6000 values, the limit is 5000"),
        (b"[" * 100_000, "no valid JSON|nested too deeply"),
    ],
)
def test_what_is_not_believed_is_refused_as_a_whole(payload: bytes, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        read_series(reader(), payload, NOW_MS, retained=False)


@pytest.mark.parametrize(
    ("pack", "why"),
    [
        ([{"n": "x", "t": 3600, "v": 1}], "no record named 'p' in the pack"),
        ([{"n": "p", "t": 3600, "u": "Cel", "v": 1}], "unit 'Cel' does not fit a forecast of power"),
        ([{"n": "p", "t": 3600, "vs": "sunny"}], "record 'p' holds no number"),
    ],
)
def test_a_pack_that_does_not_fit(pack: list[dict[str, object]], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        read_series(reader(field="p"), json.dumps(pack).encode(), NOW_MS, retained=False)
