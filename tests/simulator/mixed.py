"""A hundred unlike loads in a closed loop at one second: on/off heaters, stepped chargers, heat pumps, each with its own delay.

Independent of the code under test but for the policy that is called once a sample of 10 s. Powers in W. Each load follows
its share after its own delay and within its own minimum times; some cannot take anything (`absent`), some do as they like
(`wild`). Clouds have sharp edges: half a sine with two states of light, five minutes each on average, edges of 8 s.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.run import plan_path
from meterd.core.model.plan import Consumer, Sharing, Site
from meterd.core.sharing.allocation import AllocationState, Decisions, Draws, Inputs, allocate, begin, policy_of
from meterd.core.sharing.consumers import Policy
from tests.simulator.loop import CLOUD, START_MS, Bools, Ints

SAMPLE_S = 10
MEAN_S = 300.0  # that a cloud takes to pass, and the next one to come
EDGE_S = 8
HEATER, CHARGER, PUMP = 0, 1, 2


def clouds(hours: float, peak_w: int, seed: int = 3, mean_s: float = MEAN_S) -> Ints:
    """PV of the middle hours of a day of 12, second by second."""
    rng, count = np.random.default_rng(seed), int(hours * 3600)
    light, t = np.ones(count + EDGE_S), 0
    while t < len(light):
        gap, cloud = rng.exponential(mean_s, 2)
        light[t + round(gap) : t + round(gap) + max(1, round(cloud))] = CLOUD
        t += round(gap) + max(1, round(cloud))
    edges = np.convolve(light, np.full(EDGE_S, 1 / EDGE_S), mode="valid")[:count]
    hour = 6 - hours / 2 + np.arange(count) / 3600
    return np.rint(peak_w * np.sin(np.pi * hour / 12) * edges).astype(np.int64)


@dataclass(frozen=True, slots=True)
class Fleet:
    """Columns (n,) of the loads. `kind` HEATER, CHARGER or PUMP; times in s."""

    kind: Ints
    min_w: Ints
    max_w: Ints
    step_w: Ints
    min_on: Ints
    min_off: Ints
    delay: Ints
    absent: Bools
    wild: Bools

    def site(self, sharing: Sharing) -> Site:
        """The plan of these loads."""
        columns = zip(self.min_w, self.max_w, self.step_w, self.min_on, self.min_off, strict=True)
        consumers = tuple(
            Consumer(
                f"load-{i:03d}",
                min_w=int(a),
                max_w=int(b),
                step_w=int(c),
                min_on_s=int(d),
                min_off_s=int(e),
            )
            for i, (a, b, c, d, e) in enumerate(columns)
        )
        return Site("mill", "UTC", consumers=consumers, sharing=sharing)


def mixed(seed: int = 1) -> Fleet:
    """50 heaters of 1.5 kW, 25 chargers of 1.4 to 7 kW in steps of 700 W, 25 heat pumps of 3 kW with 10 and 5 min; two
    heaters ignore their shares."""
    rng = np.random.default_rng(seed)
    kind = np.array([HEATER] * 50 + [CHARGER] * 25 + [PUMP] * 25)
    rng.shuffle(kind)

    def of(heater: int, charger: int, pump: int) -> Ints:
        return np.array([heater, charger, pump], dtype=np.int64)[kind]

    wild = np.zeros(100, dtype=np.bool_)
    wild[np.flatnonzero(kind == HEATER)[:2]] = True
    return Fleet(
        kind=kind,
        min_w=of(1500, 1400, 3000),
        max_w=of(1500, 7000, 3000),
        step_w=of(1500, 700, 3000),
        min_on=of(0, 0, 600),
        min_off=of(0, 0, 300),
        delay=rng.integers(1, 91, 100),
        absent=np.zeros(100, dtype=np.bool_),
        wild=wild,
    )


def row_of_heaters(count: int, absent: int, *, delay_s: int = 20, seed: int = 1) -> Fleet:
    """Heaters of 1.5 kW of which some cannot take anything, anywhere in the row."""
    away = np.zeros(count, dtype=np.bool_)
    away[np.random.default_rng(seed).permutation(count)[:absent]] = True
    whole, zero = np.full(count, 1500, dtype=np.int64), np.zeros(count, dtype=np.int64)
    delay = np.full(count, delay_s, dtype=np.int64)
    return Fleet(zero, whole, whole, whole, zero, zero, delay, away, np.zeros(count, dtype=np.bool_))


def fleet_of(site: Site, absent: Callable[[Consumer], bool] = lambda _: False, *, delay_s: int = 20) -> Fleet:
    """The loads of a plan."""
    names = ("min_w", "max_w", "step_w", "min_on_s", "min_off_s")
    low, most, step, on, off = (np.array([getattr(c, n) for c in site.consumers], dtype=np.int64) for n in names)
    away = np.array([absent(c) for c in site.consumers])
    zero = np.zeros(len(low), dtype=np.int64)
    return Fleet(
        zero, low, most, np.maximum(step, 1), on, off, zero + delay_s, away, np.zeros(len(low), dtype=np.bool_)
    )


def other_loads(seconds: int, count: int, seed: int = 5) -> Ints:
    """What else is drawn at the point of each load [T, n]: 50 to 500 W, and now and then 2 kW for some minutes."""
    rng = np.random.default_rng(seed)
    result = np.repeat(rng.integers(50, 500, (seconds // 600 + 1, count)), 600, axis=0)[:seconds]
    for i in range(count):
        for first in rng.integers(0, seconds, max(1, seconds // 3600)):
            result[first : first + int(rng.integers(120, 360)), i] += 2_000
    return result


@dataclass(slots=True)
class World:
    """The loads, second by second."""

    fleet: Fleet
    draw: Ints = field(init=False)
    since: Ints = field(init=False)
    switches: Ints = field(init=False)
    shares: Ints = field(init=False)  # of the last seconds, each in the row of its second modulo their number
    rows: Ints = field(init=False)

    def __post_init__(self) -> None:
        count = len(self.fleet.kind)
        self.rows = np.arange(count)
        self.draw = np.zeros(count, dtype=np.int64)
        self.since = np.full(count, -(10**6), dtype=np.int64)
        self.switches = np.zeros(count, dtype=np.int64)
        self.shares = np.zeros((int(self.fleet.delay.max()) + 1, count), dtype=np.int64)

    def second(self, t: int, share_w: Ints) -> Ints:
        """What is drawn in second t; `share_w` is what is published then."""
        fleet = self.fleet
        self.shares[t % len(self.shares)] = share_w
        heard = self.shares[np.maximum(t - fleet.delay, 0) % len(self.shares), self.rows]
        steps = np.minimum(heard, fleet.max_w)
        wanted = np.where(heard >= fleet.min_w, fleet.min_w + (steps - fleet.min_w) // fleet.step_w * fleet.step_w, 0)
        wanted = np.where(fleet.wild, fleet.max_w, np.where(fleet.absent, 0, wanted))
        on, then = self.draw > 0, wanted > 0
        held = (on != then) & (t - self.since < np.where(on, fleet.min_on, fleet.min_off))
        turned = (on != then) & ~held
        self.since = np.where(turned, t, self.since)
        self.switches += turned
        self.draw = np.where(held, np.where(on, fleet.min_w, 0), wanted)
        return self.draw


@dataclass(frozen=True, slots=True)
class Run:
    """What came of it. `used` is of the usable PV, `late` the same for one that follows perfectly, so many seconds late."""

    used: float
    import_kwh: float
    import_share: float
    switches: Ints  # per load
    offers: Ints  # per load: how often its share began
    hours: float
    power_w: Ints
    decisions: list[Decisions]


def usable(pv: Ints, base: "int | Ints", fleet: Fleet) -> Ints:
    """What base and the willing loads could take."""
    return np.minimum(pv, base + int(fleet.max_w[~fleet.absent].sum()))


def late_follower(pv: Ints, base: int, fleet: Fleet, late_s: int) -> float:
    """Part of the usable PV that is used by one who sets all loads to the PV of so many seconds ago, to the watt."""
    seen = np.concatenate((np.full(late_s, pv[0]), pv))[: len(pv)]
    load = np.maximum(base, usable(seen, base, fleet))
    return float(np.minimum(pv, load).sum() / usable(pv, base, fleet).sum())


def whole_follower(
    pv: Ints, base: int, fleet: Fleet, late_s: int, *, step_w: int = 1_500, spare: int = 1
) -> tuple[float, float]:
    """The same, and the kWh of import, of one who knows all loads but has what every policy has by design: whole loads, one
    decision a sample, and a start only with another load to spare (`spare` 0: with none)."""
    load, most = 0, int(fleet.max_w[~fleet.absent].sum())
    asked = np.zeros(len(pv), dtype=np.int64)
    for t in range(0, len(pv), SAMPLE_S):
        room = int(pv[t]) - base
        if room < load:
            load = max(0, room // step_w * step_w)
        elif room >= load + (1 + spare) * step_w:
            load = min(most, (room - spare * step_w) // step_w * step_w)
        asked[t : t + SAMPLE_S] = load
    power = base + np.concatenate((np.full(late_s, asked[0]), asked))[: len(pv)]
    used = float(np.minimum(pv, power).sum() / usable(pv, base, fleet).sum())
    return used, float(np.maximum(0, power - np.maximum(pv, base)).sum()) / 3.6e6


def instant_switchings(pv: Ints, base: int, fleet: Fleet) -> float:
    """Switchings of a heater and hour by a follower that knows each sample in its instant and serves all loads alike."""
    heaters = (fleet.kind == HEATER) & ~fleet.wild & ~fleet.absent
    given = np.minimum(np.maximum(pv[::SAMPLE_S] - base, 0) / fleet.max_w.sum(), 1.0)
    running = np.floor(given * heaters.sum() + 1e-9)
    return float(np.abs(np.diff(running)).sum() / heaters.sum() / (len(pv) / 3600))


def play(
    fleet: Fleet,
    sharing: Sharing,
    pv: Ints,
    *,
    base: int = 5_000,
    reported: bool = False,
    site: Site | None = None,
    unmeasured: Bools | None = None,
    others: Ints | None = None,
) -> Run:
    """The allocation with these loads. `reported`: the absent ones say so. `site`: a plan that has them. `others` [T, n]: at the
    points of those that are not measured, which measure all together.
    """
    policy: Policy = policy_of(site or fleet.site(sharing))
    state: AllocationState = begin(policy)
    world = World(fleet)
    count = len(fleet.kind)
    share, offers = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    power = np.zeros(len(pv), dtype=np.int64)
    decisions: list[Decisions] = []
    drawn: list[Ints] = []
    measured = np.ones(count, dtype=np.bool_) if unmeasured is None else ~unmeasured
    able = np.where(fleet.absent, 0, fleet.max_w) if reported else None
    for t in range(len(pv)):
        draw = world.second(t, share)
        power[t] = base + draw.sum() + (0 if others is None else others[t].sum())
        if t % SAMPLE_S == 0:
            now_ms = START_MS + t * 1000
            inputs = Inputs(now_ms, int(pv[t] - power[t]), int(pv[t]))
            draws = Draws(draw, measured) if able is None else replace(Draws(draw, measured), able_w=able)
            if others is not None:
                drawn.append(draw + others[t])
                draws = replace(draws, most_w=np.max(drawn[-4:], axis=0))
            state, result = allocate(state, inputs, draws, policy, now_ms)
            offers += (share == 0) & (result.shares_w > 0)
            share = result.shares_w
            decisions.append(result)
    could = usable(pv, base + (0 if others is None else others.sum(axis=1)), fleet)
    imported = np.maximum(0, power - np.maximum(pv, base + (0 if others is None else others.sum(axis=1))))
    return Run(
        used=float(np.minimum(pv, power).sum() / could.sum()),
        import_kwh=float(imported.sum()) / 3.6e6,
        import_share=float(imported.sum() / could.sum()),
        switches=world.switches,
        offers=offers,
        hours=len(pv) / 3600,
        power_w=power,
        decisions=decisions,
    )


def _line(name: str, fleet: Fleet, run: Run, pv: Ints, base: int = 5_000) -> str:
    heaters = (fleet.kind == HEATER) & ~fleet.wild & ~fleet.absent
    tries = f"{run.offers[fleet.absent].mean() / run.hours:.2f}" if fleet.absent.any() else "-"
    late = int(fleet.delay.mean()) + SAMPLE_S // 2  # as the loop: the delay of the loads and the age of a decision
    alike = not fleet.kind.any()
    used, imported = whole_follower(pv, base, fleet, late - SAMPLE_S // 2) if alike else (0.0, 0.0)
    whole = (f"{100 * used:.1f}", f"{imported:.1f}") if alike else ("-", "-")
    followers = [100 * late_follower(pv, base, fleet, s) for s in (late, 55)]
    return (
        f"| {name} | {100 * run.used:.1f} | {whole[0]} | {followers[0]:.1f} | {followers[1]:.1f} "
        f"| {run.import_kwh:.1f} | {whole[1]} | {run.switches[heaters].mean() / run.hours:.1f} | {tries} |"
    )


HEAD = """
| loads | PV used % | whole loads % | as late as the loop % | 55 s late % | import kWh | whole loads | switchings, h | tries, h |
|---|---|---|---|---|---|---|---|---|"""


def study() -> None:
    """The long form: five hours each, ten minutes in all."""
    print(HEAD)
    sharing = Sharing(mode="on")
    for mean_s in (1e9, MEAN_S):
        for absent, reported in ((0, False), (5, False), (5, True), (15, False), (15, True), (30, False), (30, True)):
            fleet, pv = row_of_heaters(45, absent), clouds(5, 60_000, mean_s=mean_s)
            name = f"45, {absent} absent{', told' if reported else ''}, {'clear' if mean_s > 1e6 else 'clouds'}"
            print(_line(name, fleet, play(fleet, sharing, pv, reported=reported), pv), flush=True)
        for absent, among in ((0, False), (0, True), (15, False), (15, True), (30, False), (30, True)):
            fleet, pv = row_of_heaters(45, absent), clouds(5, 60_000, mean_s=mean_s)
            name = f"45 {'among other loads' if among else 'without a meter'}, {absent} absent"
            others = other_loads(len(pv), 45) if among else None
            run = play(fleet, sharing, pv, unmeasured=np.ones(45, dtype=np.bool_), others=others)
            print(_line(f"{name}, {'clear' if mean_s > 1e6 else 'clouds'}", fleet, run, pv), flush=True)
    for mean_s, peak_w in ((60, 250_000), (120, 150_000), (120, 250_000), (120, 350_000), (300, 250_000)):
        fleet, pv = mixed(), clouds(5, peak_w, mean_s=mean_s)
        name = f"100 mixed, clouds of {mean_s} s, {peak_w // 1000} kW"
        knows = f"(a follower that knows the instant: {instant_switchings(pv, 5_000, fleet):.1f} switchings)"
        print(_line(name, fleet, play(fleet, sharing, pv), pv), knows, flush=True)
    _shipped_plan()


def _shipped_plan() -> None:
    """Three hours of 110 kW to give and no car at the chargers, beside the same plan without chargers."""
    print(
        "\n| shipped plan | PV used % | import kWh | switchings of all, h | offers to the chargers, h |\n|---|---|---|---|---|"
    )
    base, pv = 30_000, np.full(3 * 3600, 140_000, dtype=np.int64)

    def no_car(consumer: Consumer) -> bool:
        return consumer.name == "ev-charging"

    cases = (
        ("cars", False, False, True),
        ("no car", True, False, True),
        ("no car, told", True, True, True),
        ("without chargers", False, False, False),
    )
    for name, absent, reported, chargers in cases:
        site = load_plan(plan_path()).site
        if not chargers:
            site = replace(site, consumers=tuple(c for c in site.consumers if not no_car(c)))
        fleet = fleet_of(site, no_car if absent else lambda _: False)
        unmeasured = np.array([not c.alone for c in site.consumers])
        run = play(fleet, site.sharing, pv, base=base, reported=reported, site=site, unmeasured=unmeasured)
        tries = f"{run.offers[fleet.absent].sum() / run.hours:.1f}" if absent else "-"
        print(
            f"| {name} | {100 * run.used:.1f} | {run.import_kwh:.1f} | {run.switches.sum() / run.hours:.0f} | {tries} |",
            flush=True,
        )


if __name__ == "__main__":
    study()
