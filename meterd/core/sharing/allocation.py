"""Sharing of the surplus: shares of all consumers from the powers of one moment, safe by construction.

    available power (how much, and why not more) -> scheduling (who) -> shares, each with its reason in words

The surplus plus the flexible load now running, of the same moment, does not depend on shares that are still on their way:
so a delay in the loop makes nothing swing. What is drawn beyond the shares is base load and lowers the available power of
nobody else than all together. Whole watts; the sum of the shares is never more than the available power but for minimum times.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from meterd.core.model.finding import Finding
from meterd.core.sharing.available_power import AvailablePower, Inputs, Load, PreviousState, available_power, spend
from meterd.core.sharing.consumers import (
    Bools,
    ConsumerState,
    Feedback,
    Ints,
    Policy,
    feedback,
    follow_draws,
    initial_state,
    policy_of,
    remember,
)
from meterd.core.sharing.offers import follow_offers, offers
from meterd.core.sharing.scheduling import AcceptableDraw, ShareDraft, Why, distribute

__all__ = ["AllocationState", "Decision", "Decisions", "Draws", "Inputs", "Policy", "allocate", "begin", "policy_of"]

_PAUSE = 3  # samples without a decision: one is made after two at the latest, also without a new picture
_LONGEST_MS = 60_000  # a longer pause between two decisions is not counted as served: nobody knows what ran


@dataclass(frozen=True, slots=True)
class AllocationState:
    """What remains between two decisions. A new daemon starts from nothing: all shares zero, then the ramp."""

    states: ConsumerState
    previous: PreviousState


@dataclass(frozen=True, slots=True)
class Draws:
    """Power of the consumers (n,) at the moment of the inputs; where not `measured` the number means nothing.

    `able_w` is what they say they could take, -1 where they say nothing; None: nobody says anything. `most_w` is the most
    that one which is not measured can draw, because its point draws no more, -1 where that is not known; None: of none.
    """

    power_w: Ints
    measured: Bools
    able_w: Ints | None = None
    most_w: Ints | None = None


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
    available: AvailablePower
    shares_w: Ints
    was_w: Ints
    flexible_w: int
    findings: tuple[Finding, ...]
    _plan: ShareDraft

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
        share, available, policy = int(self.shares_w[row]), self.available, self.policy
        seconds = -(-number // 1000)
        extra = f" ({available.reason})" if available.reason else ""
        texts = {
            Why.FULL: f"runs at {share} W",
            Why.PART: f"runs at {share} W of {policy.max_w[row]} W, a fair part of what is left",
            Why.HELD: f"stays on: minimum on time {seconds} s left",
            Why.RESTS: f"waits: minimum off time {seconds} s left",
            Why.NO_ROOM: f"waits: needs {policy.min_w[row]} W and {policy.dead_band_w} W to spare, {number} W are left",
            Why.RAMP: f"waits: {available.ramp}, the shares may rise by {number} W now",
            Why.CUT: f"off: needs {policy.min_w[row]} W, {number} W are left",
            Why.SWAPPED: "off: the turn of one that has had less",
            Why.IDLE: f"waits: did not draw its share, offered again in {seconds} s",
            Why.ABLE: f"waits: says that it can take {number} W",
            Why.BARRED: f"on its fallback of {share} W: drew more than its share",
            Why.NOTHING: "nothing to share",
            Why.SHED: "off: the mains do not carry the site",
        }
        return texts[why] + extra


def begin(policy: Policy) -> AllocationState:
    """Nothing shared, nothing known."""
    return AllocationState(initial_state(policy), PreviousState())


def resume(state: AllocationState, policy: Policy) -> AllocationState:
    """After a pause longer than a share is valid all controllers are on their fallback: a staged start from zero.

    Where decisions are as far apart as that, such a pause is one of several of them.
    """
    before = state.states
    known = replace(
        initial_state(policy),
        served=before.served,
        barred_ms=before.barred_ms,
        cap_w=before.cap_w,
        tries=before.tries,
        retry_ms=before.retry_ms,
    )
    return AllocationState(
        known,
        PreviousState(
            valid_ms=state.previous.valid_ms, shut=True, sign_check=replace(state.previous.sign_check, before=None)
        ),
    )


def allocate(
    state: AllocationState, inputs: Inputs, draws: Draws, policy: Policy, now_ms: int
) -> tuple[AllocationState, Decisions]:
    """One decision from the powers of one moment.

    `inputs` and `draws` must be of the same moment; made of different ones they must be given as invalid (export None).
    """
    pause_ms = max(policy.validity_ms, _PAUSE * policy.sample_ms)
    if state.previous.last_ms is not None and now_ms - state.previous.last_ms > pause_ms:
        state = resume(state, policy)
    known, previous = state.states, state.previous
    measured = draws.measured if inputs.export_w is not None else np.zeros(len(policy.names), dtype=np.bool_)
    nowhere = np.full(len(policy.names), -1, dtype=np.int64)
    bound = nowhere if draws.most_w is None or inputs.export_w is None else draws.most_w
    back: Feedback = feedback(known, policy, draws.power_w, measured, most_w=bound)
    elapsed = 0 if previous.last_ms is None else min(max(0, now_ms - previous.last_ms), _LONGEST_MS)
    known, findings = follow_draws(known, policy, back, elapsed, now_ms)
    known = follow_offers(known, policy, back, now_ms)
    load = _load(known, back)
    previous, result = available_power(previous, inputs, load, policy, now_ms)
    says = nowhere if draws.able_w is None else draws.able_w
    known, offered = offers(known, policy, says, now_ms, result.keep_w - load.handed_w)
    draft = distribute(known, policy, result, AcceptableDraw(says, offered), now_ms)
    previous = spend(previous, load.handed_w, int(draft.share_w.sum()))
    decisions = Decisions(policy, result, draft.share_w, known.share_w, load.flexible_w, tuple(findings), draft)
    return AllocationState(remember(known, policy, back, draft.share_w, now_ms), previous), decisions


def _load(state: ConsumerState, back: Feedback) -> Load:
    flexible = int(back.flexible_w.sum())
    moving = False
    if not back.known.all():
        guessed = state.given[:, ~back.known]
        moving = bool((guessed != guessed[0]).any())
    return Load(
        flexible_w=flexible,
        unsure_w=flexible - int(back.firm_w.sum()),
        handed_w=int(state.share_w.sum()),
        measured_w=back.measured_w,
        measured=back.known.tobytes(),
        moving=moving,
    )
