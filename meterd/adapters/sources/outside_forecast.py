"""A forecast from outside as it comes on a topic: a SenML pack with times to come, or JSON with a list of times and of values.

Pure, like `payloads`. A message is taken as a whole or refused with the reason: a forecast that is half believed would be
taken for what it does not say.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from meterd.adapters.sources.json_pointer import Pointer, find, parse
from meterd.adapters.sources.number import from_json
from meterd.adapters.sources.payloads import check_bytes, document_of, reason_of, stamp_ms
from meterd.adapters.sources.timestamps import epoch_ms
from meterd.core.model.forecast import OUTSIDE_UNITS, ForecastInput, OutsideQuantity, OutsideSeries
from meterd.core.model.periods import DAY_MS
from meterd.core.topics import senml

FEWEST, MOST = 2, 5_000  # values; a week of quarter hours has 672
REACH_MS = 16 * DAY_MS  # no model of the weather says more of a time beyond it than the calendar does
LOWEST = -0.05  # of the largest value: instruments and models are a little below zero at night
LARGEST = {OutsideQuantity.IRRADIANCE: 2_000.0, OutsideQuantity.CLOUD_COVER: 1.0}  # W/m2: edges of clouds reach 1,800


@dataclass(frozen=True, slots=True)
class Reader:
    """How messages of the topic are read. `largest` is what a power may be in W; of other quantities it is known."""

    what: ForecastInput
    time_unit: str
    largest: float
    values: Pointer | None  # None: a SenML name
    times: Pointer | None


def reader_of(what: ForecastInput, time_unit: str, largest_w: float) -> Reader:
    """A reader for the forecast of a plan that was checked."""
    pointer = parse(what.field) if what.field.startswith("/") else None
    times = parse(what.time_field) if what.time_field else None
    return Reader(what, time_unit, LARGEST.get(what.quantity, largest_w), pointer, times)


def read_series(reader: Reader, payload: bytes, arrived_ms: int, *, retained: bool) -> OutsideSeries:
    """What a message says, with values in W, W/m2 or parts of the sky. ValueError with the reason for what is not believed."""
    try:
        check_bytes(payload)
        rows = _pack(reader, payload, arrived_ms) if reader.values is None else _lists(reader, payload)
    except (ValueError, LookupError, RecursionError) as exc:
        raise ValueError(reason_of(exc)) from exc
    times, values = [at for at, _ in rows], [_checked(value, reader.largest) for _, value in rows]
    _check_times(times, arrived_ms)
    if reader.what.stamp == "end":
        times = [2 * times[0] - times[1], *times[:-1]]
    return OutsideSeries(arrived_ms, tuple(times), tuple(values), retained)


def _lists(reader: Reader, payload: bytes) -> list[tuple[int, float | None]]:
    assert reader.values is not None, "asked before"
    assert reader.times is not None, "a plan without it has been refused"
    document, scale = document_of(payload), OUTSIDE_UNITS[reader.what.quantity][reader.what.unit]
    values, times = _list(reader.values, document), _list(reader.times, document)
    if len(values) != len(times):
        raise ValueError(f"{len(values)} values and {len(times)} times; there must be as many of both")
    if len(values) > MOST:
        raise ValueError(f"{len(values)} values, the limit is {MOST}")
    return [
        (stamp_ms(at, reader.time_unit), None if value is None else from_json(value) * scale)
        for at, value in zip(times, values, strict=True)
    ]


def _list(pointer: Pointer, document: object) -> Sequence[object]:
    results = find(pointer, document)
    if not isinstance(results, list):
        raise ValueError(f"no list at {pointer.text}")
    return results


def _pack(reader: Reader, payload: bytes, arrived_ms: int) -> list[tuple[int, float | None]]:
    name, units = reader.what.field, OUTSIDE_UNITS[reader.what.quantity]
    records = [record for record in senml.resolve(payload) if record.name == name]
    if not records:
        raise ValueError(f"no record named {name!r} in the pack")
    if len(records) > MOST:
        raise ValueError(f"{len(records)} values, the limit is {MOST}")
    rows: list[tuple[int, float | None]] = []
    for record in records:
        unit = record.unit or reader.what.unit
        # in SenML "%" is the same ratio as "/" (RFC 8428, 12.1)
        scale = 1.0 if record.unit == "%" and "/" in units else units.get(unit)
        if scale is None:
            raise ValueError(f"unit {unit!r} does not fit a forecast of {reader.what.quantity.value}")
        if record.value is None:
            raise ValueError(f"record {name!r} holds no number")
        offset = epoch_ms(record.at_s, "s")
        rows.append((arrived_ms + offset if record.at_s < senml.RELATIVE_S else offset, record.value * scale))
    return rows


def _checked(value: float | None, largest: float) -> float | None:
    if value is not None and not LOWEST * largest <= value <= largest:
        raise ValueError(f"value {value:g} is not between 0 and {largest:.6g}; see unit and quantity")
    return value


def _check_times(times: Sequence[int], arrived_ms: int) -> None:
    if len(times) < FEWEST:
        raise ValueError(f"{len(times)} values; a forecast has {FEWEST} at least")
    if any(later <= earlier for earlier, later in pairwise(times)):
        raise ValueError("times must rise from one value to the next")
    if times[-1] <= arrived_ms:
        raise ValueError("nothing of it lies ahead; see the times and their unit")
    if times[-1] > arrived_ms + REACH_MS:
        raise ValueError(f"it reaches more than {REACH_MS // DAY_MS} days ahead; see the times and their unit")
