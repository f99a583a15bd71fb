"""A block of offices and flats, of another make than the sites the watch was made with: minutes, seasons, loads without a meter.

The true power is drawn minute by minute: work hours with a lunch break, evenings of many small appliances, a cold store that
switches, cooling that stands still in winter. Registers are read every minute, every five or every fifteen. A load without
a meter is added to the feed alone.
"""

from collections.abc import Callable

import numpy as np

from meterd.core.balance.topology import network
from meterd.core.model.plan import Board, Instrument, Point, Role, Site
from tests.simulator.drift_sites import BEGIN, Floats, Simulated, Wander, ar1, measured

MINUTES = 1440
USUAL = Wander()
RATING = {"main": 400.0, "offices": 125.0, "flats": 100.0, "servers": 40.0, "kitchen": 63.0, "cold-store": 40.0} | {
    "lighting": 40.0,
    "cooling": 125.0,
}
RESOLUTION = {"main": 100_000.0}  # mWh; the others 10 Wh


def block_site(step_s: int = 900) -> Site:
    """The plan: one feed of class 0.5S, seven feeders of class 1."""
    feed = "main"
    points = tuple(Point(n, "house", Role.FEED if n == feed else Role.FEEDER, rating_a=a) for n, a in RATING.items())
    instruments = tuple(
        Instrument(n, 0, meter_class="0.5S" if n == feed else "1", ct_class="0.5" if n == feed else "1", ct_primary_a=a)
        for n, a in RATING.items()
    )
    board = Board("house", rating_kva=250.0)
    return Site("block", "Europe/Berlin", boards=(board,), points=points, instruments=instruments, interval_s=step_s)


def _ramp(hour: Floats, low: float, high: float, width: float = 0.5) -> Floats:
    """1 between two hours of the day, rising and falling within `width` hours."""
    return np.clip((hour - low) / width + 0.5, 0, 1) * np.clip((high - hour) / width + 0.5, 0, 1)


def _daily(generator: np.random.Generator, days: int, scatter: float) -> Floats:
    """A factor for every minute that changes from day to day."""
    return np.repeat(np.clip(1 + scatter * generator.standard_normal(days), 0.3, 2.0), MINUTES)


def _switched(generator: np.random.Generator, count: int, on: float, off: float) -> Floats:
    """0 and 1 in turn, each for a time that scatters by a fifth; `on` and `off` in minutes."""
    turns = int(2.5 * count / (on + off)) + 8
    lengths = np.tile([on, off], turns) * np.clip(1 + 0.2 * generator.standard_normal(2 * turns), 0.3, 2.0)
    edges = np.cumsum(lengths) - generator.uniform(0, on + off)
    return (np.searchsorted(edges, np.arange(count)) % 2 == 0).astype(np.float64)


def _appliances(generator: np.random.Generator, expected: Floats) -> Floats:
    """Sum of many appliances of 0.2 to 3 kW that run for 2 to 40 minutes, with that expected power in kW."""
    mean_kw, mean_minutes = 1.2, 15.0
    starts = generator.poisson(expected / (mean_kw * mean_minutes))
    at = np.repeat(np.arange(len(expected)), starts)
    power = generator.uniform(0.2, 2.2, len(at))
    until = np.minimum(at + generator.integers(2, 29, len(at)), len(expected) - 1)
    change = np.bincount(at, power, len(expected)) - np.bincount(until, power, len(expected))
    return np.cumsum(change)


