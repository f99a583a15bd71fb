"""How much may be shared at one moment, and why not more."""

from dataclasses import dataclass, replace

from meterd.core.model.reading import Quality
from meterd.core.sharing.consumers import Policy
from meterd.core.sharing.pv_forecast import NO_HISTORY, PvForecast, PvHistory, forget_step, updated_forecast

SETTLE_S = 120  # what has stood for so long is taken for the sun and not for a gap between two clouds
LASTS_S = 30  # beside loads in steps, which follow clouds, one that is on or off starts with what has lasted so long
PATIENCE = 3  # samples without a new snapshot before the shares begin to sink: one may be lost, one may be late
LOOK_MS = 2000  # a decision and its way to the broker: what must be zero at a moment is decided before
SIGN_STEP_W = 500.0  # smaller changes from sample to sample say nothing about the sign: noise of meters
SIGN_PROOF = 8.0  # squared large steps, in units of ten SIGN_STEP_W, that make a verdict
SIGN_LIMIT = -0.5  # half way between the slope of a right sign (-1) and of none
SIGN_FADE = 0.999  # per sample: what was wired an hour or three ago counts less


@dataclass(frozen=True, slots=True)
class Inputs:
    """Powers of one moment in W, rounded, each None where it is not known.

    `export_w` is signed (negative = import); `expected_w` the projected mean of the running quarter hour, which began
    `into_ms` ago. `backup` means that the backup supply carries the site, `dark` that the mains have no voltage. `reason`
    says why something is missing. `every_ms` is the period of the slowest meter in it (0 = not known), `limit_ms` how old
    the powers may be (0 = as long as the plan believes them).
    """

    at_ms: int
    export_w: int | None
    production_w: int | None
    expected_w: int | None = None
    into_ms: int = 0
    backup: bool = False
    dark: bool = False
    reason: str = ""
    every_ms: int = 0
    limit_ms: int = 0

    @property
    def valid(self) -> bool:
        """Whether a surplus can be determined from it."""
        return self.export_w is not None and self.production_w is not None


@dataclass(frozen=True, slots=True)
class Load:
    """The flexible load of one moment in W.

    `flexible_w` is what the consumers draw of their shares, of which `unsure_w` may not have begun; `handed_w` the sum of
    their shares so far; `measured_w` what is measured of it, of the consumers in the mask `measured`. `moving` means that
    shares of consumers that are not measured have just changed.
    """

    flexible_w: int
    unsure_w: int
    handed_w: int
    measured_w: int
    measured: bytes
    moving: bool


@dataclass(frozen=True, slots=True)
class SignCheck:
    """Sums of products of changes from sample to sample: of PV less flexible load (x), and of the draw (y).

    `before` is the last sample, with the mask of the consumers whose load is in x.
    """

    xx: float = 0.0
    xy: float = 0.0
    before: tuple[int, int, bytes] | None = None

    @property
    def slope(self) -> float | None:
        """W of draw per W of PV; about -1 when both are counted as the drawing says, None while too little has moved."""
        return self.xy / self.xx if self.xx >= SIGN_PROOF * (10 * SIGN_STEP_W) ** 2 else None

    @property
    def wrong(self) -> bool:
        """Whether the draw does not fall when PV rises: the sign of one of them is wrong."""
        return self.slope is not None and self.slope > SIGN_LIMIT


def follow_sign(sign_check: SignCheck, inputs: Inputs, load: Load) -> SignCheck:
    """Take in one moment. The flexible load moves with PV on purpose, so what is measured of it is taken out of both.

    While shares of consumers that are not measured change, nothing can be said, nor from a sample with a load measured that
    was not in the one before: a meter that sends less often than the sample comes and goes, and x would step by its load.
    """
    if inputs.export_w is None or inputs.production_w is None or inputs.backup or inputs.dark or load.moving:
        return replace(sign_check, before=None)
    x, y = inputs.production_w - load.measured_w, -inputs.export_w
    before, now = sign_check.before, (x, y, load.measured)
    if before is None or before[2] != load.measured or abs(x - before[0]) < SIGN_STEP_W:
        return replace(sign_check, before=now)
    dx, dy = x - before[0], y - before[1]
    return SignCheck(sign_check.xx * SIGN_FADE + dx * dx, sign_check.xy * SIGN_FADE + dx * dy, now)


