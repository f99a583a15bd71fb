"""The consumers of a plan as columns, what is known of them between two decisions, and how their draw is followed."""

from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt

from meterd.core.model.distinct import distinct
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Consumer, Sharing, Site

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NEVER = -(2**60)  # a moment so long ago that no minimum time reaches it
RUNNING_PART = 0.5  # a load counts as running from this part of its least power: below is stand-by of its controller


@dataclass(frozen=True, slots=True)
class Policy:
    """What does not change between two decisions: columns (n,) of the consumers in the order of the plan.

    `jump_w` is the largest step a load makes at once; `classes` are the row numbers of each priority, first served first.
    What follows from the others is determined once, not in each decision: `dead_band_w` must be to spare beyond a load
    before it starts (as set, but at least the largest single load), `ramp_w_per_s` is how fast all shares together may rise
    (as set, or all loads in half a minute, as fast as the sun comes out), from `runs_w` (n,) a load counts as running.
    """

    sharing: Sharing
    names: tuple[str, ...]
    min_w: Ints
    max_w: Ints
    step_w: Ints
    min_on_ms: Ints
    min_off_ms: Ints
    fallback_w: Ints
    jump_w: Ints
    classes: tuple[npt.NDArray[np.intp], ...]
    validity_ms: int
    interval_ms: int
    contracted_w: int | None
    dead_band_w: int = field(init=False)
    ramp_w_per_s: int = field(init=False)
    runs_w: Ints = field(init=False)

    def __post_init__(self) -> None:
        most, jump = int(self.max_w.sum()), int(self.jump_w.max(initial=0))
        object.__setattr__(self, "dead_band_w", max(self.sharing.dead_band_w, jump))
        object.__setattr__(self, "ramp_w_per_s", self.sharing.ramp_w_per_s or max(1, most // 30))
        object.__setattr__(self, "runs_w", np.rint(self.min_w * RUNNING_PART).astype(np.int64))

    @property
    def window(self) -> int:
        """Decisions whose shares may still be acting: also where the loop is three times slower than the plan says.

        A load that has lost its share and still draws would otherwise seem to be base load, which takes power from the
        next load, and so on: one slow relay would turn off the whole row (found by the closed-loop test).
        """
        return 3 * self.sharing.delay_samples + 6

    @property
    def idle_window(self) -> int:
        """Decisions for which a share must have stood before it counts as not drawn."""
        return max(1, -(-self.sharing.idle_s // self.sharing.sample_s))

    @property
    def sample_ms(self) -> int:
        """The time between two decisions."""
        return self.sharing.sample_s * 1000


def policy_of(site: Site) -> Policy:
    """The policy of a plan."""
    consumers = site.consumers
    priority = column(consumers, "priority")
    low, step = column(consumers, "min_w"), column(consumers, "step_w")
    order = [np.flatnonzero(priority == p) for p in distinct(priority)]
    return Policy(
        sharing=site.sharing,
        names=tuple(c.name for c in consumers),
        min_w=low,
        max_w=column(consumers, "max_w"),
        step_w=step,
        min_on_ms=column(consumers, "min_on_s") * 1000,
        min_off_ms=column(consumers, "min_off_s") * 1000,
        fallback_w=column(consumers, "fallback_w"),
        jump_w=np.maximum(low, step),
        classes=tuple(order),
        validity_ms=site.limits.power_max_age_s * 1000,
        interval_ms=site.interval_s * 1000,
        contracted_w=site.limits.contracted_w,
    )


def same_policy(policy: Policy, other: Policy) -> bool:
    """Whether two plans share by the same rules among the same consumers."""
    pairs = [(getattr(policy, part.name), getattr(other, part.name)) for part in fields(Policy)]
    return all(_same(a, b) for a, b in pairs)


def _same(a: object, b: object) -> bool:
    if isinstance(a, np.ndarray) and isinstance(b, np.ndarray):
        return np.array_equal(a, b)
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(map(_same, a, b))
    return a == b


def column(consumers: tuple[Consumer, ...], name: str) -> Ints:
    """One number of every consumer (n,)."""
    return np.array([getattr(c, name) for c in consumers], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class ConsumerState:
    """What is known of each consumer (n,): shares in W, moments in ms, served energy in W ms since the beginning.

    `given` holds the newest shares, newest first. A moment of NEVER means: not so.
    """

    share_w: Ints
    given: Ints
    running: Bools  # as seen, else as told
    switched_ms: Ints  # when its share last began or ended
    on_ms: Ints  # since when it runs, or first seen running
    off_ms: Ints  # since when it stands
    served: Ints
    low_ms: Ints  # since when it draws less than its share
    cap_w: Ints  # what it is offered at most, because it did not draw more
    tries: Ints  # offers beyond that in a row that it did not draw
    retry_ms: Ints  # from when it is offered a step more
    trying: Bools  # is offered that step now
    over_ms: Ints  # since when it draws more than its share
    barred_ms: Ints  # since when it is on its fallback
    calm_ms: Ints  # since when it behaves while on its fallback


def initial_state(policy: Policy) -> ConsumerState:
    """Nothing has been shared yet."""
    count = len(policy.names)
    zero, never = np.zeros(count, dtype=np.int64), np.full(count, NEVER, dtype=np.int64)
    given = np.zeros((max(policy.window, policy.idle_window), count), dtype=np.int64)
    no = np.zeros(count, dtype=np.bool_)
    return ConsumerState(
        share_w=zero,
        given=given,
        running=no,
        switched_ms=never,
        on_ms=never,
        off_ms=never,
        served=zero,
        low_ms=never,
        cap_w=policy.max_w,
        tries=zero,
        retry_ms=never,
        trying=no,
        over_ms=never,
        barred_ms=never,
        calm_ms=never,
    )


@dataclass(frozen=True, slots=True)
class Feedback:
    """Draws of one moment. `flexible_w` (n,) is what each would give back if its share fell to zero; the rest is base.

    `firm_w` is the same on the safe side: without a measurement a share that may not have arrived is not in it. `known` is
    who is measured; `seen` also who draws among other loads, and then `drawn_w` is the most of its share that it can draw.
    """

    flexible_w: Ints
    firm_w: Ints
    drawn_w: Ints
    known: Bools
    seen: Bools

    @property
    def measured_w(self) -> int:
        """What all measured consumers draw together."""
        return int(self.drawn_w[self.known].sum())


def feedback(state: ConsumerState, policy: Policy, drawn_w: Ints, measured: Bools, *, most_w: Ints) -> Feedback:
    """How much of the measured draws follows shares. `most_w`: the most that one not measured can draw, -1 = not known.

    More than any share that may still be acting is base, for a share cannot take it back. Where nothing is measured the
    share counts as drawn; of the shares that may be acting, by the delay of the plan, the largest decides what may go on
    and the least what may start. (Counting exactly the one of the plan's delay turned loads off and on where the loop was
    faster than the plan says: found by the closed-loop test.)
    """
    most, acting = state.given[: policy.window].max(axis=0), state.given[: policy.sharing.delay_samples + 1]
    among = ~measured & (most_w >= 0)
    if among.any():
        drawn_w = np.where(among, np.minimum(most_w, acting.max(axis=0)), drawn_w)
    drawn = np.where(drawn_w >= policy.runs_w, np.maximum(drawn_w, 0), 0)
    flexible = firm = np.minimum(drawn, most)
    if not measured.all():
        flexible = np.where(measured | among, flexible, acting.max(axis=0))
        firm = np.where(measured, flexible, np.minimum(flexible, acting.min(axis=0)))
    return Feedback(flexible, firm, drawn, measured, measured | among)


def follow_draws(
    state: ConsumerState, policy: Policy, back: Feedback, elapsed_ms: int, now_ms: int
) -> tuple[ConsumerState, list[Finding]]:
    """Follow who draws its share, and who more: served energy, minimum times, consumers set to their fallback."""
    state = _follow_running(replace(state, served=state.served + back.firm_w * elapsed_ms), back, now_ms)
    return _follow_overdraw(state, policy, back, now_ms)


def _follow_running(state: ConsumerState, back: Feedback, now_ms: int) -> ConsumerState:
    """Since when loads are seen to run or stand: minimum times are held by the controllers and begin when they switch.

    (Counted from the shares they ran out at another time than the controllers' own, and 67 loads went on and off together
    after a restart: found by the closed-loop test.)
    """
    now_on = np.where(back.seen, back.drawn_w > 0, state.running)
    started, ended = now_on & ~state.running, state.running & ~now_on
    if not started.any() and not ended.any():
        return state
    return replace(
        state,
        running=now_on,
        on_ms=np.where(started, now_ms, state.on_ms),
        off_ms=np.where(ended, now_ms, state.off_ms),
    )


def _follow_overdraw(
    state: ConsumerState, policy: Policy, back: Feedback, now_ms: int
) -> tuple[ConsumerState, list[Finding]]:
    """Drawing more than its share bars a consumer after some patience; keeping to it for long enough frees it again."""
    sharing = policy.sharing
    most = state.given[: policy.window].max(axis=0)
    allowed = most + np.maximum(sharing.overdraw_w, np.rint(most * sharing.overdraw_part).astype(np.int64))
    over = back.known & (back.drawn_w > allowed)
    if not over.any() and state.over_ms.max(initial=NEVER) == NEVER and state.barred_ms.max(initial=NEVER) == NEVER:
        return state, []
    over_ms = np.where(over, np.where(state.over_ms == NEVER, now_ms, state.over_ms), NEVER)
    # after a share has gone a load may finish its own minimum time; drawing more than it ever may is another matter
    too_much = back.drawn_w > policy.max_w + sharing.overdraw_w
    patience = sharing.overdraw_samples * policy.sample_ms + np.where(too_much, 0, policy.min_on_ms)
    newly = over & (now_ms - over_ms >= patience) & (state.barred_ms == NEVER)
    barred_ms = np.where(newly, now_ms, state.barred_ms)
    calm = ~over & back.known & (barred_ms != NEVER)
    calm_ms = np.where(calm, np.where(state.calm_ms == NEVER, now_ms, state.calm_ms), NEVER)
    free = calm & (now_ms - calm_ms >= sharing.recover_s * 1000)
    barred_ms, calm_ms = np.where(free, NEVER, barred_ms), np.where(free, NEVER, calm_ms)
    rows = np.flatnonzero(barred_ms != NEVER)
    findings = [_overdraw(policy, i, back, most_w=int(most[i]), since_ms=int(over_ms[i]), now_ms=now_ms) for i in rows]
    return replace(state, over_ms=over_ms, barred_ms=barred_ms, calm_ms=calm_ms), findings


def _overdraw(policy: Policy, row: np.intp, back: Feedback, *, most_w: int, since_ms: int, now_ms: int) -> Finding:
    name, drawn, fallback = policy.names[row], int(back.drawn_w[row]), int(policy.fallback_w[row])
    text = f"{name} draws {drawn} W of a share of {most_w} W"
    if since_ms == NEVER:
        text = f"{name} drew more than its share and now keeps to it"
    return Finding(
        "overdraw",
        name,
        now_ms,
        f"{text}; its share is its fallback of {fallback} W, what it draws counts as base load",
        "see whether its controller follows share/" + name + ", its minimum times and max_w in consumers.csv",
    )


def remember(state: ConsumerState, policy: Policy, back: Feedback, share_w: Ints, now_ms: int) -> ConsumerState:
    """The shares just decided become part of what is known."""
    was_on, is_on = state.share_w > 0, share_w > 0
    started, ended = is_on & ~was_on, was_on & ~is_on
    reported = started | ended
    given = np.concatenate((share_w[None, :], state.given[:-1]))
    running = np.where(back.seen, state.running, is_on)
    if not reported.any():
        return replace(state, share_w=share_w, given=given, running=running)
    guess = reported & ~back.seen  # without a measurement a load counts as doing what it is told
    return replace(
        state,
        share_w=share_w,
        given=given,
        switched_ms=np.where(reported, now_ms, state.switched_ms),
        running=running,
        on_ms=np.where(guess & started, now_ms, state.on_ms),
        off_ms=np.where(guess & ended, now_ms, state.off_ms),
    )
