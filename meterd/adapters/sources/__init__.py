"""Readings in: what every source offers, what it delivers, and what it refused.

A source runs its own threads and calls `deliver` from them. A delivery with a token is confirmed by `ack` after the
readings are committed; without confirmation its protocol brings it again where it can.
"""

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Protocol, TypeVar

from meterd.adapters.mqtt.link_state import LinkState
from meterd.core.errors import ConfigError
from meterd.core.model.forecast import OutsideSeries
from meterd.core.model.plan import Input
from meterd.core.model.plan import Source as SourceRow
from meterd.core.model.reading import Reading, Refusal
from meterd.core.topics.senml import EARLIEST_MS

CLOCK_SET_MS = EARLIEST_MS  # a clock that says less was never set: nothing can be given a time yet
PAYLOAD_LIMIT = 256 * 1024  # bytes of a message: a pack of all registers of a meter is below 4 KiB
SAMPLE_BYTES = 200  # enough to recognise a payload, too little to fill a log
INPUTS_LIMIT = 10_000  # inputs with a refusal kept at once; a site has below 3,000


@dataclass(frozen=True, slots=True)
class Delivery:
    """Readings that arrived together. `token` is given back to `ack` of the same source after the commit."""

    readings: tuple[Reading, ...]
    token: object | None = None
    outside: OutsideSeries | None = None  # a forecast from outside that came instead


@dataclass(frozen=True, slots=True)
class Refused:
    """How often an input was refused since the start, and why the last time."""

    count: int
    reason: str
    sample: str


class Source(Protocol):
    """One data source. After `stop` has returned nothing is delivered any more."""

    def start(self, deliver: Callable[[Delivery], None]) -> None:
        """Begin; returns at once. `deliver` may block for a moment, and may raise when it cannot take more."""

    def stop(self, limit_s: float) -> None:
        """End all threads within the limit."""

    def ack(self, token: object) -> None:
        """Confirm a delivery after its readings are committed."""

    def counters(self) -> Mapping[str, int]:
        """Whole numbers since the start, by name."""

    def revive(self) -> bool:
        """Start a thread again that has died; True if it had to. Called from the loop about once a second."""

    def state(self) -> LinkState | None:
        """The connection to a broker as it is now; None for a source without one."""

    def refused(self) -> Mapping[tuple[str, str], Refused]:
        """What was refused, per (point, register)."""


class RefusalLog:
    """Counts refusals per input and keeps the last one of each. Any thread may add."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._refused: dict[tuple[str, str], Refused] = {}
        self._total = 0

    def add(self, refusals: "tuple[Refusal, ...] | list[Refusal]") -> None:
        """Count them; beyond the limit of inputs only the total grows."""
        with self._lock:
            for refusal in refusals:
                key = (refusal.point, refusal.register)
                before = self._refused.get(key)
                self._total += 1
                if before is not None or len(self._refused) < INPUTS_LIMIT:
                    count = 1 if before is None else before.count + 1
                    self._refused[key] = Refused(count, refusal.reason, refusal.sample)

    def total(self) -> int:
        """Refusals since the start."""
        return self._total

    def snapshot(self) -> dict[tuple[str, str], Refused]:
        """A copy, per (point, register)."""
        with self._lock:
            return dict(self._refused)


def sample(payload: bytes | str) -> str:
    """The beginning of a payload, with everything that is not printable ASCII escaped, for messages and pages.

    >>> sample(b"12,5\\xff")
    '12,5\\\\xff'
    """
    if isinstance(payload, bytes):
        return payload[:SAMPLE_BYTES].decode("latin-1").encode("unicode_escape").decode("ascii")[:SAMPLE_BYTES]
    return payload[:SAMPLE_BYTES].encode("unicode_escape").decode("ascii")[:SAMPLE_BYTES]


Settings = TypeVar("Settings")


def settings_from(kind: type[Settings], row: SourceRow, defaults: Mapping[str, object]) -> Settings:
    """The settings of a source: its options over the defaults. ConfigError names every unknown key and wrong type."""
    known = {field.name: field for field in fields(kind)}  # type: ignore[arg-type]  # a settings class is a dataclass
    faults = []
    values = {name: value for name, value in defaults.items() if name in known}
    for name, value in row.options:
        if name not in known:
            faults.append(f"unknown option {name}; known are {', '.join(sorted(known))}")
            continue
        wanted = values.get(name, known[name].default)
        if wanted is not MISSING and not _fits(value, wanted):
            faults.append(f"option {name} must be like {wanted!r}, not {value!r}")
            continue
        values[name] = float(value) if isinstance(wanted, float) else value
    if faults:
        raise ConfigError(f"source {row.name}: " + "; ".join(faults))
    return kind(**values)


def _fits(value: object, wanted: object) -> bool:
    if isinstance(wanted, bool) or isinstance(value, bool):
        return isinstance(wanted, bool) and isinstance(value, bool)
    if isinstance(wanted, float):
        return isinstance(value, int | float)
    return isinstance(value, type(wanted))


def wall_ms() -> int:
    """Milliseconds since 1970 UTC by the clock of this machine."""
    return time.time_ns() // 1_000_000


def inputs_of(inputs: tuple[Input, ...], source: str) -> tuple[Input, ...]:
    """The inputs that come from one source, in the order of the plan."""
    return tuple(meter_input for meter_input in inputs if meter_input.source == source)
