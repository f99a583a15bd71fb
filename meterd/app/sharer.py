"""Runs the allocation in the loop of the daemon: powers of one moment in, shares into the live picture out."""

import json
import logging
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import cycle

import numpy as np

from meterd.allocation import AllocationState, Decisions, Draws, Inputs, allocate, begin
from meterd.app.logs import about
from meterd.errors import StoreError
from meterd.finding import Finding
from meterd.interval import floor
from meterd.loads import Policy, policy_of, same_policy
from meterd.same_time import Plan, Trace, follow, picture, plan_of
from meterd.share_book import ShareRow, add, from_text, slot, to_text
from meterd.sharing import Delay, measure_delay, on_probability, safe_gain, step_pattern
from meterd.site import Site
from meterd.snapshot import ShareNow, SharingNow, Snapshot
from meterd.store.sqlite import SqliteStore

log = logging.getLogger("meterd")

NEWEST = "sharing/now"  # the fact that holds the newest decision
SERIES = 240  # samples from which the delay of the loop is measured: forty minutes of ten seconds
TRY_EVERY = 60  # samples between two measurements
TEST_HOLD = 6  # samples that a test step lasts, longer than any delay that would still be of use
SOON = 0.8  # part of a sample after which a new picture is taken for the next sample: meters are not on the second


def fact_of(start_ms: int, interval_ms: int) -> str:
    """Where the row of an interval is kept; the places are used again after sixty days."""
    return f"sharing/{slot(start_ms, interval_ms)}"


