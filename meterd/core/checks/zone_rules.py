"""The rules of a time zone as values: when its offset changes, and where two states of the rules differ."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from meterd.core.model.periods import DAY_MS, change_between, offset_ms, to_ms

FIRST_MS = to_ms(datetime(1990, 1, 1, tzinfo=UTC))  # no store reaches back further
LAST_MS = to_ms(datetime(2060, 1, 1, tzinfo=UTC))
_STEP_MS = 7 * DAY_MS  # two changes within a week would be missed; the closest known are four weeks apart

Changes = tuple[tuple[int, int], ...]  # (from when, offset in ms), the first from FIRST_MS on


def changes(zone: ZoneInfo) -> Changes:
    """The offset of a zone from 1990 to 2060: each change with the moment of its beginning."""
    before = offset_ms(FIRST_MS, zone)
    results = [(FIRST_MS, before)]
    for low in range(FIRST_MS, LAST_MS, _STEP_MS):
        high = low + _STEP_MS
        after = offset_ms(high, zone)
        if after != before:
            at = change_between(low, high, zone)
            results.append((at, offset_ms(at, zone)))
        before = after
    return tuple(results)


def differing(old: Changes, new: Changes) -> list[tuple[int, int]]:
    """Spans [from, until) in which the offsets of two states of the rules differ.

    >>> differing(((0, 1), (10, 2), (20, 1)), ((0, 1),))
    [(10, 20)]
    """
    moments = sorted({at for at, _ in (*old, *new)})
    results: list[tuple[int, int]] = []
    for low, high in zip(moments, [*moments[1:], LAST_MS], strict=True):
        if _offset(old, low) == _offset(new, low):
            continue
        if results and results[-1][1] == low:
            results[-1] = (results[-1][0], high)
        else:
            results.append((low, high))
    return results


def _offset(rules: Sequence[tuple[int, int]], at_ms: int) -> int | None:
    known = [offset for begin, offset in rules if begin <= at_ms]
    return known[-1] if known else None


def to_text(rules: Iterable[tuple[int, int]]) -> str:
    """The changes as one line: `at:offset` in seconds, so that the rules can be stored and read by a person."""
    return " ".join(f"{at // 1000}:{offset // 1000}" for at, offset in rules)


def from_text(text: str) -> Changes:
    """The changes back; ValueError for anything else."""
    pairs = [word.split(":") for word in text.split()]
    return tuple((int(at) * 1000, int(offset) * 1000) for at, offset in pairs)
