"""Two sites on which the drift watch was not tuned: feeder shapes of a solved low-voltage grid, and the simulated mill.

Every instrument has a fixed error within its class, an error that changes with the current (as transformers have), a clock
a few seconds off and a register with steps. Losses and small unmetered loads wander: an AR(1) over hours and one over days.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow.parquet as pq

from meterd.adapters.simulator.history import true_history
from meterd.adapters.simulator.instruments import ratio_of
from meterd.core.balance.network_reconciliation import Intervals
from meterd.core.balance.topology import Network, network
from meterd.core.model.periods import to_ms
from meterd.core.model.plan import Board, Instrument, Point, Role, Site
from tests.example_plans import example

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DATA = Path(__file__).parents[1] / "data"
CONFIG = Path(__file__).parents[2] / "config"
QUARTER_MS, DAY = 900_000, 96
BEGIN = to_ms(datetime(2026, 1, 1, tzinfo=UTC))


@dataclass(frozen=True)
class Wander:
    """How large the changing errors are; shares of the feed's mean unless said otherwise."""

    hours: float = 0.002  # losses and unmetered loads, correlated over six hours
    days: float = 0.0005  # the same, correlated over three days
    curve: float = 0.25  # of the class limit: error that fades as the current rises from zero to a tenth of the rating
    clock_s: float = 3.0


@dataclass(frozen=True)
class Simulated:
    """A fault-free history: measured energies in mWh [T, n] for the points of a network."""

    net: Network
    start_ms: Ints
    energy: Ints
    ratios: tuple[float, ...] = ()  # what each instrument reads of the truth, column by column, where it is known

    @property
    def step_ms(self) -> int:
        """Length of an interval."""
        return int(self.start_ms[1] - self.start_ms[0])

    @property
    def per_day(self) -> int:
        """Intervals of a day."""
        return DAY * QUARTER_MS // self.step_ms

    @property
    def days(self) -> int:
        """Whole days."""
        return len(self.start_ms) // self.per_day

    def day(self, d: int, factors: dict[str, float] | None = None, extra: dict[str, Floats] | None = None) -> Intervals:
        """One day, with instruments that read `factors` of what they read before."""
        rows = slice(d * self.per_day, (d + 1) * self.per_day)
        energy = self.energy[rows].copy()
        for name, factor in (factors or {}).items():
            i = self.net.points.index(name)
            energy[:, i] = np.rint(energy[:, i] * factor)
        for name, more in (extra or {}).items():
            energy[:, self.net.points.index(name)] += np.rint(more).astype(np.int64)
        start = self.start_ms[rows]
        return Intervals(start, start + self.step_ms, energy, np.ones(energy.shape, dtype=np.bool_))


def ar1(generator: np.random.Generator, count: int, steps: float) -> Floats:
    """A stationary AR(1) series of unit variance with correlation exp(-1/steps) from one value to the next."""
    from scipy.signal import lfilter

    phi = float(np.exp(-1.0 / steps))
    noise = generator.standard_normal(count) * np.sqrt(1 - phi * phi)
    noise[0] = generator.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -phi], noise))


