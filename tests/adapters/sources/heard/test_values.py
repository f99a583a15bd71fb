"""Every number of a payload is found with the field that reads it and its device time; what has none says why."""

import pytest

from meterd.adapters.sources.heard.values import numbers_in, time_unit

NOW_MS = 1_777_852_800_000  # 2026-05-04 00:00 UTC


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        (b" 12.5 ", [("", 12.5)]),
        (b"12", [("", 12.0)]),
        (b'{"q01": {"import_wh": 7, "name": "ovens", "on": true}, "u": [230, 231.5]}',
         [("/q01/import_wh", 7.0), ("/u/0", 230.0), ("/u/1", 231.5)]),
        (b'{"a/b": {"m~n": 1}}', [("/a~1b/m~0n", 1.0)]),
        (b'[{"bn": "q01:", "n": "p", "u": "W", "v": 5}, {"n": "s", "vs": "ok"}]', [("q01:p", 5.0)]),
    ],
)  # fmt: skip
def test_numbers_with_their_fields(payload: bytes, expected: list[tuple[str, float]]) -> None:
    assert [(heard.field, heard.number) for heard in numbers_in(payload, NOW_MS)] == expected


def test_the_nearest_device_time_belongs_to_a_number() -> None:
    """Seconds of the whole, milliseconds of one part; a date without offset is none."""
    payload = b'{"time": 1777852799, "p": 1, "x": {"ts": 1777852799000, "p": 2}, "y": {"time": "4 May", "p": 3}}'
    results = {heard.field: (heard.time_field, heard.time_unit) for heard in numbers_in(payload, NOW_MS)}
    assert results == {"/p": ("/time", "s"), "/x/p": ("/x/ts", "ms"), "/y/p": ("/time", "s")}


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        (NOW_MS / 1000, "s"), (NOW_MS, "ms"), (NOW_MS * 1000, "us"), (NOW_MS * 10**6, "ns"), ("2020-01-01T00:00:00Z", ""),
        (12345, None), (True, None), ("12:30", None), (1e300, None), (None, None),
    ],
)  # fmt: skip
def test_unit_of_a_device_time(value: object, unit: str | None) -> None:
    assert time_unit(value, NOW_MS) == unit


def test_a_number_in_quotes_is_found_with_the_reason_why_it_is_refused() -> None:
    (heard,) = numbers_in(b'{"energy": "55.2", "serial": "A1"}', NOW_MS)
    assert (heard.field, heard.number, heard.why[:27]) == ("/energy", 55.2, "a number in quotes is text;")


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        (b"12,5", "decimal comma"), (b"open", "no plain decimal number"), (b"\x00\xff", "outside ASCII"), (b"", "empty"),
        (b'{"state": "on"}', "no number in it"), (b"[]", "no number in it"), (b"NaN", "NaN"), (b"[" * 3000, "no valid JSON"),
        (b'[{"n": "s", "vs": "ok"}]', "no number in the records"), (b'[{"n": "s", "v": "5"}]', "v must be a number"),
    ],
)  # fmt: skip
def test_what_holds_no_number_says_so(payload: bytes, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        numbers_in(payload, NOW_MS)
