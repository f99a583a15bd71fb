"""Runs the allocation in the loop of the daemon: powers of one moment in, shares into the snapshot out."""

import json
import logging
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import cycle

import numpy as np

from meterd.adapters.runtime.logging import about
from meterd.core.errors import StoreError
from meterd.core.model.facts import FactStore
from meterd.core.model.finding import Finding
from meterd.core.model.periods import floor
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import ShareNow, SharingNow, Snapshot
from meterd.core.sharing.alignment import AlignedPoints, aligned_points, aligned_powers
from meterd.core.sharing.allocation import AllocationState, Decisions, Draws, Inputs, allocate, begin
from meterd.core.sharing.available_power import sunk_ms
from meterd.core.sharing.consumers import NEVER, Policy, policy_of, same_policy
from meterd.core.sharing.history import ShareRow, add, fact_name, from_text, to_text
from meterd.core.sharing.offers import acceptable_w
from meterd.core.sharing.open_loop import Delay, measure_delay, on_probability, safe_gain, step_pattern

log = logging.getLogger("meterd")

NEWEST = "sharing/now"  # the fact that holds the newest decision
SERIES = 240  # samples from which the delay of the loop is measured: forty minutes of ten seconds
TRY_EVERY = 60  # samples between two measurements
TEST_HOLD = 6  # samples that a test step lasts, longer than any delay that would still be of use
SOON = 0.8  # part of a sample after which a new snapshot is taken for the next sample: meters are not on the second