@dataclass(frozen=True, slots=True)
class PreviousState:
    """What is known of earlier samples.

    `before_w` is the available power of the valid sample before, `ceiling_w` the last valid one, found at `valid_ms`.
    `credit_w` is how much the shares may rise now; `staged_ms` when a release after an outage began, None = none.
    `newest_w` are those of the last `SETTLE_S`. `shut` means that there was no supply or no snapshot for so long that
    everything went to zero.
    """

    before_w: int | None = None
    ceiling_w: int = 0
    valid_ms: int | None = None
    credit_w: int = 0
    last_ms: int | None = None
    staged_ms: int | None = None
    shut: bool = False
    sign_check: SignCheck = SignCheck()
    history: PvHistory = NO_HISTORY
    newest_w: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class AvailablePower:
    """What may be shared in W.

    What runs may keep `keep_w`, of which `lasted_w` has been there for `LASTS_S` and `stood_w` for `SETTLE_S`; after
    something started or rose it may be `rise_w` (has stood for two samples, or PV rose) and `top_w` (the ramp, for which
    `ramp` is the word). `shed`: the mains do not carry the site, and no minimum time holds.
    """

    keep_w: int
    rise_w: int
    top_w: int
    state: Quality
    reason: str
    ramp: str = ""
    shed: bool = False
    lasted_w: int = 0
    stood_w: int = 0


