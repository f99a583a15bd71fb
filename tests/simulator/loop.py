"""A site in a closed loop with its controllers, sample by sample: PV, base load, on/off loads, delay, faults.

Independent of the code under test but for the policy that is called once a sample. Powers in W. One sample is 10 s; a
decision of sample t acts at sample t + 1 + d. The day is half a sine of 6 hours (short, so that the tests are, and steeper
than any real one) with 150 kW at noon; the cloudy one lets a quarter of the light through while a cloud passes.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from meterd.core.model.plan import Consumer, Limits, Sharing, Site
from meterd.core.sharing.allocation import AllocationState, Decisions, Draws, Inputs, allocate, begin, policy_of
from meterd.core.sharing.consumers import Policy

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SAMPLE_S = 10
HOUR = 360  # samples
QUARTER = HOUR // 4
HOURS = 6  # of light; a quarter of an hour of night before and after
NIGHT = HOUR // 4
LOAD_W = 1_500
PEAK_W = 150_000
MEAN = 30.0  # samples that a cloud takes to pass, and the next one to come, on average
CLOUD = 0.25  # light under it
START_MS = 1_780_000_000_000


def clear_day(hours: int = HOURS) -> Ints:
    """Half a sine."""
    hour = np.arange(-NIGHT, hours * HOUR + NIGHT) / HOUR
    return np.rint(PEAK_W * np.maximum(0.0, np.sin(np.pi * hour / hours)) * (hour > 0) * (hour < hours)).astype(
        np.int64
    )


def sky(seed: int = 7, hours: int = HOURS) -> "npt.NDArray[np.float64]":
    """Light of a day with passing clouds, 1 or CLOUD: five minutes on average, and as much between them."""
    rng = np.random.default_rng(seed)
    light, t = np.ones(hours * HOUR + 2 * NIGHT), 0
    while t < len(light):
        gap, cloud = rng.exponential(MEAN, 2)
        light[t + round(gap) : t + round(gap) + round(cloud)] = CLOUD
        t += round(gap) + max(1, round(cloud))
    return light


def cloudy_day(seed: int = 7, hours: int = HOURS) -> Ints:
    """The clear day under that sky; an edge of a cloud takes 30 s."""
    edges = np.convolve(np.pad(sky(seed, hours), (2, 0), mode="edge"), np.full(3, 1 / 3), mode="valid")
    return np.rint(clear_day(hours) * edges).astype(np.int64)


@dataclass(slots=True)
class World:
    """The loads with their own minimum times and the delay of the loop. `powers` is what each draws when it runs."""

    powers: Ints
    delay: int
    min_on: int = 0  # samples
    min_off: int = 0
    on: Bools = field(init=False)
    since: Ints = field(init=False)
    waiting: list[Ints] = field(init=False)
    switches: Ints = field(init=False)

    def __post_init__(self) -> None:
        count = len(self.powers)
        self.on = np.zeros(count, dtype=np.bool_)
        self.since = np.full(count, -(10**6), dtype=np.int64)
        self.waiting = [np.zeros(count, dtype=np.int64)] * self.delay
        self.switches = np.zeros(count, dtype=np.int64)

    def draw(self) -> Ints:
        """What each load draws now, (n,)."""
        return np.where(self.on, self.powers, 0)

    def command(self, share_w: Ints, t: int) -> None:
        """Shares decided at sample t; those of d samples ago act now, within the minimum times of the controllers."""
        self.waiting.append(share_w)
        wanted = self.waiting.pop(0) >= self.powers
        held = t - self.since < np.where(self.on, self.min_on, self.min_off)
        turned = (wanted != self.on) & ~held
        self.on = np.where(turned, wanted, self.on)
        self.since = np.where(turned, t, self.since)
        self.switches += turned


Chooser = Callable[[int, Ints, Ints, World], Ints]  # t, PV and base so far, world -> shares


@dataclass(frozen=True, slots=True)
class Day:
    """What came of a day. `used` is the part of the usable PV (what base and all loads could take) that was used."""

    used: float
    import_kwh: float  # beyond what the base would have imported anyway
    import_max_w: int
    switches: float  # per load
    flexible_w: Ints
    import_w: Ints
    energy_wh: Ints  # per load


def run(choose: Chooser, world: World, pv: Ints, base: Ints | None = None) -> Day:
    """Let a chooser work for a day."""
    base = np.zeros_like(pv) if base is None else base
    flexible = np.zeros(len(pv), dtype=np.int64)
    energy = np.zeros(len(world.powers), dtype=np.int64)
    for t in range(len(pv)):
        draw = world.draw()
        flexible[t] = draw.sum()
        energy += draw
        world.command(choose(t, pv, base, world), t)
    load = base + flexible
    usable = np.minimum(pv, base + int(world.powers.sum()))
    imported = np.maximum(0, load - pv) - np.maximum(0, base - pv)
    return Day(
        used=float(np.minimum(pv, load).sum() / usable.sum()),
        import_kwh=float(imported.sum()) * SAMPLE_S / 3.6e6,
        import_max_w=int(imported.max()),
        switches=float(world.switches.mean()),
        flexible_w=flexible,
        import_w=imported,
        energy_wh=energy * SAMPLE_S // 3600,
    )


# -- the policies of the table in checks.md ----------------------------------------------------------------------------


def threshold(t: int, pv: Ints, base: Ints, world: World) -> Ints:
    """One surplus for all: each starts when a load's worth is exported, and stops when something is imported."""
    export = int(pv[t] - base[t] - world.draw().sum())
    if export > LOAD_W:
        return world.powers
    return np.zeros_like(world.powers) if export < 0 else np.where(world.on, world.powers, 0)


