"""The surplus handed out: shares of all consumers from the powers of one moment, safe by construction.

    room (how much, and why not more) -> rotation (who) -> shares, each with its reason in words

The surplus plus the flexible load now running, of the same moment, does not depend on shares that are still on their way:
so a delay in the loop makes nothing swing. What is drawn beyond the shares is base load and lowers the room of nobody else
than all together. Whole watts; the sum of the shares is never more than the room but for minimum times.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from meterd.finding import Finding
from meterd.loads import Bools, Feedback, Ints, Known, Policy, feedback, policy_of, remember, unknown, watch
from meterd.room import Inputs, Load, Past, Room, room, spend
from meterd.rotation import Plan, Why, distribute

__all__ = ["AllocationState", "Decision", "Decisions", "Draws", "Inputs", "Policy", "allocate", "begin", "policy_of"]

_LONGEST_MS = 60_000  # a longer pause between two decisions is not counted as served: nobody knows what ran


@dataclass(frozen=True, slots=True)
class AllocationState:
    """What is kept between two decisions. A new daemon starts from nothing: all shares zero, then the ramp."""

    known: Known
    past: Past


@dataclass(frozen=True, slots=True)
class Draws:
    """Power of the consumers (n,) at the moment of the inputs; where not `measured` the number means nothing."""

    power_w: Ints
    measured: Bools


@dataclass(frozen=True, slots=True)
class Decision:
    """The share of one consumer and why."""

    consumer: str
    share_w: int
    was_w: int
    reason: str


@dataclass(frozen=True, slots=True)
class Decisions:
    """All shares of one moment. Reasons are put into words only for those who ask."""

    policy: Policy
    room: Room
    shares_w: Ints
    was_w: Ints
    flexible_w: int
    findings: tuple[Finding, ...]
    _plan: Plan

    @property
    def total_w(self) -> int:
        """Sum of all shares."""
        return int(self.shares_w.sum())

    @property
    def waiting(self) -> Bools:
        """Which consumers would start if there were more, (n,)."""
        return np.isin(self._plan.why, (Why.NO_ROOM, Why.RAMP))

    def __len__(self) -> int:
        return len(self.policy.names)

    def __iter__(self) -> Iterator[Decision]:
        return (self.of(row) for row in range(len(self)))

    def of(self, row: int) -> Decision:
        """The decision of one consumer, by its place in the plan."""
        return Decision(self.policy.names[row], int(self.shares_w[row]), int(self.was_w[row]), self.reason(row))

    def reason(self, row: int) -> str:
        """Why, in words."""
        why, number = Why(int(self._plan.why[row])), int(self._plan.number[row])
        share, room, policy = int(self.shares_w[row]), self.room, self.policy
        seconds = -(-number // 1000)
        extra = f" ({room.reason})" if room.reason else ""
        words = {
            Why.FULL: f"runs at {share} W",
            Why.PART: f"runs at {share} W of {policy.max_w[row]} W, a fair part of what is left",
            Why.HELD: f"stays on: minimum on time {seconds} s left",
            Why.RESTS: f"waits: minimum off time {seconds} s left",
            Why.NO_ROOM: f"waits: needs {policy.min_w[row]} W and {policy.dead_band_w} W to spare, {number} W are left",
            Why.RAMP: f"waits: {room.ramp}, the shares may rise by {number} W now",
            Why.CUT: f"off: needs {policy.min_w[row]} W, {number} W are left",
            Why.SWAPPED: "off: the turn of one that has had less",
            Why.IDLE: f"waits: did not draw its share, offered again in {seconds} s",
            Why.BARRED: f"on its fallback of {share} W: drew more than its share",
            Why.NOTHING: "nothing to share",
        }
        return words[why] + extra


def begin(policy: Policy) -> AllocationState:
    """Nothing shared, nothing known."""
    return AllocationState(unknown(policy), Past())


def resume(state: AllocationState, policy: Policy) -> AllocationState:
    """After a pause longer than a share is valid all controllers are on their fallback: a staged start from zero."""
    known = replace(unknown(policy), served=state.known.served, barred_ms=state.known.barred_ms)
    return AllocationState(
        known, Past(valid_ms=state.past.valid_ms, shut=True, sign=replace(state.past.sign, before=None))
    )


def allocate(
    state: AllocationState, inputs: Inputs, draws: Draws, policy: Policy, now_ms: int
) -> tuple[AllocationState, Decisions]:
    """One decision from the powers of one moment.

    `inputs` and `draws` must be of the same moment; made of different ones they must be given as invalid (export None).
    """
    if state.past.last_ms is not None and now_ms - state.past.last_ms > policy.validity_ms:
        state = resume(state, policy)
    known, past = state.known, state.past
    measured = draws.measured if inputs.export_w is not None else np.zeros(len(policy.names), dtype=np.bool_)
    back: Feedback = feedback(known, policy, draws.power_w, measured)
    elapsed = 0 if past.last_ms is None else min(max(0, now_ms - past.last_ms), _LONGEST_MS)
    known, findings = watch(known, policy, back, elapsed, now_ms)
    load = _load(known, back)
    past, found = room(past, inputs, load, policy, now_ms)
    plan = distribute(known, policy, found, now_ms)
    past = spend(past, load.handed_w, int(plan.share_w.sum()))
    decisions = Decisions(policy, found, plan.share_w, known.share_w, load.flexible_w, tuple(findings), plan)
    return AllocationState(remember(known, policy, back, plan.share_w, now_ms), past), decisions


def _load(known: Known, back: Feedback) -> Load:
    flexible = int(back.flexible_w.sum())
    guessed = known.given[:, ~back.known]
    return Load(
        flexible_w=flexible,
        unsure_w=flexible - int(back.firm_w.sum()),
        handed_w=int(known.share_w.sum()),
        measured_w=back.measured_w,
        moving=bool((guessed != guessed[0]).any()),
    )
