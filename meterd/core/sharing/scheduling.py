"""Who gets how much of the available power: priority classes, rotation of loads that are on or off, max-min fair for the rest."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from meterd.core.model.fair_division import max_min, max_min_from
from meterd.core.sharing.available_power import SETTLE_S, AvailablePower
from meterd.core.sharing.consumers import NEVER, Bools, ConsumerState, Ints, Policy

Rows = npt.NDArray[np.intp]
_LOOK = 32  # so many loads are tried one by one after the first that does not fit: a smaller one may


class Why(IntEnum):
    """The reason of a share; the number that goes with it is in brackets."""

    FULL = 0  # all it may take
    PART = 1  # its fair part of the class
    HELD = 2  # inside its minimum on time (ms left)
    RESTS = 3  # inside its minimum off time (ms left)
    NO_ROOM = 4  # its least power and the dead band do not fit (W left)
    RAMP = 5  # the ramp lets nothing more start (W the shares may still rise)
    CUT = 6  # turned off: the surplus has fallen (W left for it)
    SWAPPED = 7  # turned off: another one's turn
    IDLE = 8  # did not draw its share (ms until it is offered again)
    BARRED = 9  # on its fallback: drew more than its share
    NOTHING = 10  # there is nothing to share
    ABLE = 12  # says that it cannot take its least power (W that it could)
    SHED = 11  # the mains do not carry the site, and there is no budget for it


@dataclass(slots=True)
class ShareDraft:
    """The shares while they are being made (n,), with their reasons."""

    share_w: Ints
    why: Ints
    number: Ints

    def say(self, rows: Rows | npt.NDArray[np.bool_], why: Why, number: Ints | int = 0) -> None:
        self.why[rows] = why
        self.number[rows] = number


@dataclass(slots=True)
class Budget:
    """What is left of the available power for the next class."""

    keep_w: int
    rise_w: int
    top_w: int
    lasted_w: int
    stood_w: int

    def take(self, power_w: int) -> None:
        self.keep_w -= power_w
        self.rise_w -= power_w
        self.top_w -= power_w
        self.lasted_w -= power_w
        self.stood_w -= power_w


@dataclass(frozen=True, slots=True)
class ConsumerStatus:
    """Which consumers may do what now, each (n,), and what each is offered at most."""

    most_w: Ints
    held: Bools
    tried: Bools
    may_start: Bools
    may_run: Bools


@dataclass(frozen=True, slots=True)
class AcceptableDraw:
    """What consumers say they could take in W, -1 where they say nothing, and the most that each is offered, (n,)."""

    able_w: Ints
    most_w: Ints


def consumer_status(
    state: ConsumerState, policy: Policy, acceptable: AcceptableDraw, now_ms: int, *, shed: bool, draft: ShareDraft
) -> ConsumerStatus:
    """Minimum times, what cannot be taken and consumers on their fallback, with their reasons noted in the plan.

    Where the mains do not carry the site (`shed`) what is safe comes before minimum times, and nobody has a fallback.
    """
    barred = state.barred_ms != NEVER
    on = (state.share_w > 0) & ~barred
    # a clock that was set back must not make a minimum time longer than it is
    on_left = np.minimum(state.on_ms + policy.min_on_ms - now_ms, policy.min_on_ms)
    off_left = np.minimum(state.off_ms + policy.min_off_ms - now_ms, policy.min_off_ms)
    # what a load cannot take it does not draw: nothing is lost by taking it back
    able_to = acceptable.most_w >= np.maximum(policy.min_w, 1)
    full = ~able_to & (acceptable.able_w >= 0)
    # told to switch and not yet seen to: the controller may have begun its minimum time
    reported = now_ms - state.switched_ms < policy.sample_ms * (policy.sharing.delay_samples + 2)
    begins, ends = (
        reported & ~state.running & (policy.min_on_ms > 0),
        reported & state.running & (policy.min_off_ms > 0),
    )
    held = on & (state.running & (on_left > 0) | begins) & ~full & (not shed)
    rests = ~on & ~barred & (~state.running & (off_left > 0) | ends)
    on_left = np.where(state.running, on_left, policy.min_on_ms)
    off_left = np.where(state.running, policy.min_off_ms, off_left)
    if not able_to.all():
        idle, says = ~held & ~barred & ~able_to & ~full, full & ~barred
        draft.say(idle, Why.IDLE, np.maximum(state.retry_ms[idle] - now_ms, 0))
        draft.say(says, Why.ABLE, acceptable.able_w[says])
    draft.say(rests, Why.RESTS, off_left[rests])
    if barred.any():
        draft.share_w[barred] = 0 if shed else policy.fallback_w[barred]
        draft.say(barred, Why.BARRED)
    draft.share_w[held] = policy.min_w[held]
    draft.say(held, Why.HELD, on_left[held])
    may_start, may_run = ~on & ~barred & ~rests & able_to, on & ~held & able_to
    return ConsumerStatus(np.maximum(acceptable.most_w, draft.share_w), held, state.trying, may_start, may_run)


def distribute(
    state: ConsumerState, policy: Policy, available: AvailablePower, acceptable: AcceptableDraw, now_ms: int
) -> ShareDraft:
    """Shares of all consumers of one available power."""
    count = len(policy.names)
    zero = np.zeros(count, dtype=np.int64)
    draft = ShareDraft(zero.copy(), np.full(count, int(Why.NOTHING), dtype=np.int64), zero.copy())
    if available.shed and available.keep_w <= 0:
        draft.why[:] = Why.SHED
        return draft
    status = consumer_status(state, policy, acceptable, now_ms, shed=available.shed, draft=draft)
    budget = Budget(available.keep_w, available.rise_w, available.top_w, available.lasted_w, available.stood_w)
    # a load inside its minimum is base, whatever its class: nobody else can have its power
    budget.take(int(draft.share_w[status.held].sum()))
    for rows in policy.classes:
        _share_class(state, policy, status, rows=rows, budget=budget, draft=draft)
    return draft


def _share_class(
    state: ConsumerState, policy: Policy, status: ConsumerStatus, *, rows: Rows, budget: Budget, draft: ShareDraft
) -> None:
    """One priority class. What it gets is taken from what is left; the held ones have been."""
    switched = rows[policy.min_w[rows] > 0]
    smooth = rows[(policy.min_w[rows] == 0) & (status.may_run | status.may_start)[rows]]
    part = (
        budget.keep_w
        if not len(smooth)
        else _part_of_switched(state, policy, status, switched=switched, smooth=smooth, keep_w=budget.keep_w)
    )
    _switch(state, policy, status, rows=switched, smooth=smooth, part_w=part, budget=budget, draft=draft)
    running = switched[(draft.share_w[switched] > 0) & (draft.why[switched] != Why.BARRED)]
    _fill(state, policy, status, rows=np.concatenate((running, smooth)), left=budget, draft=draft)


def _part_of_switched(
    state: ConsumerState, policy: Policy, status: ConsumerStatus, *, switched: Rows, smooth: Rows, keep_w: int
) -> int:
    """Beside loads that take any power, those that are on or off get the sum of their fair parts.

    Where that is less than one of them needs, the least served may run all the same while it has had less than the others.
    """
    able = switched[(status.may_run | status.may_start)[switched]]
    if not len(able):
        return 0
    fair = max_min(max(0, keep_w), status.most_w[np.concatenate((able, smooth))])
    part = int(fair[: len(able)].sum())
    first = able[int(np.argmin(state.served[able]))]
    need = int(policy.min_w[first])
    if part < need <= keep_w and state.served[first] < state.served[smooth].min():
        return need
    return part


def _switch(
    state: ConsumerState,
    policy: Policy,
    status: ConsumerStatus,
    *,
    rows: Rows,
    smooth: Rows,
    part_w: int,
    budget: Budget,
    draft: ShareDraft,
) -> None:
    """Decide which loads of a class run, at their least power and within their part: running ones stay, least served first.

    What has stood for a while is for whoever has had least; what has not, for those that can follow (`_start`).
    """
    running, waiting = rows[status.may_run[rows]], rows[status.may_start[rows]]
    running = running[np.argsort(state.served[running], kind="stable")]
    # one that still runs, in its own minimum on time, costs no switching
    waiting = waiting[np.lexsort((state.served[waiting], ~state.running[waiting]))]
    stored = _fitting(policy.min_w[running], part_w)
    stay, cut = running[stored], running[~stored]
    spent = int(policy.min_w[stay].sum())
    draft.share_w[stay] = policy.min_w[stay]
    draft.say(stay, Why.FULL)
    budget.take(spent)
    draft.say(cut, Why.CUT, max(0, budget.keep_w))
    band = policy.dead_band_w
    free = min(part_w - spent, budget.rise_w - band, budget.top_w) if not len(cut) else 0
    follow = int((status.most_w - policy.min_w)[np.concatenate((stay, smooth))].sum())
    headroom = _Headroom(free, lasted_w=min(free, budget.lasted_w - band), stood_w=min(free, budget.stood_w - band))
    started = _start(policy, status, waiting, headroom, follow_w=follow)
    if not len(cut):
        _try(policy, status, waiting, started=started, spare_w=min(budget.rise_w, budget.top_w))
    start, wait = waiting[started], waiting[~started]
    draft.share_w[start] = policy.min_w[start]
    draft.say(start, Why.FULL)
    budget.take(int(policy.min_w[start].sum()))
    by_ramp = budget.top_w < budget.rise_w - band
    draft.say(wait, Why.RAMP if by_ramp else Why.NO_ROOM, max(0, budget.top_w if by_ramp else budget.rise_w))
    wait = wait[~status.tried[wait]]  # nobody goes off for a try
    if len(wait) and len(stay) and not len(start) and not len(cut):
        _swap(state, policy, stay, wait=wait, budget=budget, draft=draft)


@dataclass(frozen=True, slots=True)
class _Headroom:
    """What loads may start with: what is there, what has been for a while, and for so long that it is taken for the sun."""

    now_w: int
    lasted_w: int
    stood_w: int


def _start(policy: Policy, status: ConsumerStatus, waiting: Rows, headroom: _Headroom, *, follow_w: int) -> Bools:
    """Which waiting loads start. Between two clouds those in steps come first, then those that may go off again at once, and
    each kind only with what the ones before it (`follow_w` are those that run) cannot take: so they and not the others
    switch with every cloud, and no minimum time begins in a gap. Where some follow in steps, those that are on or off wait
    until what is there has lasted, too.
    """
    started = _fitting(policy.min_w[waiting], headroom.stood_w)
    if started.all():
        return started
    spent_w = int(policy.min_w[waiting[started]].sum())
    stepped = policy.max_w > policy.min_w
    bound = policy.min_on_ms > SETTLE_S * 1000
    patient_w = headroom.lasted_w if (stepped & ~bound).any() else headroom.now_w
    before_w = 0  # what the kinds before can take
    kinds = ((stepped & ~bound, headroom.now_w), (~stepped & ~bound, patient_w), (bound, headroom.now_w))
    for kind, there_w in kinds:
        rows = np.flatnonzero(kind[waiting] & ~started)
        if not len(rows):
            before_w = follow_w
            continue
        fits = rows[_fitting(policy.min_w[waiting[rows]], there_w - spent_w - before_w)]
        started[fits] = True
        spent_w += int(policy.min_w[waiting[fits]].sum())
        follow_w += int((status.most_w - policy.min_w)[waiting[fits]].sum())
        before_w = follow_w
    return started


def _try(policy: Policy, status: ConsumerStatus, waiting: Rows, *, started: Bools, spare_w: int) -> None:
    """One that is tried starts with its power alone to spare: most often it draws nothing, and the dead band stays free.

    (With the dead band it would never be its turn while the others use all there is.)
    """
    if not status.tried.any():
        return
    for i in np.flatnonzero(status.tried[waiting] & ~started).tolist():
        if policy.min_w[waiting[i]] + int(policy.min_w[waiting[started]].sum()) <= spare_w:
            started[i] = True


def _fitting(power_w: Ints, budget_w: int) -> Bools:
    """Which loads, in their order, fit into a budget; after the first that does not a few more are tried."""
    fits = np.cumsum(power_w) <= budget_w
    if fits.all() or budget_w <= 0:
        return fits
    spent = int(power_w[fits].sum())
    first = int(np.argmin(fits))
    for i in range(first, min(first + _LOOK, len(power_w))):
        if spent + int(power_w[i]) <= budget_w:
            fits[i], spent = True, spent + int(power_w[i])
    return fits


def _swap(state: ConsumerState, policy: Policy, stay: Rows, *, wait: Rows, budget: Budget, draft: ShareDraft) -> None:
    """One waiting load takes over from a running one of at least its power that has had much longer.

    One that then must stay on needs the dead band to spare, as at any start: at sunset it would be the last to run.
    """
    first, last = wait[0], stay[-1]
    if policy.min_on_ms[first] > 0 and budget.rise_w < policy.dead_band_w:
        return
    need, freed = int(policy.min_w[first]), int(policy.min_w[last])
    ahead = int(state.served[last] - state.served[first])
    if need > freed or ahead < freed * policy.sharing.rotate_s * 1000:
        return
    draft.share_w[[first, last]] = [need, 0]
    draft.say(np.array([first]), Why.FULL)
    draft.say(np.array([last]), Why.SWAPPED)
    budget.take(need - freed)


def _fill(
    state: ConsumerState, policy: Policy, status: ConsumerStatus, *, rows: Rows, left: Budget, draft: ShareDraft
) -> None:
    """What running loads get above their least power: steps first, then whatever is left to those that take any power."""
    more = rows[status.most_w[rows] > draft.share_w[rows]]
    if not len(more):
        return
    floor = draft.share_w[more]
    most = status.most_w[more]
    before = np.minimum(np.maximum(state.share_w[more], floor), most)
    # what they have together may stay while there is power for it; more must fit into what may rise
    had = int((before - floor).sum())
    budget = max(0, min(left.keep_w, max(had, min(left.rise_w, left.top_w))))
    fair = max_min_from(budget + int(floor.sum()), floor, most)
    step = policy.step_w[more]
    stepped = step > 0
    if stepped.any():
        fair = _round_to_steps(
            fair, floor, before, step=step, whole=_whole(fair, most, step, budget - int((fair - floor).sum()))
        )
        if had <= budget and int(fair[stepped].sum()) < int(before[stepped].sum()):
            fair[stepped] = before[stepped]  # a fairer division is no reason to take steps back that fit
        elif stepped.all():
            _use_up(
                fair,
                most,
                step,
                spare_w=budget - int((fair - floor).sum()),
                order=np.argsort(state.served[more], kind="stable"),
            )
        spare = budget - int((fair - floor)[stepped].sum())
        free = ~stepped
        fair[free] = max_min_from(spare + int(floor[free].sum()), floor[free], most[free])
    draft.share_w[more] = fair
    draft.say(more, Why.PART)
    draft.say(more[fair == most], Why.FULL)
    left.take(int((fair - floor).sum()))


def _use_up(fair: Ints, most: Ints, step: Ints, *, spare_w: int, order: Rows) -> None:
    """What the steps left over, a step to each in turn, least served first, as long as the same again is to spare."""
    for i in order.tolist():
        size = int(step[i])
        if spare_w < 2 * size or fair[i] + size > most[i]:
            continue
        fair[i] += size
        spare_w -= size


def _whole(fair: Ints, most: Ints, step: Ints, spare_w: int) -> Bools:
    """Who may take all it can: its fair part is that, and noise would come out of what others have or of what is spare."""
    full = fair == most
    sure: Bools = full & ((not full.all()) | (spare_w >= step))
    return sure


def _round_to_steps(fair: Ints, floor: Ints, before: Ints, *, step: Ints, whole: Bools) -> Ints:
    """Whole steps at most the fair part; a step up needs the same again to spare, so that noise does not step.

    Only who may take all it can (`whole`) needs nothing beyond it.
    """
    safe = np.where(step > 0, step, 1)
    down = floor + (fair - floor) // safe * safe
    up = floor + np.maximum(0, fair - floor - safe) // safe * safe
    chosen = np.where((down <= before) | whole, down, np.maximum(up, np.minimum(before, down)))
    return np.where(step > 0, chosen, fair)