def available_power(
    previous: PreviousState, inputs: Inputs, load: Load, policy: Policy, now_ms: int
) -> tuple[PreviousState, AvailablePower]:
    """The power for all consumers together, from the snapshot of one moment."""
    history, forecast = _ahead(previous.history, inputs, load, policy)
    previous = replace(previous, sign_check=follow_sign(previous.sign_check, inputs, load), history=history)
    keep, state, reason = _keep(
        previous, inputs, _Flow(load.flexible_w, forecast.change_w), policy=policy, now_ms=now_ms
    )
    shed = inputs.backup or inputs.dark
    fresh = state is Quality.GOOD and not shed
    rise = keep if inputs.backup else min(keep, load.handed_w)
    if fresh:
        rise = (
            keep
            if previous.before_w is None
            else min(keep, previous.before_w + forecast.rose_w + max(0, forecast.change_w))
        )
        sure = keep - max(0, forecast.change_w)  # what is still to come is not there yet
        newest = (*previous.newest_w, sure)[-max(1, SETTLE_S // policy.sharing.sample_s) :]
        previous = replace(previous, before_w=sure, ceiling_w=max(0, sure), valid_ms=inputs.at_ms, newest_w=newest)
    if shed or (state is Quality.INVALID and previous.valid_ms is not None):
        # nothing of before comes back: a backup meter that falls silent must not bring up what the mains had
        previous = replace(previous, shut=True, before_w=None, ceiling_w=0, staged_ms=None, newest_w=())
    elif previous.shut and fresh:
        previous = replace(previous, shut=False, staged_ms=now_ms)
    previous, top, ramp = _ramp(previous, load.handed_w, policy, now_ms)
    lasted = min((rise, *previous.newest_w[-max(1, LASTS_S // policy.sharing.sample_s) :])) - load.unsure_w
    stood = min((rise, *previous.newest_w)) - load.unsure_w
    return previous, AvailablePower(
        keep,
        rise - load.unsure_w,
        top,
        state=state,
        reason=reason,
        ramp=ramp,
        shed=shed,
        lasted_w=lasted,
        stood_w=stood,
    )


@dataclass(frozen=True, slots=True)
class _Flow:
    flexible_w: int
    ahead_w: int


def _ahead(history: PvHistory, inputs: Inputs, load: Load, policy: Policy) -> tuple[PvHistory, PvForecast]:
    """While shares of consumers that are not measured move, or the mains are gone, no change can be determined from them."""
    if inputs.export_w is None or inputs.production_w is None or inputs.backup or inputs.dark or load.moving:
        return forget_step(history), PvForecast()
    surplus = inputs.export_w + load.flexible_w
    return updated_forecast(history, inputs.production_w, surplus_w=surplus, at_ms=inputs.at_ms, policy=policy)


def _keep(
    previous: PreviousState, inputs: Inputs, flow: _Flow, *, policy: Policy, now_ms: int
) -> tuple[int, Quality, str]:
    if inputs.backup:  # looked at first: then the mains are dark as well
        return policy.sharing.backup_budget_w, Quality.GOOD, "on backup supply"
    if inputs.dark:
        return 0, Quality.GOOD, "no supply"
    if previous.sign_check.wrong:
        slope = previous.sign_check.slope
        text = f"the draw does not fall when PV rises (slope {slope:.2f} instead of -1): a sign is wrong, nothing is shared"
        return 0, Quality.INVALID, text
    if not inputs.valid or now_ms - inputs.at_ms > patience_ms(inputs, policy):
        return _sinking(previous, inputs, flow.flexible_w, policy=policy, now_ms=now_ms)
    assert inputs.export_w is not None
    assert inputs.production_w is not None
    now = min(inputs.export_w + flow.flexible_w, max(inputs.production_w, 0)) - policy.sharing.reserve_w
    surplus, text = now + flow.ahead_w, ""
    if flow.ahead_w < 0:
        text = f"{-flow.ahead_w} W less PV expected"
    contract = contract_headroom(inputs, policy)
    if contract is not None and flow.flexible_w + contract < surplus:
        return max(0, flow.flexible_w + contract), Quality.GOOD, "contracted power"
    return max(0, surplus), Quality.GOOD, text


def patience_ms(inputs: Inputs, policy: Policy) -> int:
    """How old a snapshot may be before the shares begin to sink; a meter that sends less often is not late before its time."""
    return min(max(PATIENCE * policy.sample_ms, inputs.every_ms * 5 // 4), sunk_ms(inputs, policy))


def sunk_ms(inputs: Inputs, policy: Policy) -> int:
    """How old the last snapshot may be at most while anything is shared: as long as its powers are believed, less a look."""
    limit_ms = max(policy.validity_ms, inputs.limit_ms)
    return limit_ms - min(LOOK_MS, limit_ms // 10)


def _sinking(
    previous: PreviousState, inputs: Inputs, flexible_w: int, *, policy: Policy, now_ms: int
) -> tuple[int, Quality, str]:
    """Without a snapshot the available power sinks to zero within the validity; what the connection shows bounds it."""
    reason = inputs.reason or f"no powers of one moment for {(now_ms - inputs.at_ms) // 1000} s"
    if previous.valid_ms is None:
        return 0, Quality.INVALID, reason
    patience, end = patience_ms(inputs, policy), sunk_ms(inputs, policy)
    left = max(0, end - max(now_ms - previous.valid_ms, patience))
    keep = previous.ceiling_w * left // max(1, end - patience)
    if inputs.export_w is not None and now_ms - inputs.at_ms <= patience:
        keep = min(keep, max(0, inputs.export_w + flexible_w))
    return keep, Quality.ESTIMATED if left else Quality.INVALID, reason


def contract_headroom(inputs: Inputs, policy: Policy) -> int | None:
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


def _ramp(previous: PreviousState, handed_w: int, policy: Policy, now_ms: int) -> tuple[PreviousState, int, str]:
    """The sum of shares that may be reached now: what is shared plus the credit that has grown since the last rise."""
    sharing = policy.sharing
    rate, why = policy.ramp_w_per_s, "up-ramp"
    if previous.staged_ms is not None:
        if now_ms - previous.staged_ms >= sharing.release_s * 1000:
            previous = replace(previous, staged_ms=None)
        else:
            whole = int(policy.max_w.sum())
            rate, why = min(rate, max(1, whole // sharing.release_s)), "staged release after an outage"
    # a ramp saves up what a load was too large for, so that slow ramps start loads too
    most = rate * sharing.sample_s + policy.dead_band_w
    elapsed = policy.sample_ms if previous.last_ms is None else min(max(now_ms - previous.last_ms, 0), 60_000)
    credit = min(previous.credit_w + rate * elapsed // 1000, most)
    return replace(previous, credit_w=credit, last_ms=now_ms), handed_w + credit, why


def spend(previous: PreviousState, handed_w: int, now_handed_w: int) -> PreviousState:
    """After a decision: a rise uses up its credit."""
    if now_handed_w <= handed_w:
        return previous
    return replace(previous, credit_w=max(0, previous.credit_w - (now_handed_w - handed_w)))