def wander(generator: np.random.Generator, count: int, size: Wander, mean: float) -> Floats:
    """Unexplained energy per quarter hour in the unit of `mean`."""
    daily = np.repeat(ar1(generator, count // DAY + 1, 3.0), DAY)[:count]
    return np.asarray(mean * (size.hours * ar1(generator, count, 24.0) + size.days * daily))


def measured(
    generator: np.random.Generator,
    true: Floats,
    ratio: float,
    full: float,
    limit: float,
    step: float,
    size: Wander,
    *,
    step_s: int = 900,
) -> Ints:
    """What a register counts per interval: true energies [T] in mWh with all errors of its instrument."""
    bend = size.curve * limit * generator.uniform(-1, 1)
    seen = true * (ratio + bend * np.exp(-np.abs(true) / (0.1 * full)))
    seen[:-1] += (true[1:] - true[:-1]) * (generator.normal(0, size.clock_s) / step_s)
    level = np.cumsum(seen)
    return np.diff(np.floor(level / step), prepend=0.0).astype(np.int64) * int(step)


# -- the solved grid ---------------------------------------------------------------------------------------------------

GRID_RATING = {"main": 910.0} | {
    f"feeder{i}": a for i, a in zip(range(1, 8), (160, 250, 125, 80, 50, 250, 160), strict=True)
}


def grid_site() -> Site:
    """The plan of the solved grid: one feed of class 0.5S, seven feeders of class 1, some with photovoltaics behind them."""
    points = tuple(
        Point(n, "main-board", Role.FEED if n == "main" else Role.FEEDER, rating_a=a) for n, a in GRID_RATING.items()
    )
    instruments = tuple(
        Instrument(
            n, 0, meter_class="0.5S" if n == "main" else "1", ct_class="0.5" if n == "main" else "1", ct_primary_a=a
        )
        for n, a in GRID_RATING.items()
    )
    return Site(
        "solved-grid",
        "Europe/Berlin",
        boards=(Board("main-board", rating_kva=630.0),),
        points=points,
        instruments=instruments,
    )


def grid(seed: int, days: int, size: Wander = Wander(), *, twin: bool = False) -> Simulated:
    """The solved grid for some days: days of the same week day within two weeks of the date, feeder by feeder scaled.

    With `twin` feeder 2 has the shape of feeder 1 to the last bit: a pair that no balance can tell apart.
    """
    table = pq.read_table(DATA / "siteA_main.parquet")
    power = np.stack([np.asarray(table[f"feeder{i}_p_kw"]) for i in range(1, 8)], axis=1)[: 364 * DAY].reshape(
        364, DAY, 7
    )
    generator = np.random.default_rng(seed)
    picked = (np.arange(days) + 7 * generator.integers(-2, 3, days)) % 364
    scale = 1 + 0.05 * generator.standard_normal((days, 1, 7))
    true = (power[picked] * scale).reshape(-1, 7) * 0.25e6
    if twin:
        true[:, 1] = 0.8 * true[:, 0]
    through = true.sum(axis=1)
    loss = 0.003 * (np.abs(through) / (630 * 0.25e6)) ** 2 * 630 * 0.25e6 + 0.3 * 0.25e6
    loss += wander(generator, len(true), size, float(np.abs(through).mean()))
    every = np.column_stack([through + loss, true])
    columns, ratios = [], []
    for j, (name, amperes) in enumerate(GRID_RATING.items()):
        limit = 0.01 if name == "main" else 0.02  # meter and transformer together
        ratio = 1 + generator.uniform(-1, 1) * limit
        ratios.append(ratio)
        full = np.sqrt(3) * 400 * amperes * 250
        columns.append(measured(generator, every[:, j], ratio, full, limit, 10_000.0, size))
    net = network(grid_site(), BEGIN)
    assert net.points == tuple(GRID_RATING)
    return Simulated(net, BEGIN + QUARTER_MS * np.arange(len(true)), np.column_stack(columns), tuple(ratios))


# -- the mill ----------------------------------------------------------------------------------------------------------


def mill(seed: int, days: int, size: Wander = Wander()) -> Simulated:
    """Harrow Mill as the demo simulates it, in steps of a quarter hour, with its instruments' own errors."""
    site = example("harrow-mill")
    net = network(site, BEGIN)
    rows = [[p.name for p in site.points].index(name) for name in net.points]
    blocks = true_history(site, seed, BEGIN, BEGIN + days * DAY * QUARTER_MS - 1, step_s=900)
    true = np.concatenate([block.power[rows] for block in blocks], axis=1).T * 0.25
    generator = np.random.default_rng(seed)
    for node in net.nodes:
        feed = node.through[0]
        more = wander(generator, len(true), size, float(np.abs(true[:, feed]).mean()))
        true[:, feed] += more if node.name.startswith("board") else 0.0
    columns = []
    for j, name in enumerate(net.points):
        instrument = site.instruments_of(name)[-1]
        limit = 0.01 if site.point(name).role is Role.FEED else 0.02
        full = np.sqrt(3) * 400 * (site.point(name).rating_a or 25.0) * 250
        step = float(instrument.resolution_wh or 1) * 1000
        columns.append(measured(generator, true[:, j], ratio_of(site, seed, instrument), full, limit, step, size))
    return Simulated(net, BEGIN + QUARTER_MS * np.arange(len(true)), np.column_stack(columns))


def day_by_day(simulated: Simulated, first: int = 0) -> Iterator[tuple[int, Intervals]]:
    """Days with their numbers."""
    for d in range(first, simulated.days):
        yield d, simulated.day(d)