def coordinator(lag: int = 0) -> Chooser:
    """As many loads as fit, at once; with `lag` its own load is added back from so many samples before."""
    drawn = [0] * (lag + 1)

    def choose(t: int, pv: Ints, base: Ints, world: World) -> Ints:
        drawn.append(int(world.draw().sum()))
        drawn.pop(0)
        room = int(pv[t] - base[t] - world.draw().sum()) + drawn[0]
        fits = np.cumsum(world.powers) <= room
        return np.where(fits, world.powers, 0)

    return choose


# -- the code under test -----------------------------------------------------------------------------------------------


def site(
    count: int, *, sharing: Sharing, min_on_s: int = 0, min_off_s: int = 0, contracted_w: int | None = None
) -> Site:
    """On/off loads of 1.5 kW without anything else."""
    width = len(str(count))
    consumers = tuple(
        Consumer(
            f"room-{i + 1:0{width}d}",
            min_w=LOAD_W,
            max_w=LOAD_W,
            step_w=LOAD_W,
            min_on_s=min_on_s,
            min_off_s=min_off_s,
        )
        for i in range(count)
    )
    return Site("mill", "UTC", consumers=consumers, sharing=sharing, limits=Limits(contracted_w=contracted_w))


@dataclass(slots=True)
class Shared:
    """The allocation as a chooser, with what may go wrong around it, each given as samples [from, until).

    `lag` breaks the same-time rule on purpose. `stale` freezes the PV meter, `down` stops the daemon (the last shares go on
    until their validity ends, a new daemon then starts from nothing), `cut` is an outage of the broker: no readings come
    in, no shares go out; `backup` has the backup supply carry the site.
    """

    policy: Policy
    lag: int = 0
    measured: bool = True
    stale: tuple[int, int] = (0, 0)
    down: tuple[int, int] = (0, 0)
    cut: tuple[int, int] = (0, 0)
    backup: tuple[int, int] = (0, 0)
    state: AllocationState = field(init=False)
    decisions: list[Decisions] = field(default_factory=list)
    shown: Ints = field(init=False)
    shown_at: int = 0
    draws: list[Ints] = field(default_factory=list)
    imported: list[int] = field(default_factory=list)  # W, of the running quarter hour

    def __post_init__(self) -> None:
        self.state = begin(self.policy)
        self.shown = np.zeros(len(self.policy.names), dtype=np.int64)

    def __call__(self, t: int, pv: Ints, base: Ints, world: World) -> Ints:
        self.draws.append(world.draw())
        if _in(t, self.down):
            if t == self.down[1] - 1:
                self.state = begin(self.policy)
            return self._last(t)
        now_ms = START_MS + t * SAMPLE_S * 1000
        draw = self.draws[max(0, t - self.lag)]
        measured = np.full(len(draw), self.measured)
        self.state, decisions = allocate(
            self.state, self._inputs(t, pv, base, world, now_ms), Draws(draw, measured), self.policy, now_ms
        )
        self.decisions.append(decisions)
        if _in(t, self.cut):
            return self._last(t)
        self.shown, self.shown_at = decisions.shares_w, t
        return self.shown

    def _inputs(self, t: int, pv: Ints, base: Ints, world: World, now_ms: int) -> Inputs:
        export = int(pv[t] - base[t] - world.draw().sum())
        stale = _in(t, self.stale)
        if _in(t, self.cut):
            return Inputs(START_MS + self.cut[0] * SAMPLE_S * 1000, None, None, reason="no readings from the broker")
        expected, into_ms = self._projected(t, export)
        return Inputs(
            now_ms,
            export_w=export,
            expected_w=expected,
            into_ms=into_ms,
            # the rule of `surplus`: older than its validity is not "now"; until then the dead value still counts
            production_w=int(pv[self.stale[0]]) if stale and t - self.stale[0] <= 6 else None if stale else int(pv[t]),
            backup=_in(t, self.backup),
            reason="no power of the PV meter" if stale else "",
        )

    def _projected(self, t: int, export: int) -> tuple[int, int]:
        """Mean import of the quarter hour if this draw goes on, in W, and how much of it is over, in ms."""
        if t % QUARTER == 0:
            self.imported.clear()
        self.imported.append(max(0, -export))
        over = t % QUARTER + 1
        return (sum(self.imported) + self.imported[-1] * (QUARTER - over)) // QUARTER, over * SAMPLE_S * 1000

    def _last(self, t: int) -> Ints:
        """What a controller does without a new message: its share while it is valid, then its fallback of zero."""
        valid = (t - self.shown_at) * SAMPLE_S <= 120
        return self.shown if valid else np.zeros_like(self.shown)


def _in(t: int, span: tuple[int, int]) -> bool:
    return span[0] <= t < span[1]


def shared(count: int, delay: int, *, min_on_s: int = 0, min_off_s: int = 0, **faults: object) -> tuple[Shared, World]:
    """The allocation and its world at matching settings; `contracted_w` beside the faults of `Shared`."""
    sharing = faults.pop("sharing", None) or Sharing(mode="on", delay_samples=delay, sample_s=SAMPLE_S)
    assert isinstance(sharing, Sharing)
    contracted_w = faults.pop("contracted_w", None)
    assert contracted_w is None or isinstance(contracted_w, int)
    plan = site(count, sharing=sharing, min_on_s=min_on_s, min_off_s=min_off_s, contracted_w=contracted_w)
    powers = np.full(count, LOAD_W, dtype=np.int64)
    world = World(powers, delay, min_on_s // SAMPLE_S, min_off_s // SAMPLE_S)
    return Shared(policy_of(plan), **faults), world  # type: ignore[arg-type]
