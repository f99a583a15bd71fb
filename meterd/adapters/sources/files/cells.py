"""Columns of history files to numbers and times, whole columns at once, as strict as one cell at a time. No I/O.

The fast ways give exactly what `number.from_text`, `stamp.rfc3339_ms` and `reading.milli` give; cells they do not know
go through those functions one by one.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa

from meterd.adapters.sources.files.settings import EPOCH_PER_MS, TimeRule
from meterd.adapters.sources.number import from_text
from meterd.adapters.sources.timestamps import rfc3339_ms
from meterd.core.errors import SourceError
from meterd.core.model.periods import DAY_MS, to_ms
from meterd.core.model.reading import LARGEST_MILLI

REASONS_LIMIT = 100_000  # reasons kept per column and chunk: a replay lists what it leaves out
SIMPLE_NUMBER = r"^-?[0-9]{1,15}(\.[0-9]{1,15})?$"  # what Arrow's parser surely rounds as Python does
SIMPLE_STAMP = (
    r"^[12][0-9]{3}-(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])[T ]([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]{1,6})?"
    r"(Z|[+-](0[0-9]|1[0-4]):[0-5][0-9])$"
)
EARLIEST_MS = 631_152_000_000  # 1990: no digital meter's history is older, but a mistaken unit lands in 1970
LATEST_MS = 4_102_444_800_000  # 2100
STEP_MS = 900_000  # offsets of zones change at whole quarter hours

Array = np.ndarray[Any, np.dtype[Any]]


@dataclass(slots=True)
class Cells:
    """A column: values, which are good, which are missing; `reasons` of some bad ones by row. Bad = neither."""

    values: Array
    good: Array
    missing: Array
    reasons: dict[int, str] = field(default_factory=dict)

    @property
    def bad(self) -> Array:
        """Rows that hold something, but nothing that can be believed."""
        return np.asarray(~self.good & ~self.missing)


def joined(parts: Sequence[Cells]) -> Cells:
    """Chunks of one column, one after the other."""
    if not parts:
        return _none(0)
    if len(parts) == 1:
        return parts[0]
    first = np.cumsum([0, *(len(part.values) for part in parts)]).tolist()
    return Cells(
        np.concatenate([part.values for part in parts]),
        np.concatenate([part.good for part in parts]),
        np.concatenate([part.missing for part in parts]),
        {low + row: text for low, part in zip(first, parts, strict=False) for row, text in part.reasons.items()},
    )


def cut(cells: Cells, low: int, high: int) -> Cells:
    """Rows of a column; all of them are the column itself."""
    if low == 0 and high >= len(cells.values):
        return cells
    reasons = {row - low: text for row, text in cells.reasons.items() if low <= row < high}
    return Cells(cells.values[low:high], cells.good[low:high], cells.missing[low:high], reasons)


@dataclass(slots=True)
class LocalOrder:
    """What the order of a file has shown about the repeated hour so far: last local time, and whether it is the second."""

    last_ms: int = -(2**62)
    second: bool = False


def plain_array(column: Any) -> Any:
    """One Arrow array of a column that may come in pieces or as a dictionary."""
    array = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if isinstance(array, pa.ChunkedArray):  # what combine_chunks gives for no chunk at all
        array = pa.array([], type=array.type)
    if pa.types.is_dictionary(array.type):
        array = array.dictionary_decode()
    return array.cast(pa.string()) if pa.types.is_large_string(array.type) else array


def numbers(column: Any, what: str) -> Cells:
    """A column of values as float64, or as they are where all are whole.

    SourceError when its type can hold no register (`what` names file and column).
    """
    array = plain_array(column)
    kind = array.type
    if pa.types.is_null(kind):
        return _none(len(array))
    if pa.types.is_decimal(kind):
        array, kind = array.cast(pa.string()), pa.string()
    if pa.types.is_string(kind):
        return _slow(array, *_fast_numbers(array), from_text, float)
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        raise SourceError(f"cannot read {what}: its type is {kind}; a register needs numbers")
    if pa.types.is_integer(kind) and not array.null_count:
        whole = _buffer(array, str(kind))
        return Cells(whole, np.ones(len(whole), dtype=bool), np.zeros(len(whole), dtype=bool))
    missing = np.asarray(array.is_null())
    values = np.asarray(array.fill_null(0).to_numpy(zero_copy_only=False)).astype(np.float64) + 0.0
    finite = np.isfinite(values)
    reasons = {int(row): "NaN or infinite is no number" for row in np.flatnonzero(~finite)[:REASONS_LIMIT]}
    return Cells(values, finite & ~missing, missing, reasons)


def _buffer(array: Any, kind: str) -> Array:
    """Numbers of a column without gaps as they lie in memory. (`numpy.asarray` of it imports pandas: 0.5 s, 80 MB.)"""
    data = array.buffers()[1]
    if data is None:
        return np.zeros(0, dtype=kind)
    return np.frombuffer(data, dtype=kind)[array.offset : array.offset + len(array)]


def _none(length: int) -> Cells:
    return Cells(np.zeros(length), np.zeros(length, dtype=bool), np.ones(length, dtype=bool))


def _fast_numbers(array: Any) -> tuple[Array, Array]:
    import pyarrow.compute as pc

    simple = pc.fill_null(pc.match_substring_regex(array, SIMPLE_NUMBER), False)
    parsed = pc.cast(pc.if_else(simple, array, "0"), pa.float64())
    return np.asarray(parsed) + 0.0, np.asarray(simple)


def _slow(array: Any, values: Array, good: Array, item: Callable[[str], Any], kind: type) -> Cells:
    """Finish what the fast way did not know, cell by cell; blank cells are missing."""
    import pyarrow.compute as pc

    trimmed = pc.fill_null(pc.utf8_trim_whitespace(array), "")
    missing = np.asarray(pc.equal(trimmed, "")) & ~good
    values, good = values.copy(), good.copy()
    reasons: dict[int, str] = {}
    left = np.flatnonzero(~good & ~missing)
    for row, text in zip(left.tolist(), array.take(pa.array(left)).to_pylist(), strict=True):
        try:
            values[row] = kind(item(text))
            good[row] = True
        except ValueError as exc:
            if len(reasons) < REASONS_LIMIT:
                reasons[row] = str(exc)
    return Cells(values, good, missing, reasons)


def scaled(cells: Cells, scale: float, *, cumulative: bool) -> Cells:
    """Values in the base unit (float64), or whole milli-units (int64) of a register that counts, as `reading.milli`."""
    if not cumulative:
        with np.errstate(over="ignore", invalid="ignore"):
            values = cells.values * scale + 0.0
        return _limited(cells, values, np.isfinite(values), "beyond the range of a double after scaling")
    factor = scale * 1000.0
    if _whole_product(cells.values, factor):
        return Cells(cells.values.astype(np.int64, copy=False) * int(factor), cells.good, cells.missing, cells.reasons)
    with np.errstate(over="ignore", invalid="ignore"):
        exact = cells.values * factor
        inside = np.abs(exact) <= LARGEST_MILLI
    whole = np.rint(np.where(inside, exact, 0.0)).astype(np.int64)
    return _limited(cells, whole, inside, "outside the exact range of 2^53 milli-units")


def _whole_product(values: Array, factor: float) -> bool:
    """Whether whole numbers times a whole factor stay exact in a double: the product of integers is then the same."""
    if values.dtype.kind not in "iu" or not factor.is_integer() or not len(values):
        return False
    return max(abs(int(values.min())), abs(int(values.max()))) * abs(factor) <= LARGEST_MILLI


def _limited(cells: Cells, values: Array, inside: Array, reason: str) -> Cells:
    lost = np.flatnonzero(cells.good & ~inside)[:REASONS_LIMIT]
    return Cells(values, cells.good & inside, cells.missing, cells.reasons | {int(row): reason for row in lost})


def times(column: Any, rule: TimeRule, order: LocalOrder, what: str) -> Cells:
    """A column of times as milliseconds since 1970 UTC (int64). SourceError when the rule cannot read its type.

    `order` carries the state of the repeated hour from chunk to chunk of one series in the order of the file.
    """
    array = plain_array(column)
    kind = array.type
    if pa.types.is_string(kind):
        cells = _local_texts(array, rule.zone, order) if rule.zone else _number_or_stamp(array, rule)
    elif pa.types.is_timestamp(kind):
        cells = _stamps(array, rule, order, what)
    elif pa.types.is_integer(kind) or pa.types.is_floating(kind):
        if not rule.unit:
            raise SourceError(f"cannot read {what}: times are numbers; set time_unit to s, ms, us or ns")
        cells = _epochs(numbers(array, what), rule.unit, array)
    else:
        raise SourceError(f"cannot read {what}: its type is {kind}; a time is RFC 3339 text, a timestamp or a number")
    return _plausible(cells)


def _plausible(cells: Cells) -> Cells:
    inside = (cells.values >= EARLIEST_MS) & (cells.values < LATEST_MS)
    return _limited(cells, cells.values, inside, "time outside the years 1990 to 2099; is its unit s, ms, us or ns?")


def _number_or_stamp(array: Any, rule: TimeRule) -> Cells:
    if rule.unit:
        return _epochs(numbers(array, "time"), rule.unit, array)
    import pyarrow.compute as pc

    simple = pc.fill_null(pc.match_substring_regex(array, SIMPLE_STAMP), False)
    moments = pc.cast(pc.if_else(simple, array, "1970-01-01T00:00:00Z"), pa.timestamp("us", tz="UTC"))
    micros = np.asarray(moments.cast(pa.int64()))
    return _slow(array, micros // 1000, np.asarray(simple), rfc3339_ms, int)


def _epochs(cells: Cells, unit: str, array: Any) -> Cells:
    times_, parts = EPOCH_PER_MS[unit]
    if pa.types.is_integer(array.type):  # nanoseconds of today are beyond 2^53: stay with integers
        whole = np.asarray(array.fill_null(0).to_numpy(zero_copy_only=False))
        limit = LATEST_MS * parts // times_
        inside = (whole > -limit) & (whole < limit)
        values = np.where(inside, whole, 0).astype(np.int64) * times_ // parts
        return _limited(cells, values, inside, "time out of any range")
    with np.errstate(over="ignore", invalid="ignore"):
        exact = cells.values * (times_ / parts)
        inside = np.abs(exact) < LATEST_MS
    return _limited(cells, np.rint(np.where(inside, exact, 0.0)).astype(np.int64), inside, "time out of any range")


def _stamps(array: Any, rule: TimeRule, order: LocalOrder, what: str) -> Cells:
    times_, parts = EPOCH_PER_MS[array.type.unit]
    if array.null_count:
        missing = np.asarray(array.is_null())
        whole = np.asarray(array.cast(pa.int64()).fill_null(0)) * times_ // parts
    else:
        missing = np.zeros(len(array), dtype=bool)
        whole = _buffer(array, "int64") * times_ // parts
    cells = Cells(whole, ~missing, missing)
    if array.type.tz is not None:
        return cells
    if rule.zone is None:
        raise SourceError(f"cannot read {what}: times have no zone; set zone, for example to Europe/Berlin or UTC")
    return local_to_utc(cells, rule.zone, order)


def _local_texts(array: Any, zone: ZoneInfo, order: LocalOrder) -> Cells:
    empty = np.zeros(len(array), dtype=np.int64)
    cells = _slow(array, empty, np.zeros(len(array), dtype=bool), _local_ms, int)
    return local_to_utc(cells, zone, order)


def _local_ms(text: str) -> int:
    """Milliseconds of a local time as if it were UTC; refuses a time that names an offset, because the two disagree."""
    moment = datetime.fromisoformat(text.strip())
    if moment.tzinfo is not None:
        raise ValueError("time with an offset in a file whose zone is set; leave zone empty")
    return to_ms(moment.replace(tzinfo=ZoneInfo("UTC")))


def local_to_utc(cells: Cells, zone: ZoneInfo, order: LocalOrder) -> Cells:
    """Local times without offset to UTC. The repeated hour of autumn is distinguished by the order of the rows.

    Its first run through is summer time; from the row that steps back (or stands still) on it is winter time. A time
    the clock skips in spring is bad.
    """
    cells = _plausible(cells)
    steps, where = np.unique(np.where(cells.good, cells.values, 0) // STEP_MS, return_inverse=True)
    early = np.array([_offset_ms(int(step), zone, 0) for step in steps], dtype=np.int64)[where]
    late = np.array([_offset_ms(int(step), zone, 1) for step in steps], dtype=np.int64)[where]
    second = _second_pass(cells, early > late, order)
    values = cells.values - np.where(second, late, early)
    skipped = early < late
    return _limited(cells, values, ~skipped, "local time that the clock skips")


def _offset_ms(step: int, zone: ZoneInfo, fold: int) -> int:
    local = datetime(1970, 1, 1, tzinfo=zone).replace(fold=fold)
    seconds = step * STEP_MS // 1000
    days, rest = divmod(seconds, 86_400)
    day = datetime.fromordinal(local.toordinal() + days)
    moment = day.replace(hour=rest // 3600, minute=rest % 3600 // 60, fold=fold, tzinfo=zone)
    offset = moment.utcoffset()
    assert offset is not None, "a time with a zone has an offset"
    return round(offset.total_seconds() * 1000)


def _second_pass(cells: Cells, ambiguous: Array, order: LocalOrder) -> Array:
    second = np.zeros(len(cells.values), dtype=bool)
    for row in np.flatnonzero(cells.good & ambiguous).tolist():
        local = int(cells.values[row])
        if local - order.last_ms > DAY_MS:  # another autumn
            order.second = False
        elif local <= order.last_ms:
            order.second = True
        order.last_ms = local
        second[row] = order.second
    return second
