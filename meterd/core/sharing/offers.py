"""What each consumer could take: as it says itself, or as small offers one at a time have shown.

A full tank or a charger without a car does not draw its share, and what lies with it nobody else can have. A consumer that
tells what it could take is offered no more. Of the others, one that is seen to leave its share for `idle_s` (its meter
counts it alone, or all loads at its point draw less) keeps what it draws; after a pause that grows with every vain try it
is offered one step more, one such consumer at a time.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from meterd.core.model.plan import Site
from meterd.core.model.reading import CAN_TAKE
from meterd.core.model.snapshot import Now
from meterd.core.sharing.consumers import NEVER, RUNNING_PART, Bools, ConsumerState, Feedback, Ints, Policy

GROWTH = 3  # each pause so many times the one before: one try per hour on the average of the first hours
LONGEST_PAUSE = 12  # in first pauses: two hours of ten minutes, so that a load without a car costs a try in two hours
SPREAD = 5  # a draw less than its share by a fifth of it is a voltage, a thermostat or a car that rounds, no refusal


def acceptable_w(site: Site, instant: Mapping[tuple[str, str], Now], now_ms: int) -> Ints | None:
    """What each consumer says it could take in W, -1 where it says nothing (any more); None if no plan lets them.

    What the broker retained from before the start is no word of now; a number below zero says nothing.
    """
    if not site.can_take_inputs:
        return None
    result = np.full(len(site.consumers), -1, dtype=np.int64)
    for row, consumer in enumerate(site.consumers):
        now = instant.get((consumer.name, CAN_TAKE)) if consumer.can_take else None
        if now is not None and not now.old and now_ms - now.at_ms <= site.sharing.can_take_s * 1000:
            result[row] = max(-1, min(round(now.value), consumer.max_w))
    return result


def follow_offers(state: ConsumerState, policy: Policy, back: Feedback, now_ms: int) -> ConsumerState:
    """Who has left its share for so long that it keeps only what it draws, and who has taken more than it did before."""
    drawn = np.where(back.seen, back.drawn_w, 0)
    state = _put_off(_took_more(state, policy, drawn, back.seen), policy, now_ms)
    low = back.seen & _less(drawn, state.share_w, policy)
    if not low.any() and state.low_ms.max(initial=NEVER) == NEVER:
        return state
    low_ms = np.where(low, np.where(state.low_ms == NEVER, now_ms, state.low_ms), NEVER)
    # never seen switching: it may have to finish a minimum off time of before this daemon first
    fresh = (state.on_ms == NEVER) & (state.off_ms == NEVER) & (state.tries == 0)
    patience = policy.sharing.idle_s * 1000 + np.where(fresh, policy.min_off_ms, 0)
    # an offer has to stand for so long too: who follows a rising share with a delay leaves nothing
    stood = _less(drawn, state.given[: policy.idle_window].min(axis=0), policy)
    left = low & stood & (now_ms - low_ms + policy.sample_ms >= patience)
    if not left.any():
        return replace(state, low_ms=low_ms)
    tries = np.where(left, state.tries + 1, state.tries)
    pause = policy.sharing.retry_s * 1000 * np.minimum(GROWTH ** np.clip(tries - 1, 0, 9), LONGEST_PAUSE)
    return replace(
        state,
        low_ms=np.where(left, NEVER, low_ms),
        tries=tries,
        cap_w=np.where(left, np.minimum(state.cap_w, _whole_steps(drawn, policy)), state.cap_w),
        retry_ms=np.where(left, now_ms + pause, state.retry_ms),
        trying=state.trying & ~left,
    )


def _put_off(state: ConsumerState, policy: Policy, now_ms: int) -> ConsumerState:
    """A try that a cloud has cut short says nothing; the next one is another's."""
    cut = state.trying & (state.share_w <= state.cap_w)
    if not cut.any():
        return state
    later = now_ms + policy.sharing.retry_s * 1000
    return replace(state, trying=state.trying & ~cut, retry_ms=np.where(cut, later, state.retry_ms))


def _less(drawn_w: Ints, share_w: Ints, policy: Policy) -> Bools:
    """Whether so much of a share is left that another one could use it: a load that is on or off stands, or some steps."""
    stands = (share_w > 0) & (drawn_w < np.rint(np.maximum(policy.min_w, 1) * RUNNING_PART))
    some = share_w - drawn_w > np.maximum(policy.step_w, share_w // SPREAD)
    more = share_w > policy.min_w
    return np.asarray(stands | (more & some))


def _whole_steps(drawn_w: Ints, policy: Policy) -> Ints:
    """What is drawn, rounded up to what may be offered; standing loads have 0."""
    step = np.maximum(policy.step_w, 1)
    above = policy.min_w + -(-(drawn_w - policy.min_w) // step) * step
    runs = drawn_w >= np.rint(np.maximum(policy.min_w, 1) * RUNNING_PART)
    return np.where(runs, np.clip(above, policy.min_w, policy.max_w), 0)


def _took_more(state: ConsumerState, policy: Policy, drawn_w: Ints, seen: Bools) -> ConsumerState:
    """Drawing more than it last did frees a consumer: it is offered twice that, and so on while it takes all of it."""
    bound = seen & (state.cap_w < policy.max_w)
    if not bound.any():
        return state
    half = np.rint(_step_up(state.cap_w, policy) * RUNNING_PART)
    more = bound & ((drawn_w > state.cap_w + half) | ((state.retry_ms == NEVER) & (drawn_w > state.cap_w - half)))
    if not more.any():
        return state
    return replace(
        state,
        cap_w=np.where(more, np.minimum(policy.max_w, 2 * _whole_steps(drawn_w, policy)), state.cap_w),
        tries=np.where(more, 0, state.tries),
        retry_ms=np.where(more, NEVER, state.retry_ms),
        low_ms=np.where(more, NEVER, state.low_ms),
        trying=state.trying & ~more,
    )


def _step_up(cap_w: Ints, policy: Policy) -> Ints:
    """The smallest step that a consumer could take beyond what it takes; of one that takes any power a tenth of its largest."""
    step = np.where(policy.step_w > 0, policy.step_w, np.maximum(1, policy.max_w // 10))
    return np.where(cap_w < policy.min_w, policy.min_w, np.minimum(np.maximum(step, 1), policy.max_w - cap_w))


def offers(state: ConsumerState, policy: Policy, able_w: Ints, now_ms: int, spare_w: int) -> tuple[ConsumerState, Ints]:
    """The most that each consumer is offered now (n,), with the one that is tried.

    `able_w` is what consumers say they could take, -1 where they say nothing; who says something needs no try. A try goes
    on until it is taken or left; the next one is that of the longest wait whose step fits into `spare_w`.
    """
    says, result = able_w >= 0, state.cap_w
    if says.any():
        step = np.where(policy.step_w > 0, policy.step_w, 1)
        able = np.where(able_w >= policy.min_w, policy.min_w + (able_w - policy.min_w) // step * step, 0)
        result = np.where(says, np.clip(able, 0, policy.max_w), result)
    doubtful = ~says & (state.cap_w < policy.max_w) & (state.barred_ms == NEVER)
    if not doubtful.any() and not state.trying.any():
        return state, result
    trying = state.trying & doubtful & (state.share_w > state.cap_w)
    up = _step_up(state.cap_w, policy)
    if not trying.any():
        due = np.flatnonzero(doubtful & (state.retry_ms != NEVER) & (state.retry_ms <= now_ms) & (up <= spare_w))
        if len(due):
            trying[due[np.argmin(state.retry_ms[due])]] = True
    return replace(state, trying=trying), np.where(trying, state.cap_w + up, result)
