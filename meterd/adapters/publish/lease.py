"""Who publishes: one daemon per site, decided by what the service topic says. No I/O, no clock of its own.

The publisher with the highest epoch publishes; of two with the same epoch the one whose instance sorts first. Everybody
else stays passive until the other says gone or has given no sign of life for its lease. A sign of life counts by our
own monotonic clock when we hear it live, and by the wall clock when the broker retained it for us. Wall clocks that
differ can only make two daemons publish until the one with the lower epoch hears the other, which is one message later.
"""

from dataclasses import dataclass

from meterd.core.topics.message import Service

LEASE_PERIODS = 3  # two lost heartbeats are a bad network, three are an absent daemon
# A new epoch continues this far above the last number heard: more messages than any lease can hold (6,000 a second for
# 90 s). A last will is as old as its epoch, so the number is also at least the time in tenths of a millisecond, which
# outruns any rate of messages below 10,000 a second: the numbers of a site only grow.
SEQUENCE_STEP = 1_000_000
NUMBERS_PER_MS = 10


@dataclass(frozen=True, slots=True)
class Rival:
    """The last word of another instance. `heard_s` is our monotonic time of its last live sign of life, or None."""

    service: Service
    heard_s: float | None

    def alive(self, clock_s: float, now_ms: int) -> bool:
        """Whether it must be taken for the publisher."""
        service = self.service
        if not service.live or service.heartbeat_ms is None:
            return False
        lease_s = LEASE_PERIODS * service.period_s
        heard = self.heard_s is not None and clock_s - self.heard_s < lease_s
        return heard or abs(now_ms - service.heartbeat_ms) < lease_s * 1000


class Lease:
    """What was heard on the service topic, and what follows from it. `instance` is unique to this process."""

    def __init__(self, instance: str, *, epoch: int = 0, sequence: int = 0) -> None:
        self.instance = instance
        self.epoch = 0  # ours; 0 while passive
        self.rival: Rival | None = None
        self._highest_epoch = epoch
        self._highest_sequence = sequence

    def hear(self, service: Service, *, retained: bool, clock_s: float) -> None:
        """Take in one service message, our own echo included."""
        self._highest_epoch = max(self._highest_epoch, service.epoch)
        self._highest_sequence = max(self._highest_sequence, service.sequence)
        if service.instance == self.instance:
            return
        before = self.rival
        if before is not None and before.service.instance != service.instance and service.epoch < before.service.epoch:
            return  # a third daemon on its way out
        self.rival = Rival(service, None if retained else clock_s)

    def holder(self, clock_s: float, now_ms: int) -> Service | None:
        """The living instance that goes before us, or None when we may publish."""
        rival = self.rival
        if rival is None or not rival.alive(clock_s, now_ms):
            return None
        if self.epoch and (rival.service.epoch, self.instance) < (self.epoch, rival.service.instance):
            return None
        return rival.service

    def take(self, now_ms: int) -> int:
        """Begin a new epoch; the number before its first message is returned."""
        self.epoch = self._highest_epoch + 1
        self._highest_epoch = self.epoch
        return max(self._highest_sequence + SEQUENCE_STEP, now_ms * NUMBERS_PER_MS)

    def release(self) -> None:
        """Become passive."""
        self.epoch = 0
