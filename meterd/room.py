"""How much may be handed out at one moment, and why not more."""

from dataclasses import dataclass, replace

from meterd.loads import Policy
from meterd.pv_ahead import NOTHING_SEEN, Ahead, Seen, forget_step, look_ahead
from meterd.reading import Quality

PATIENCE = 3  # samples without a new picture before the shares begin to sink: one may be lost, one may be late
SIGN_STEP_W = 500.0  # smaller changes from sample to sample say nothing about the sign: noise of meters
SIGN_PROOF = 8.0  # squared large steps, in units of ten SIGN_STEP_W, that make a verdict
SIGN_LIMIT = -0.5  # half way between the slope of a right sign (-1) and of none
SIGN_FADE = 0.999  # per sample: what was wired an hour or three ago counts less


@dataclass(frozen=True, slots=True)
class Inputs:
    """Powers of one moment in W, rounded, each None where it is not known.

    `export_w` is signed (negative = import); `expected_w` the projected mean of the running quarter hour, which began
    `into_ms` ago. `backup` means that the backup supply carries the site, `dark` that the mains have no voltage. `reason`
    says why something is missing.
    """

    at_ms: int
    export_w: int | None
    production_w: int | None
    expected_w: int | None = None
    into_ms: int = 0
    backup: bool = False
    dark: bool = False
    reason: str = ""

    @property
    def valid(self) -> bool:
        """Whether a surplus can be told from it."""
        return self.export_w is not None and self.production_w is not None


@dataclass(frozen=True, slots=True)
class Load:
    """The flexible load of one moment in W.

    `flexible_w` is what the consumers draw of their shares, of which `unsure_w` may not have begun; `handed_w` the sum of
    their shares so far; `measured_w` what is measured of it. `moving` means that shares of consumers that are not
    measured have just changed.
    """

    flexible_w: int
    unsure_w: int
    handed_w: int
    measured_w: int
    moving: bool


@dataclass(frozen=True, slots=True)
class Sign:
    """Sums of products of changes from sample to sample: of PV less flexible load (x), and of the draw (y)."""

    xx: float = 0.0
    xy: float = 0.0
    before: tuple[int, int] | None = None

    @property
    def slope(self) -> float | None:
        """W of draw per W of PV; about -1 when both are counted as the drawing says, None while too little has moved."""
        return self.xy / self.xx if self.xx >= SIGN_PROOF * (10 * SIGN_STEP_W) ** 2 else None

    @property
    def wrong(self) -> bool:
        """Whether the draw does not fall when PV rises: the sign of one of them is wrong."""
        return self.slope is not None and self.slope > SIGN_LIMIT


def follow_sign(sign: Sign, inputs: Inputs, load: Load) -> Sign:
    """Take in one moment. The flexible load moves with PV on purpose, so what is measured of it is taken out of both.

    While shares of consumers that are not measured change, nothing can be said.
    """
    if inputs.export_w is None or inputs.production_w is None or inputs.backup or inputs.dark or load.moving:
        return replace(sign, before=None)
    x, y = inputs.production_w - load.measured_w, -inputs.export_w
    if sign.before is None:
        return replace(sign, before=(x, y))
    dx, dy = x - sign.before[0], y - sign.before[1]
    if abs(dx) < SIGN_STEP_W:
        return replace(sign, before=(x, y))
    return Sign(sign.xx * SIGN_FADE + dx * dx, sign.xy * SIGN_FADE + dx * dy, (x, y))


@dataclass(frozen=True, slots=True)
class Past:
    """What is known of earlier rooms.

    `before_w` is the room of the valid sample before, `ceiling_w` the last valid one, found at `valid_ms`. `credit_w` is how
    much the shares may rise now; `staged_ms` when a release after an outage began, None = none. `shut` means that there
    was no supply or no picture for so long that everything went to zero.
    """

    before_w: int | None = None
    ceiling_w: int = 0
    valid_ms: int | None = None
    credit_w: int = 0
    last_ms: int | None = None
    staged_ms: int | None = None
    shut: bool = False
    sign: Sign = Sign()
    seen: Seen = NOTHING_SEEN


@dataclass(frozen=True, slots=True)
class Room:
    """What may be handed out in W.

    What runs may keep `keep_w`; after something started or rose it may be `rise_w` (has stood for two samples, or PV rose)
    and `top_w` (the ramp, for which `ramp` is the word).
    """

    keep_w: int
    rise_w: int
    top_w: int
    state: Quality
    reason: str
    ramp: str = ""


def room(past: Past, inputs: Inputs, load: Load, policy: Policy, now_ms: int) -> tuple[Past, Room]:
    """The power for all consumers together, from the picture of one moment."""
    past, ahead = _ahead(replace(past, sign=follow_sign(past.sign, inputs, load)), inputs, load, policy)
    keep, state, reason = _keep(past, inputs, _Flow(load.flexible_w, ahead.change_w), policy, now_ms)
    fresh = state is Quality.GOOD and not inputs.backup and not inputs.dark
    rise = keep if inputs.backup else min(keep, load.handed_w)
    if fresh:
        rise = keep if past.before_w is None else min(keep, past.before_w + ahead.rose_w + max(0, ahead.change_w))
        sure = keep - max(0, ahead.change_w)  # what is still to come is not there yet
        past = replace(past, before_w=sure, ceiling_w=max(0, sure), valid_ms=inputs.at_ms)
    elsewhere = inputs.backup or inputs.dark or (state is Quality.INVALID and past.valid_ms is not None)
    if elsewhere:
        past = replace(past, shut=True, before_w=None, staged_ms=None)
    elif past.shut and fresh:
        past = replace(past, shut=False, staged_ms=now_ms)
    past, top, ramp = _ramp(past, load.handed_w, policy, now_ms)
    return past, Room(keep, rise - load.unsure_w, top, state, reason, ramp)