@dataclass(slots=True)
class Sharer:
    """The allocation of one site, called once for each live picture. Owned by the loop thread.

    `store` keeps one row per interval for `meterd shares --would-have`; without one nothing is kept.
    """

    site: Site
    store: SqliteStore | None = None
    findings: tuple[Finding, ...] = ()
    decisions: Decisions | None = None
    shares: dict[str, ShareNow] = field(default_factory=dict)
    sharing: SharingNow | None = None
    policy: Policy = field(init=False)
    points: Plan = field(init=False)
    _state: AllocationState = field(init=False)
    _traces: dict[str, Trace] = field(default_factory=dict)
    _counted: int = 0
    _picture_ms: int | None = None  # of the picture that was decided on
    _decided_ms: int | None = None
    _fresh_ms: int | None = None  # when a new picture was last decided on
    _row: ShareRow | None = None
    _unwritten: dict[str, str] = field(default_factory=dict)
    _steps: "deque[tuple[int, int]]" = field(default_factory=lambda: deque(maxlen=SERIES))  # shares and draws, measured
    _pattern: "Iterator[int]" = field(default_factory=lambda: cycle((0,)))
    delay: Delay | None = None  # as measured; the gain follows it
    _refused: bool = False  # the store refused the last time: told once

    def __post_init__(self) -> None:
        self.policy = policy_of(self.site)
        self.points = plan_of(self.site)
        self._state = begin(self.policy)
        self._pattern = cycle(step_pattern(SERIES, self.site.sharing.test_step_w, TEST_HOLD))

    def follow_on(self, before: "Sharer") -> None:
        """Go on with the shares of the plan before, if it had the same consumers and rules: no load falls off."""
        if same_policy(self.policy, before.policy):
            self._state, self.decisions = before._state, before.decisions
            self.shares, self.sharing, self.findings = before.shares, before.sharing, before.findings
            self._decided_ms, self._picture_ms, self.delay = before._decided_ms, before._picture_ms, before.delay
            self._fresh_ms = before._fresh_ms

    @property
    def active(self) -> bool:
        """Whether anything is to be decided."""
        return self.site.sharing.mode != "off" and bool(self.site.consumers)

    def step(self, snapshot: Snapshot) -> Snapshot:
        """The picture with the shares of now; a new decision when the powers of a new moment are complete.

        Without new powers a decision is made once a sample all the same: shares must sink when nothing is known.
        """
        if not self.active:
            return snapshot
        self._flush()
        self._traces = follow(self._traces, snapshot.instant, self.points.points)
        inputs, draws = picture(self.points, self._traces, snapshot)
        if self._due(inputs, snapshot.now_ms):
            self._decide(inputs, draws, snapshot.now_ms)
        if self.site.sharing.mode != "on":
            return snapshot
        return replace(snapshot, shares=dict(self.shares), sharing=self.sharing)

    def _due(self, inputs: Inputs, now_ms: int) -> bool:
        sample_ms = self.policy.sample_ms
        if self._decided_ms is None or self._picture_ms is None or now_ms < self._decided_ms:
            return True
        if now_ms - self._decided_ms >= 2 * sample_ms or inputs.backup or inputs.dark:
            return now_ms - self._decided_ms >= 1000
        new = inputs.valid and inputs.at_ms - self._picture_ms >= SOON * sample_ms
        # a decision that had to do without a new picture does not keep the new one waiting
        return new and (self._fresh_ms is None or now_ms - self._fresh_ms >= SOON * sample_ms)

    def _decide(self, inputs: Inputs, draws: Draws, now_ms: int) -> None:
        shadow = self.site.sharing.mode == "shadow"
        self._measure(draws)
        step_w = next(self._pattern)
        if step_w and inputs.export_w is not None:
            inputs = replace(inputs, export_w=inputs.export_w - step_w)
        virtual_in, virtual = self._as_if_followed(inputs, draws) if shadow else (inputs, draws)
        before = self._state.known.share_w
        self._state, decisions = allocate(self._state, virtual_in, virtual, self.policy, now_ms)
        elapsed = 0 if self._decided_ms is None else min(max(0, now_ms - self._decided_ms), 60_000)
        self._keep(inputs, virtual_in, before, decisions, elapsed, now_ms)
        if inputs.valid and inputs.at_ms != self._picture_ms:
            self._fresh_ms = now_ms
        self._picture_ms = inputs.at_ms
        self._decided_ms = now_ms
        self.decisions = decisions
        self._write_newest(decisions, now_ms)
        self.findings = () if shadow else decisions.findings
        self._log(before, decisions)
        self._show(decisions, now_ms)

    def _measure(self, draws: Draws) -> None:
        """The delay from shares to draws, from the steps they make: once per series, if they tell it."""
        shares, measured = self._state.known.share_w, draws.measured
        self._steps.append((int(shares[measured].sum()), int(draws.power_w[measured].sum())))
        self._counted += 1
        if self._counted % TRY_EVERY or not measured.any():
            return
        table = np.array(self._steps, dtype=np.float64)
        found = measure_delay(table[:, 0], table[:, 1])
        if found is not None and (self.delay is None or found.samples != self.delay.samples):
            log.info(
                "delay from shares to draws: %d samples, %.0f %% explained",
                found.samples,
                100 * found.explained,
                extra=about("delay-measured"),
            )
        self.delay = found or self.delay

    def _as_if_followed(self, inputs: Inputs, draws: Draws) -> tuple[Inputs, Draws]:
        """Shadow: the loads that follow their shares take the place of what the consumers really draw."""
        shares = self._state.known.given[self.policy.sharing.delay_samples]
        really = int(np.maximum(draws.power_w[draws.measured], 0).sum())
        export = None if inputs.export_w is None else inputs.export_w + really - int(shares.sum())
        return replace(inputs, export_w=export), Draws(shares, np.ones(len(shares), dtype=np.bool_))

    def _show(self, decisions: Decisions, now_ms: int) -> None:
        state = decisions.room.state
        self.shares = {
            name: ShareNow(share, now_ms, state, decisions.reason(row))
            for row, (name, share) in enumerate(zip(self.policy.names, decisions.shares_w.tolist(), strict=True))
        }
        count = len(self.policy.names)
        delay = self.policy.sharing.delay_samples if self.delay is None else self.delay.samples
        waiting = int(self.policy.min_w[decisions.waiting].sum())
        spare = max(0, decisions.room.keep_w - decisions.total_w)
        self.sharing = SharingNow(count, safe_gain(count, delay), on_probability(spare, waiting, delay), now_ms, state)

    def _log(self, before: np.ndarray[tuple[int, ...], np.dtype[np.int64]], decisions: Decisions) -> None:
        """One line per change of state, not per share."""
        for row in np.flatnonzero((before > 0) != (decisions.shares_w > 0)).tolist():
            one = decisions.of(row)
            log.info(
                "share %s: %d W to %d W, %s",
                one.consumer,
                one.was_w,
                one.share_w,
                one.reason,
                extra=about("share", one.consumer),
            )

    # -- what is kept --------------------------------------------------------------------------------------------------

    def _keep(
        self,
        inputs: Inputs,
        virtual: Inputs,
        before: np.ndarray[tuple[int, ...], np.dtype[np.int64]],
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
        kept = None if self.store is None else self.store.fact(fact_of(start_ms, self.policy.interval_ms))
        if kept is None:
            return new
        try:
            row = from_text(kept)
        except ValueError:
            return new
        return row if (row.start_ms, row.mode) == (new.start_ms, new.mode) else new

    def _write(self) -> None:
        if self._row is not None and self._row.seconds_ms:
            self._unwritten[fact_of(self._row.start_ms, self.policy.interval_ms)] = to_text(self._row)

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
                    log.error("shares are not kept for the report: %s", exc, extra=about("store-refuses"))
                self._refused = True
        self._unwritten = {}

    def _write_newest(self, decisions: Decisions, now_ms: int) -> None:
        """The newest decision with its reasons, for `meterd shares`."""
        room = decisions.room
        found = {
            "at_ms": now_ms,
            "mode": self.site.sharing.mode,
            "room_w": room.keep_w,
            "reason": room.reason or (f"{room.ramp} to {room.top_w} W" if room.top_w < room.rise_w else ""),
            "delay": None if self.delay is None else self.delay.samples,
            "shares": [(one.consumer, one.share_w, one.reason) for one in decisions],
        }
        self._unwritten[NEWEST] = json.dumps(found, separators=(",", ":"))

    def close(self) -> None:
        """Keep the interval begun."""
        self._write()
        self._flush()
        self._row = None


def _names_at(names: tuple[str, ...], mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> Iterable[str]:
    return (names[row] for row in np.flatnonzero(mask).tolist())
