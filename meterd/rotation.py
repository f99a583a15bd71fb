"""Who gets how much of the room: priority classes, rotation of loads that are on or off, max-min fair for the rest."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from meterd.apportion import max_min, max_min_from
from meterd.loads import NEVER, Bools, Ints, Known, Policy
from meterd.room import Room

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


@dataclass(slots=True)
class Plan:
    """The shares while they are being made (n,), with their reasons."""

    share_w: Ints
    why: Ints
    number: Ints

    def say(self, rows: Rows | npt.NDArray[np.bool_], why: Why, number: Ints | int = 0) -> None:
        self.why[rows] = why
        self.number[rows] = number


@dataclass(slots=True)
class Left:
    """What is left of the room for the next class."""

    keep_w: int
    rise_w: int
    top_w: int

    def take(self, power_w: int) -> None:
        self.keep_w -= power_w
        self.rise_w -= power_w
        self.top_w -= power_w


@dataclass(frozen=True, slots=True)
class Standing:
    """Which consumers may do what now, each (n,)."""

    on: Bools
    held: Bools
    may_start: Bools
    may_run: Bools


def standing(known: Known, policy: Policy, now_ms: int, plan: Plan) -> Standing:
    """Minimum times, offers withdrawn and consumers on their fallback, with their reasons noted in the plan."""
    barred = known.barred_ms != NEVER
    on = (known.share_w > 0) & ~barred
    # a clock that was set back must not make a minimum time longer than it is
    on_left = np.minimum(known.on_ms + policy.min_on_ms - now_ms, policy.min_on_ms)
    off_left = np.minimum(known.off_ms + policy.min_off_ms - now_ms, policy.min_off_ms)
    idle_left = known.retry_ms - now_ms
    # told to switch and not yet seen to: the controller may have begun its minimum time
    told = now_ms - known.told_ms < policy.sample_ms * (policy.sharing.delay_samples + 2)
    begins, ends = told & ~known.running & (policy.min_on_ms > 0), told & known.running & (policy.min_off_ms > 0)
    held = on & (known.running & (on_left > 0) | begins)
    rests = ~on & ~barred & (~known.running & (off_left > 0) | ends)
    on_left = np.where(known.running, on_left, policy.min_on_ms)
    off_left = np.where(known.running, policy.min_off_ms, off_left)
    idle = ~held & ~barred & (idle_left > 0)
    plan.share_w[barred] = policy.fallback_w[barred]
    plan.share_w[held] = policy.min_w[held]
    plan.say(idle, Why.IDLE, idle_left[idle])
    plan.say(rests, Why.RESTS, off_left[rests])
    plan.say(barred, Why.BARRED)
    plan.say(held, Why.HELD, on_left[held])
    return Standing(on, held, ~on & ~barred & ~rests & ~idle, on & ~held & ~idle)


def distribute(known: Known, policy: Policy, room: Room, now_ms: int) -> Plan:
    """Shares of all consumers for one room."""
    count = len(policy.names)
    zero = np.zeros(count, dtype=np.int64)
    plan = Plan(zero.copy(), np.full(count, int(Why.NOTHING), dtype=np.int64), zero.copy())
    now = standing(known, policy, now_ms, plan)
    left = Left(room.keep_w, room.rise_w, room.top_w)
    # a load inside its minimum is base, whatever its class: nobody else can have its power
    left.take(int(plan.share_w[now.held].sum()))
    for rows in policy.classes:
        _share_class(known, policy, now, rows, left, plan)
    return plan


def _share_class(known: Known, policy: Policy, now: Standing, rows: Rows, left: Left, plan: Plan) -> None:
    """One priority class. What it gets is taken from what is left; the held ones have been."""
    switched = rows[policy.min_w[rows] > 0]
    smooth = rows[(policy.min_w[rows] == 0) & (now.may_run | now.may_start)[rows]]
    part = left.keep_w if not len(smooth) else _part_of_switched(known, policy, now, switched, smooth, left.keep_w)
    _switch(known, policy, now, switched, part, left, plan)
    running = switched[(plan.share_w[switched] > 0) & (plan.why[switched] != Why.BARRED)]
    _fill(known, policy, np.concatenate((running, smooth)), left, plan)


def _part_of_switched(known: Known, policy: Policy, now: Standing, switched: Rows, smooth: Rows, keep_w: int) -> int:
    """Beside loads that take any power, those that are on or off get the sum of their fair parts.

    Where that is less than one of them needs, the least served may run all the same while it has had less than the others.
    """
    able = switched[(now.may_run | now.may_start)[switched]]
    if not len(able):
        return 0
    fair = max_min(max(0, keep_w), policy.max_w[np.concatenate((able, smooth))])
    part = int(fair[: len(able)].sum())
    first = able[int(np.argmin(known.served[able]))]
    need = int(policy.min_w[first])
    if part < need <= keep_w and known.served[first] < known.served[smooth].min():
        return need
    return part


def _switch(known: Known, policy: Policy, now: Standing, rows: Rows, part_w: int, left: Left, plan: Plan) -> None:
    """Decide which loads of a class run, at their least power and within their part: running ones stay, least served first."""
    running, waiting = rows[now.may_run[rows]], rows[now.may_start[rows]]
    running = running[np.argsort(known.served[running], kind="stable")]
    # one that still runs, in its own minimum on time, costs no switching
    waiting = waiting[np.lexsort((known.served[waiting], ~known.running[waiting]))]
    kept = _fitting(policy.min_w[running], part_w)
    stay, cut = running[kept], running[~kept]
    spent = int(policy.min_w[stay].sum())
    plan.share_w[stay] = policy.min_w[stay]
    plan.say(stay, Why.FULL)
    left.take(spent)
    plan.say(cut, Why.CUT, max(0, left.keep_w))
    band = policy.dead_band_w
    free = min(part_w - spent, left.rise_w - band, left.top_w) if not len(cut) else 0
    started = _fitting(policy.min_w[waiting], free)
    start, wait = waiting[started], waiting[~started]
    plan.share_w[start] = policy.min_w[start]
    plan.say(start, Why.FULL)
    left.take(int(policy.min_w[start].sum()))
    by_ramp = left.top_w < left.rise_w - band
    plan.say(wait, Why.RAMP if by_ramp else Why.NO_ROOM, max(0, left.top_w if by_ramp else left.rise_w))
    if len(wait) and len(stay) and not len(start) and not len(cut):
        _swap(known, policy, stay, wait, left, plan)


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


def _swap(known: Known, policy: Policy, stay: Rows, wait: Rows, left: Left, plan: Plan) -> None:
    """One waiting load takes over from a running one of at least its power that has had much longer.

    One that then must stay on needs the dead band to spare, as at any start: at sunset it would be the last to run.
    """
    first, last = wait[0], stay[-1]
    if policy.min_on_ms[first] > 0 and left.rise_w < policy.dead_band_w:
        return
    need, freed = int(policy.min_w[first]), int(policy.min_w[last])
    ahead = int(known.served[last] - known.served[first])
    if need > freed or ahead < freed * policy.sharing.rotate_s * 1000:
        return
    plan.share_w[[first, last]] = [need, 0]
    plan.say(np.array([first]), Why.FULL)
    plan.say(np.array([last]), Why.SWAPPED)
    left.take(need - freed)


def _fill(known: Known, policy: Policy, rows: Rows, left: Left, plan: Plan) -> None:
    """What running loads get above their least power: steps first, then whatever is left to those that take any power."""
    more = rows[policy.max_w[rows] > plan.share_w[rows]]
    if not len(more):
        return
    floor = plan.share_w[more]
    before = np.minimum(np.maximum(known.share_w[more], floor), policy.max_w[more])
    # what they have together may stay while there is room for it; more must fit into what may rise
    had = int((before - floor).sum())
    budget = max(0, min(left.keep_w, max(had, min(left.rise_w, left.top_w))))
    most = policy.max_w[more]
    fair = max_min_from(budget + int(floor.sum()), floor, most)
    step = policy.step_w[more]
    stepped = step > 0
    if stepped.any():
        fair = _round_to_steps(fair, floor, before, step, _whole(fair, most, step, budget - int((fair - floor).sum())))
        if had <= budget and int(fair[stepped].sum()) < int(before[stepped].sum()):
            fair[stepped] = before[stepped]  # a fairer division is no reason to take steps back that fit
        elif stepped.all():
            _use_up(fair, most, step, budget - int((fair - floor).sum()), np.argsort(known.served[more], kind="stable"))
        spare = budget - int((fair - floor)[stepped].sum())
        free = ~stepped
        fair[free] = max_min_from(spare + int(floor[free].sum()), floor[free], most[free])
    plan.share_w[more] = fair
    plan.say(more, Why.PART)
    plan.say(more[fair == most], Why.FULL)
    left.take(int((fair - floor).sum()))


def _use_up(fair: Ints, most: Ints, step: Ints, spare_w: int, order: Rows) -> None:
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


def _round_to_steps(fair: Ints, floor: Ints, before: Ints, step: Ints, whole: Bools) -> Ints:
    """Whole steps at most the fair part; a step up needs the same again to spare, so that noise does not step.

    Only who may take all it can (`whole`) needs nothing beyond it.
    """
    safe = np.where(step > 0, step, 1)
    down = floor + (fair - floor) // safe * safe
    up = floor + np.maximum(0, fair - floor - safe) // safe * safe
    chosen = np.where((down <= before) | whole, down, np.maximum(up, np.minimum(before, down)))
    return np.where(step > 0, chosen, fair)
