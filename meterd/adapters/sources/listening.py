"""A meter that sends on its own, through a serial device server: whole telegrams out of a stream with noise in it.

What comes between two wanted telegrams is read and thrown away, so that nothing old waits in a buffer.
"""

import time
from collections.abc import Callable, Hashable
from dataclasses import replace

from meterd.adapters.sources.polling import Garbage
from meterd.adapters.sources.tcp import NoAnswer, OverWire, Wire
from meterd.adapters.sources.values import AnswerValues

BUFFER_LIMIT = 64 * 1024  # a telegram has a few hundred bytes; a stream without any must not fill the memory
STATION = "meter"

Find = Callable[[bytes], tuple[int, bytes | None]]  # (bytes to drop, telegram or None)
Check = Callable[[bytes], object]  # raises ValueError for a telegram that is damaged
Decode = Callable[[bytes, int], AnswerValues]
Kind = Callable[[bytes], Hashable]  # which of several telegrams it is; None: nothing in it is wanted


class PushLine(OverWire[Wire]):
    """One connection to one meter; a telegram of each kind counts once every `period_s`."""

    def __init__(
        self,
        wire: Wire,
        *,
        find: Find,
        check: Check,
        decode: Decode,
        clock: Callable[[], int],
        pace: tuple[float, float],
        kind: Kind = lambda _telegram: STATION,
    ) -> None:
        super().__init__(wire)
        self._find, self._check, self._decode, self._kind = find, check, decode, kind
        self._clock = clock
        self._period_s, self._timeout_s = pace
        self._buffer = b""
        self._due: dict[Hashable, float] = {}

    def stations(self) -> tuple[str, ...]:
        """The one meter."""
        return (STATION,)

    def open(self) -> None:
        """Connect; OSError if that fails."""
        self._buffer = b""
        super().open()

    def read(self, station: str) -> AnswerValues:
        """The next sound telegram that is due; nothing if all that came is of no use. NoAnswer or Garbage without any."""
        now = time.monotonic()
        deadline = max([now, *(due for due in self._due.values() if due <= now + self._period_s)]) + self._timeout_s
        garbage, sound = 0, False
        while True:
            try:
                telegram = self._next(deadline, heard=garbage > 0 or sound)
            except (NoAnswer, Garbage):
                if sound:
                    return AnswerValues(garbage=garbage)
                raise
            try:
                self._check(telegram)
            except ValueError:
                garbage += 1
                continue
            kind = self._kind(telegram)
            if kind is None or time.monotonic() < self._due.get(kind, 0.0):
                sound = sound or kind is None
                continue
            self._plan(kind)
            return replace(self._decode(telegram, self._clock()), garbage=garbage)

    def _plan(self, kind: Hashable) -> None:
        now = time.monotonic()
        due = self._due.get(kind, 0.0)
        self._due[kind] = (due if due > now - self._period_s else now) + self._period_s  # anew after an outage

    def _next(self, deadline: float, *, heard: bool) -> bytes:
        heard = heard or bool(self._buffer)  # noise is thrown away at once, and is not silence
        while True:
            dropped, telegram = self._find(self._buffer)
            self._buffer = self._buffer[dropped:]
            if telegram is not None:
                return telegram
            if len(self._buffer) > BUFFER_LIMIT:
                raise Garbage(f"{BUFFER_LIMIT} bytes from {self._wire.peer()} without a telegram")
            left = deadline - time.monotonic()
            if left <= 0:
                if heard:
                    raise Garbage(f"no sound telegram from {self._wire.peer()} within the limit")
                self._wire.close()
                raise NoAnswer(f"{self._wire.peer()} sends nothing")
            try:
                self._buffer += self._wire.receive(left)
                heard = True
            except NoAnswer:
                continue