@dataclass(frozen=True, slots=True)
class _Flow:
    flexible_w: int
    ahead_w: int


def _ahead(past: Past, inputs: Inputs, load: Load, policy: Policy) -> tuple[Past, Ahead]:
    """While shares of consumers that are not measured move, or the mains are gone, no change can be told from them."""
    if inputs.export_w is None or inputs.production_w is None or inputs.backup or inputs.dark or load.moving:
        return replace(past, seen=forget_step(past.seen)), Ahead()
    surplus = inputs.export_w + load.flexible_w
    seen, ahead = look_ahead(past.seen, inputs.production_w, surplus_w=surplus, at_ms=inputs.at_ms, policy=policy)
    return replace(past, seen=seen), ahead


def _keep(past: Past, inputs: Inputs, flow: _Flow, policy: Policy, now_ms: int) -> tuple[int, Quality, str]:
    if inputs.dark:
        return 0, Quality.GOOD, "no supply"
    if inputs.backup:
        return policy.sharing.backup_budget_w, Quality.GOOD, "on backup supply"
    if past.sign.wrong:
        slope = past.sign.slope
        words = f"the draw does not fall when PV rises (slope {slope:.2f} instead of -1): a sign is wrong, nothing is shared"
        return 0, Quality.INVALID, words
    if not inputs.valid or now_ms - inputs.at_ms > PATIENCE * policy.sample_ms:
        return _sinking(past, inputs, flow.flexible_w, policy, now_ms)
    assert inputs.export_w is not None
    assert inputs.production_w is not None
    now = min(inputs.export_w + flow.flexible_w, max(inputs.production_w, 0)) - policy.sharing.reserve_w
    surplus, words = now + flow.ahead_w, ""
    if flow.ahead_w < 0:
        words = f"{-flow.ahead_w} W less PV expected"
    contract = contract_room(inputs, policy)
    if contract is not None and flow.flexible_w + contract < surplus:
        return max(0, flow.flexible_w + contract), Quality.GOOD, "contracted power"
    return max(0, surplus), Quality.GOOD, words


def _sinking(past: Past, inputs: Inputs, flexible_w: int, policy: Policy, now_ms: int) -> tuple[int, Quality, str]:
    """Without a picture the last room sinks to zero within the validity; what the connection still shows bounds it."""
    reason = inputs.reason or f"no powers of one moment for {(now_ms - inputs.at_ms) // 1000} s"
    if past.valid_ms is None:
        return 0, Quality.INVALID, reason
    late = now_ms - past.valid_ms - PATIENCE * policy.sample_ms
    left = max(0, policy.validity_ms - max(0, late))
    keep = past.ceiling_w * left // policy.validity_ms
    if inputs.export_w is not None and now_ms - inputs.at_ms <= PATIENCE * policy.sample_ms:
        keep = min(keep, max(0, inputs.export_w + flexible_w))
    return keep, Quality.ESTIMATED if left else Quality.INVALID, reason


def contract_room(inputs: Inputs, policy: Policy) -> int | None:
    """W that may be added now so that the mean of the quarter hour stays within the contract, or None.

    Contracted power less projected mean, spread over what is left of the interval, but never to an import above the
    contract itself: what the end of one interval could make up for would be the beginning of the next. The dead band is
    kept free, for what the base load does while a share is on its way.
    """
    if policy.contracted_w is None or inputs.expected_w is None or inputs.export_w is None:
        return None
    left = max(policy.interval_ms - inputs.into_ms, policy.sample_ms)
    mean = (policy.contracted_w - inputs.expected_w) * policy.interval_ms // left
    return min(mean, policy.contracted_w + inputs.export_w) - policy.dead_band_w


def _ramp(past: Past, handed_w: int, policy: Policy, now_ms: int) -> tuple[Past, int, str]:
    """The sum of shares that may be reached now: what is handed out plus the credit that has grown since the last rise."""
    sharing = policy.sharing
    rate, why = policy.ramp_w_per_s, "up-ramp"
    if past.staged_ms is not None:
        if now_ms - past.staged_ms >= sharing.release_s * 1000:
            past = replace(past, staged_ms=None)
        else:
            whole = int(policy.max_w.sum())
            rate, why = min(rate, max(1, whole // sharing.release_s)), "staged release after an outage"
    # a ramp saves up what a load was too large for, so that slow ramps start loads too
    most = rate * sharing.sample_s + policy.dead_band_w
    elapsed = policy.sample_ms if past.last_ms is None else min(max(now_ms - past.last_ms, 0), 60_000)
    credit = min(past.credit_w + rate * elapsed // 1000, most)
    return replace(past, credit_w=credit, last_ms=now_ms), handed_w + credit, why


def spend(past: Past, handed_w: int, now_handed_w: int) -> Past:
    """After a decision: a rise uses up its credit."""
    return replace(past, credit_w=max(0, past.credit_w - max(0, now_handed_w - handed_w)))
