"""What the program relies on in its libraries, tried at every start: a new version with other habits must not run a site.

Each line of the table is one habit that was measured and that the figures depend on. All together take milliseconds.
"""

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from inspect import signature
from zoneinfo import ZoneInfo

import msgspec
import numpy as np
import paho.mqtt.client as paho

from meterd.core.errors import MeterdError


def _sqlite_keeps_integers() -> bool:
    db = sqlite3.connect(":memory:")
    row = db.execute("SELECT typeof(v), v FROM (SELECT CAST(? AS NUMERIC) AS v)", (2**53 + 1,)).fetchone()
    db.close()
    return bool(row == ("integer", 2**53 + 1))


def _sqlite_ignores_repeats() -> bool:
    db = sqlite3.connect(":memory:", isolation_level=None)
    db.execute("CREATE TABLE t (a INTEGER, v NUMERIC, UNIQUE (a, v))")
    counts = [db.execute("INSERT OR IGNORE INTO t VALUES (1, 2)").rowcount for _ in range(2)]
    db.close()
    return counts == [1, 0]


def _json_refuses_nan() -> bool:
    for text in (b"NaN", b"1e400", b"1 1", b"Infinity"):
        try:
            msgspec.json.decode(text)
        except ValueError:
            continue
        return False
    return True


def _numpy_sums_whole_numbers() -> bool:
    column = np.array([2**53, 1, 2**53, 1], dtype=np.int64)
    return int(column.sum()) == 2**54 + 2 and column.sum().dtype == np.int64


def _numpy_searches_left() -> bool:
    return int(np.searchsorted(np.array([1, 2, 2, 3]), 2)) == 1


def _zones_have_their_changes() -> bool:
    """Spring 2026 of central Europe: 02:00 local is skipped on 29 March at 01:00 UTC (directive 2000/84/EC)."""
    zone, change = ZoneInfo("Europe/Berlin"), datetime(2026, 3, 29, 1, tzinfo=UTC)
    offsets = [moment.astimezone(zone).utcoffset() for moment in (change - timedelta(seconds=1), change)]
    return offsets == [timedelta(hours=1), timedelta(hours=2)]


def _mqtt_confirms_by_hand() -> bool:
    return "manual_ack" in signature(paho.Client.__init__).parameters and hasattr(paho.Client, "ack")


CHECKS: dict[str, tuple[str, Callable[[], bool]]] = {
    "whole numbers beyond 2^53 stay whole in the store": (f"SQLite {sqlite3.sqlite_version}", _sqlite_keeps_integers),
    "a repeated reading is distinguished from a new one": (f"SQLite {sqlite3.sqlite_version}", _sqlite_ignores_repeats),
    "NaN, infinities and trailing text are refused": (f"msgspec {msgspec.__version__}", _json_refuses_nan),
    "sums of whole numbers are exact": (f"numpy {np.__version__}", _numpy_sums_whole_numbers),
    "a search gives the first place": (f"numpy {np.__version__}", _numpy_searches_left),
    "zone rules know the clock changes of 2026": ("tzdata", _zones_have_their_changes),
    "a message is confirmed only by hand": ("paho-mqtt", _mqtt_confirms_by_hand),
}


def self_test(checks: dict[str, tuple[str, Callable[[], bool]]] = CHECKS) -> None:
    """MeterdError names every habit that does not hold, with the library that lost it."""
    lost = [f"{library}: {habit}" for habit, (library, holds) in checks.items() if not _holds(holds)]
    if lost:
        raise MeterdError(
            f"the self-test at start failed, this does not hold: {'; '.join(lost)}; install the pinned versions"
        )


def _holds(check: Callable[[], bool]) -> bool:
    try:
        return check()
    except Exception:  # a check that cannot even run does not hold
        return False