@dataclass(slots=True)
class SharingJob:
    """The allocation of one site, called once for each snapshot. Owned by the loop thread.

    `store` keeps one row per interval for `meterd shares --would-have`; without one nothing is stored.
    """

    site: Site
    store: FactStore | None = None
    findings: tuple[Finding, ...] = ()
    decisions: Decisions | None = None
    shares: dict[str, ShareNow] = field(default_factory=dict)
    sharing: SharingNow | None = None
    policy: Policy = field(init=False)
    points: AlignedPoints = field(init=False)
    _state: AllocationState = field(init=False)
    _counted: int = 0
    _snapshot_ms: int | None = None  # of the snapshot that was decided on
    _decided_ms: int | None = None
    _fresh_ms: int | None = None  # when a new snapshot was last decided on
    _row: ShareRow | None = None
    _unwritten: dict[str, str] = field(default_factory=dict)
    _steps: "deque[tuple[int, int]]" = field(default_factory=lambda: deque(maxlen=SERIES))  # shares and draws, measured
    _pattern: "Iterator[int]" = field(default_factory=lambda: cycle((0,)))
    delay: Delay | None = None  # as measured; the gain follows it
    _refused: bool = False  # the store refused the last time: reported once

    def __post_init__(self) -> None:
        self.policy = policy_of(self.site)
        self.points = aligned_points(self.site)
        self._state = begin(self.policy)
        self._pattern = cycle(step_pattern(SERIES, self.site.sharing.test_step_w, TEST_HOLD))

    def follow_on(self, before: "SharingJob") -> None:
        """Go on with the shares of the plan before, if it had the same consumers and rules: no load falls off."""
        if same_policy(self.policy, before.policy):
            self._state, self.decisions = before._state, before.decisions
            self.shares, self.sharing, self.findings = before.shares, before.sharing, before.findings
            self._decided_ms, self._snapshot_ms, self.delay = before._decided_ms, before._snapshot_ms, before.delay
            self._fresh_ms = before._fresh_ms

    @property
    def flexible_most_w(self) -> dict[str, int]:
        """Consumers that drew more than their share, with their fallback: what they draw beyond it is base load."""
        if self.site.sharing.mode != "on":
            return {}
        rows = np.flatnonzero(self._state.states.barred_ms != NEVER)
        return {self.policy.names[row]: int(self.policy.fallback_w[row]) for row in rows.tolist()}

    @property
    def active(self) -> bool:
        """Whether anything is to be decided."""
        return self.site.sharing.mode != "off" and bool(self.site.consumers)

    def step(self, snapshot: Snapshot) -> Snapshot:
        """The snapshot with the shares of now; a new decision when the powers of a new moment are complete.

        Without new powers a decision is made once a sample all the same: shares must sink when nothing is known.
        """
        if not self.active:
            return snapshot
        self._flush()
        inputs, draws = aligned_powers(self.points, snapshot)
        draws = replace(draws, able_w=acceptable_w(self.site, snapshot.instant, snapshot.now_ms))
        if self._due(inputs, snapshot.now_ms) or self._sunk(inputs, snapshot.now_ms):
            self._decide(inputs, draws, snapshot.now_ms)
        if self.site.sharing.mode != "on":
            return snapshot
        return replace(snapshot, shares=dict(self.shares), sharing=self.sharing)

    def _due(self, inputs: Inputs, now_ms: int) -> bool:
        sample_ms = self.policy.sample_ms
        if self._decided_ms is None or self._snapshot_ms is None or now_ms < self._decided_ms:
            return True
        shed = inputs.backup or inputs.dark
        if shed and (self.decisions is None or not self.decisions.available.shed):
            return True  # what the mains no longer carry goes off now
        if now_ms - self._decided_ms >= (sample_ms if shed else 2 * sample_ms):
            return True
        new = inputs.valid and inputs.at_ms - self._snapshot_ms >= SOON * sample_ms
        # a decision that had to do without a new snapshot does not keep the new one waiting
        return new and (self._fresh_ms is None or now_ms - self._fresh_ms >= SOON * sample_ms)

    def _sunk(self, inputs: Inputs, now_ms: int) -> bool:
        """Whether the last snapshot has just become so old that every share must be zero: that waits for no sample."""
        last_ms, decided_ms = self._state.previous.valid_ms, self._decided_ms
        if last_ms is None or decided_ms is None:
            return False
        return decided_ms < last_ms + sunk_ms(inputs, self.policy) <= now_ms

    def _decide(self, inputs: Inputs, draws: Draws, now_ms: int) -> None:
        shadow = self.site.sharing.mode == "shadow"
        self._measure(draws)
        step_w = next(self._pattern)
        if step_w and inputs.export_w is not None:
            inputs = replace(inputs, export_w=inputs.export_w - step_w)
        virtual_in, virtual = self._as_if_followed(inputs, draws) if shadow else (inputs, draws)
        before = self._state.states.share_w
        self._state, decisions = allocate(self._state, virtual_in, virtual, self.policy, now_ms)
        elapsed = 0 if self._decided_ms is None else min(max(0, now_ms - self._decided_ms), 60_000)
        self._keep(inputs, virtual_in, before, decisions=decisions, elapsed_ms=elapsed, now_ms=now_ms)
        if inputs.valid and inputs.at_ms != self._snapshot_ms:
            self._fresh_ms = now_ms
        self._snapshot_ms = inputs.at_ms
        self._decided_ms = now_ms
        self.decisions = decisions
        self._write_newest(decisions, now_ms)
        self.findings = () if shadow else decisions.findings
        self._log(before, decisions)
        self._show(decisions, now_ms, max(inputs.every_ms, self.policy.sample_ms))

    def _measure(self, draws: Draws) -> None:
        """The delay from shares to draws, from the steps they make: once per series, if they tell it."""
        shares, measured = self._state.states.share_w, draws.measured
        self._steps.append((int(shares[measured].sum()), int(draws.power_w[measured].sum())))
        self._counted += 1
        if self._counted % TRY_EVERY or not measured.any():
            return
        table = np.array(self._steps, dtype=np.float64)
        delay = measure_delay(table[:, 0], table[:, 1])
        if delay is not None and (self.delay is None or delay.samples != self.delay.samples):
            log.info(
                "delay from shares to draws: %d samples, %.0f %% explained",
                delay.samples,
                100 * delay.explained,
                extra=about("delay-measured"),
            )
        self.delay = delay or self.delay

    def _as_if_followed(self, inputs: Inputs, draws: Draws) -> tuple[Inputs, Draws]:
        """Shadow: the loads that follow their shares take the place of what the consumers really draw."""
        shares = self._state.states.given[self.policy.sharing.delay_samples]
        really = int(np.maximum(draws.power_w[draws.measured], 0).sum())
        export = None if inputs.export_w is None else inputs.export_w + really - int(shares.sum())
        return replace(inputs, export_w=export), Draws(shares, np.ones(len(shares), dtype=np.bool_), draws.able_w)

    def _show(self, decisions: Decisions, now_ms: int, every_ms: int) -> None:
        state = decisions.available.state
        self.shares = {
            name: ShareNow(share, now_ms, state, decisions.reason(row), every_ms)
            for row, (name, share) in enumerate(zip(self.policy.names, decisions.shares_w.tolist(), strict=True))
        }
        count = len(self.policy.names)
        delay = self.policy.sharing.delay_samples if self.delay is None else self.delay.samples
        waiting = int(self.policy.min_w[decisions.waiting].sum())
        spare = max(0, decisions.available.keep_w - decisions.total_w)
        gain, probability = safe_gain(count, delay), on_probability(spare, waiting, delay)
        self.sharing = SharingNow(count, gain, probability, now_ms, state, every_ms)

    def _log(self, before: np.ndarray[tuple[int, ...], np.dtype[np.int64]], decisions: Decisions) -> None:
        """One line per change of state, not per share."""
        for row in np.flatnonzero((before > 0) != (decisions.shares_w > 0)).tolist():
            decision = decisions.of(row)
            log.info(
                "share %s: %d W to %d W, %s",
                decision.consumer,
                decision.was_w,
                decision.share_w,
                decision.reason,
                extra=about("share", decision.consumer),
            )

    # -- what is stored ------------------------------------------------------------------------------------------------

    def _keep(
        self,
        inputs: Inputs,
        virtual: Inputs,
        before: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
        *,
        decisions: Decisions,
        elapsed_ms: int,
        now_ms: int,
    ) -> None:
        start = floor(now_ms, self.policy.interval_ms)
        if self._row is None or self._row.start_ms != start:
            self._write()
            self._row = self._taken_up(start)
        if inputs.export_w is None or inputs.production_w is None or virtual.export_w is None:
            return
        names = self.policy.names
        self._row = add(
            self._row,
            elapsed_ms,
            production_w=inputs.production_w,
            export_w=inputs.export_w,
            would_export_w=virtual.export_w,
            shares_w=dict(zip(names, before.tolist(), strict=True)),
            switched=_names_at(names, (before > 0) != (decisions.shares_w > 0)),
        )

    def _taken_up(self, start_ms: int) -> ShareRow:
        """The row of an interval that a daemon before this one began, or a new one."""
        new = ShareRow(start_ms, self.site.sharing.mode)
        stored = None if self.store is None else self.store.fact(fact_name(start_ms, self.policy.interval_ms))
        if stored is None:
            return new
        try:
            row = from_text(stored)
        except ValueError:
            return new
        return row if (row.start_ms, row.mode) == (new.start_ms, new.mode) else new

    def _write(self) -> None:
        if self._row is not None and self._row.duration_ms:
            self._unwritten[fact_name(self._row.start_ms, self.policy.interval_ms)] = to_text(self._row)

    def _flush(self) -> None:
        """Keep what is waiting: at the next look, so that shares are on the network before they are on the disk."""
        if self.store is not None and self._unwritten:
            try:
                with self.store.transaction():
                    for name, value in self._unwritten.items():
                        self.store.set_fact(name, value)
                self._refused = False
            except StoreError as exc:
                if not self._refused:
                    log.error("shares are not stored for the report: %s", exc, extra=about("store-refuses"))
                self._refused = True
        self._unwritten = {}

    def _write_newest(self, decisions: Decisions, now_ms: int) -> None:
        """The newest decision with its reasons, for `meterd shares`."""
        available = decisions.available
        results = {
            "at_ms": now_ms,
            "mode": self.site.sharing.mode,
            "room_w": available.keep_w,
            "reason": available.reason
            or (f"{available.ramp} to {available.top_w} W" if available.top_w < available.rise_w else ""),
            "delay": None if self.delay is None else self.delay.samples,
            "shares": [(decision.consumer, decision.share_w, decision.reason) for decision in decisions],
        }
        self._unwritten[NEWEST] = json.dumps(results, separators=(",", ":"))

    def close(self) -> None:
        """Keep the interval begun."""
        self._write()
        self._flush()
        self._row = None


def _names_at(names: tuple[str, ...], mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> Iterable[str]:
    return (names[row] for row in np.flatnonzero(mask).tolist())
