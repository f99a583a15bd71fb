"""The powers of the site, published as soon as a round of samples is complete.

Surplus, self-use and draw need the newest powers alone, no figure. So they go out before the readings they come from are
stored: a lost process gets the same readings again, since they are confirmed after the commit only. The next snapshot
comes from the same samples and repeats nothing.
"""

import time

from meterd.app.daemon.assembly import PlanRuntime, Runtime
from meterd.app.daemon.finding_job import FindingJob
from meterd.core import engine, live
from meterd.core.model.reading import POWER
from meterd.core.pv.figures import surplus_points
from meterd.core.topics.senml import EARLIEST_MS

SHARE_OF_TIME = 4.0  # after the powers were made the loop takes at least this many times as long for other work
CREDIT_S = 0.1  # saved up while no round was complete


class EarlyPowers:
    """Looks at what the loop holds and has not stored yet. Belongs to the loop."""

    def __init__(self, plan_runtime: PlanRuntime, runtime: Runtime, finding_job: FindingJob) -> None:
        self._plan_runtime, self._runtime, self._finding_job = plan_runtime, runtime, finding_job
        self._channels = {(point.name, POWER) for point in surplus_points(plan_runtime.site)}
        self._seen = 0  # deliveries that were looked at, counted like those that were confirmed
        self._reached_ms = 0  # the moment that all meters had reached when powers were last made
        self._next_s = 0.0

    def step(self) -> None:
        """Take powers of what came since the last step; publish if all meters have reached a newer moment."""
        held, state, confirmed = (
            self._runtime.inbox.held,
            self._plan_runtime.ledger.state,
            self._runtime.counters.deliveries,
        )
        fresh = held[max(0, self._seen - confirmed) :]
        self._seen = confirmed + len(held)
        new = [r for _, delivery in fresh for r in delivery.readings if (r.point, r.register) in self._channels]
        if not new:
            return
        engine.take_live(state, new)
        reached = min((state.instant[c].at_ms if c in state.instant else 0 for c in self._channels), default=0)
        if reached > self._reached_ms and time.monotonic() >= self._next_s:
            self._reached_ms = reached
            self._runtime.step_runner.attempt("powers", self._publish)

    def _publish(self) -> None:
        shot, parts, now_ms = self._finding_job.snapshot, self._plan_runtime, self._runtime.clock.now_ms()
        if shot is None or now_ms < EARLIEST_MS:
            return
        begun = time.monotonic()
        most_w = parts.sharing_job.flexible_most_w
        parts.publisher.offer_powers(live.with_powers(shot, parts.ledger.state, now_ms, most_w))
        took = time.monotonic() - begun
        self._next_s = max(self._next_s, begun - CREDIT_S) + (1 + SHARE_OF_TIME) * took