def true_power(generator: np.random.Generator, days: int, *, begin_day: int = 0) -> dict[str, Floats]:
    """kW of every feeder, minute by minute, from day `begin_day` of the year on."""
    count = days * MINUTES
    minute = np.arange(count)
    hour, day = minute % MINUTES / 60, begin_day + minute // MINUTES
    work = (day % 7 < 5).astype(np.float64)
    busy = work * (_ramp(hour, 7.5, 17.5, 1.5) - 0.25 * _ramp(hour, 12, 13, 0.5)) * _daily(generator, days, 0.08)
    offices = 4 + 32 * busy * (1 + 0.06 * ar1(generator, count, 20.0)) + _appliances(generator, 3 * busy + 0.05)
    evening = _ramp(hour, 6.5, 8.5, 1) + 2.2 * _ramp(hour, 17, 22.5, 2) + 0.6 * (1 - work) * _ramp(hour, 9, 17, 2)
    flats = 4 + _appliances(generator, (2 + 7 * evening) * _daily(generator, days, 0.08))
    servers = 11 * (1 + 0.01 * ar1(generator, count, 300.0))
    meals = (_ramp(hour, 10, 13.5, 1) + 0.3 * _ramp(hour, 7, 9, 1)) * (0.3 + 0.7 * work) * _daily(generator, days, 0.15)
    kitchen = 1 + _appliances(generator, 18 * meals + 0.02)
    cold = 1 + 7 * _switched(generator, count, 14.0, 22.0)
    dark = 1 - _ramp(hour, 8, 16.5 + 2 * np.sin(2 * np.pi * (day - 80) / 365), 2)
    lighting = 1 + 8 * dark * _ramp(hour, 5.5, 23, 1) * _daily(generator, days, 0.03)
    warm = (
        12
        - 11 * np.cos(2 * np.pi * (day - 20) / 365)
        + _daily(generator, days, 1.0) * 0
        + 4 * np.repeat(ar1(generator, days, 3.0), MINUTES)
        - 5 * np.cos(2 * np.pi * (hour - 3) / 24)
    )
    need = np.clip((warm - 21) / 10, 0, 1)
    running = (ar1(generator, count, 12.0) < 2 * need - 1 + 0.3 * (need > 0)) & (need > 0)
    cooling = 0.04 + (8 + 40 * need) * running * (1 + 0.02 * ar1(generator, count, 5.0))
    results = {"offices": offices, "flats": flats, "servers": servers, "kitchen": kitchen, "cold-store": cold}
    return results | {"lighting": lighting, "cooling": cooling}


def unmetered(kind: str, size_kw: float, generator: np.random.Generator, days: int, *, begin_day: int = 0) -> Floats:
    """A load without a meter, kW per minute: work, evening, night, noon, constant or cycling."""
    count = days * MINUTES
    hour, day = np.arange(count) % MINUTES / 60, begin_day + np.arange(count) // MINUTES
    work = (day % 7 < 5).astype(np.float64)
    shapes: dict[str, Callable[[], Floats]] = {
        "work": lambda: work * _ramp(hour, 8, 17, 0.5) * _daily(generator, days, 0.1),
        "evening": lambda: _ramp(hour, 17, 22.5, 1.0) * _daily(generator, days, 0.1),
        "night": lambda: (_ramp(hour, 22, 24.5, 0.3) + _ramp(hour, -1, 5, 0.3)) * _daily(generator, days, 0.1),
        "noon": lambda: _ramp(hour, 10, 14, 1.0) * _daily(generator, days, 0.1),
        "constant": lambda: np.ones(count),
        "cycling": lambda: 2 * _switched(generator, count, 20.0, 20.0),
    }
    return size_kw * shapes[kind]() * (1 + 0.03 * ar1(generator, count, 60.0))


def block(
    seed: int,
    days: int,
    size: Wander = USUAL,
    *,
    step_s: int = 900,
    begin_day: int = 0,
    kind: str = "",
    size_kw: float = 0.0,
    from_day: int = 0,
    until_day: int | None = None,
) -> Simulated:
    """The block for some days, if wanted with a load without a meter of a `kind` (see `unmetered`) from a day until a day."""
    generator = np.random.default_rng(seed)
    power = true_power(generator, days, begin_day=begin_day)
    per = step_s // 60

    def energies(kw: Floats) -> Floats:
        return kw.reshape(-1, per).mean(axis=1) * (step_s / 3600) * 1e6

    true = np.stack([energies(kw) for kw in power.values()], axis=1)
    through = true.sum(axis=1)
    full_feed = 250 * step_s / 3600 * 1e6
    loss = 0.004 * (through / full_feed) ** 2 * full_feed + 0.2 * step_s / 3600 * 1e6
    steps = MINUTES * 60 // step_s
    mean = float(through.mean())
    loss += mean * size.hours * ar1(generator, len(true), steps / 4)
    loss += mean * size.days * np.repeat(ar1(generator, days + 1, 3.0), steps)[: len(true)]
    if kind:
        more = energies(unmetered(kind, size_kw, np.random.default_rng(seed + 77_777), days, begin_day=begin_day))
        more[: from_day * steps] = 0.0
        more[days * steps if until_day is None else until_day * steps :] = 0.0
        loss += more
    every = np.column_stack([through + loss, true])
    columns = []
    for j, (name, amperes) in enumerate(RATING.items()):
        limit = 0.01 if name == "main" else 0.02
        ratio = 1 + generator.uniform(-1, 1) * limit
        full = np.sqrt(3) * 400 * amperes * step_s / 3600 * 1000
        step = RESOLUTION.get(name, 10_000.0)
        columns.append(measured(generator, every[:, j], ratio, full, limit, step, size, step_s=step_s))
    net = network(block_site(step_s), BEGIN)
    assert net.points == tuple(RATING)
    start = BEGIN + step_s * 1000 * np.arange(len(true))
    return Simulated(net, start, np.column_stack(columns))
