"""The numbers in one payload that nobody has described yet: a plain number, members of JSON, records of SenML. Pure."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import msgspec

from meterd.adapters.sources.number import NotANumber, from_json, from_text
from meterd.adapters.sources.timestamps import EPOCH_UNITS_MS, epoch_ms, rfc3339_ms
from meterd.core.topics import senml

DEEPEST = 8  # levels of a document
MOST = 400  # numbers of one payload: more is no meter
NEAR_MS = 2 * 86_400_000  # how far a device time is from its arrival at most, to be taken for one
TIME_WORDS = (
    "time", "timestamp", "ts", "t", "at", "datetime", "date", "utc", "zeit", "zeitstempel", "measured_at", "timeutc",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class HeardNumber:
    """A number with the field of the plan that reads it, and the names that lead to it inside the payload.

    `unit` is what a SenML record says. `why` is not empty if the daemon would refuse it.
    """

    field: str
    names: tuple[str, ...]
    number: float
    unit: str = ""
    time_field: str = ""
    time_unit: str = ""
    why: str = ""


def numbers_in(payload: bytes, arrived_ms: int) -> tuple[HeardNumber, ...]:
    """All numbers of a payload that arrived at that moment; ValueError with the reason if it has none.

    >>> [(value.field, value.number) for value in numbers_in(b'{"q": {"p": 5}, "on": true}', 0)]
    [('/q/p', 5.0)]
    """
    try:
        document = msgspec.json.decode(payload)
    except (msgspec.DecodeError, RecursionError):
        document = None
    if document is None and payload.lstrip()[:1] in (b"{", b"["):
        raise ValueError("no valid JSON")
    if not isinstance(document, dict | list):
        return (HeardNumber("", (), from_text(payload.decode("ascii", "replace"))),)
    if _is_pack(document):
        return _records(payload)
    numbers = tuple(
        value for value, _ in zip(_members(document, "", (), ("", ""), arrived_ms), range(MOST), strict=False)
    )
    if not numbers:
        raise ValueError("no number in it")
    return numbers


def _is_pack(document: object) -> bool:
    return (
        isinstance(document, list)
        and bool(document)
        and all(isinstance(row, dict) and row.keys() & {"n", "bn", "v", "bv", "vs", "vb"} for row in document)
    )


def _records(payload: bytes) -> tuple[HeardNumber, ...]:
    numbers: dict[str, HeardNumber] = {}
    for record in senml.resolve(payload):
        if record.value is not None:
            names = tuple(part for part in record.name.replace("/", ":").split(":") if part)
            numbers[record.name] = HeardNumber(record.name, names, record.value, record.unit)
    if not numbers:
        raise ValueError("no number in the records of the pack")
    return tuple(numbers.values())


def _members(
    value: object, pointer: str, names: tuple[str, ...], time: tuple[str, str], arrived_ms: int
) -> Iterator[HeardNumber]:
    """Numbers below a value; `time` is the pointer and unit of the nearest device time above."""
    if len(names) > DEEPEST:
        return
    if isinstance(value, dict):
        time = _time_of(value, pointer, arrived_ms) or time
        for name, inner in value.items():
            path = f"{pointer}/{name.replace('~', '~0').replace('/', '~1')}"
            if name.casefold() not in TIME_WORDS:
                yield from _members(inner, path, (*names, name), time, arrived_ms)
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _members(inner, f"{pointer}/{place}", (*names, str(place)), time, arrived_ms)
    else:
        yield from _leaf(value, pointer, names, time)


def _leaf(value: object, pointer: str, names: tuple[str, ...], time: tuple[str, str]) -> Iterator[HeardNumber]:
    if isinstance(value, bool) or value is None:
        return
    try:
        yield HeardNumber(pointer, names, from_json(value), "", *time)
    except NotANumber as exc:
        try:
            yield HeardNumber(pointer, names, from_text(str(value)), why=str(exc))
        except NotANumber:
            return  # a name, a serial number, a state


def _time_of(members: Mapping[str, object], pointer: str, arrived_ms: int) -> tuple[str, str] | None:
    """Pointer and unit of the device time among the members of one object; the unit of a text is empty."""
    for name, value in members.items():
        if name.casefold() in TIME_WORDS:
            unit = time_unit(value, arrived_ms)
            if unit is not None:
                return f"{pointer}/{name}", unit
    return None


def time_unit(value: object, arrived_ms: int) -> str | None:
    """The unit of an epoch number that is near its arrival, empty for an RFC 3339 text, None for no device time.

    >>> time_unit(1767225600, 1767225600500), time_unit("2026-01-01T00:00:00Z", 0), time_unit("yesterday", 0)
    ('s', '', None)
    """
    if isinstance(value, str):
        try:
            rfc3339_ms(value)
        except ValueError:
            return None
        return ""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    for unit in EPOCH_UNITS_MS:
        try:
            if abs(epoch_ms(float(value), unit) - arrived_ms) <= NEAR_MS:
                return unit
        except (ValueError, OverflowError):
            continue
    return None
