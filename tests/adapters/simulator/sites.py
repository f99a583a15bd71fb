"""Plans for the tests of the demo room: a small mill written out here, and the example plan."""

from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import cache
from itertools import pairwise

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.simulator.run import plan_path
from meterd.adapters.simulator.site import Sent, Simulator
from meterd.core.model.periods import to_ms
from meterd.core.model.plan import Board, Consumer, Input, Instrument, Point, PointState, Role, Site, Source

JUNE = to_ms(datetime(2026, 6, 10, 6, tzinfo=UTC))  # a Wednesday, 8 o'clock in Vienna
FITTED = to_ms(datetime(2024, 1, 1, tzinfo=UTC))
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000

POINTS = (
    Point("t1", "north", Role.FEED, rating_a=910.0),
    Point("t2", "north", Role.FEED, rating_a=910.0),
    Point("genset", "north", Role.BACKUP, rating_a=250.0),
    Point("pv-roof", "north", Role.PV, rating_a=200.0),
    Point("bakery-ovens", "north", Role.FEEDER, rating_a=200.0),
    Point("cold-store", "north", Role.FEEDER, rating_a=125.0),
    Point("riser", "north", Role.FEEDER, rating_a=250.0),
    Point("workshops", "north", Role.FEEDER, rating_a=125.0),
    Point("print-shop", "north", Role.FEEDER, state=PointState.FITTED, rating_a=100.0),
    Point("studio-1", "north", Role.SUB, "riser", rating_a=25.0),
    Point("studio-2", "north", Role.SUB, "riser", rating_a=25.0),
    Point("pv-studio", "north", Role.PV, "riser", rating_a=16.0),
    Point("unknown-1", "north", Role.FEEDER),
)
CONSUMERS = (Consumer("heater-1", "studio-1", max_w=1500, min_w=1500, alone=False), Consumer("free", None, max_w=9000))


def instrument(point: str, **changed: object) -> Instrument:
    """A class B meter of Wh with a six-digit kWh register."""
    plain = Instrument(point, FITTED, meter_class="B", register_max_wh=Fraction(10**9), resolution_wh=Fraction(1))
    return replace(plain, **changed)  # type: ignore[arg-type]


def mill(**changed: object) -> Site:
    """The small mill, with a JSON topic of import, export and power for every point."""
    inputs = []
    for point in POINTS:
        for register, pointer, unit in (("1.8.0", "/imp", "Wh"), ("2.8.0", "/exp", "Wh"), ("16.7.0", "/w", "W")):
            inputs.append(Input(point.name, register, "net", f"m/{point.name}", pointer, unit, time_field="/t"))
    site = Site(
        "mill",
        "Europe/Vienna",
        boards=(Board("north", rating_kva=630.0),),
        points=POINTS,
        instruments=tuple(instrument(point.name) for point in POINTS),
        inputs=tuple(inputs),
        sources=(Source("net", "mqtt"),),
        consumers=CONSUMERS,
    )
    return replace(site, **changed)  # type: ignore[arg-type]


@cache
def harrow_mill() -> Site:
    """The example plan of the project."""
    return load_plan(plan_path()).site


def messages(simulator: Simulator, until_ms: int) -> dict[str, list[bytes]]:
    """What was sent, by topic."""
    results: dict[str, list[bytes]] = {}
    for topic, payload in simulator.step(until_ms):
        results.setdefault(topic, []).append(payload)
    return results


def in_steps(simulator: Simulator, moments: list[int]) -> list[Sent]:
    """All messages of a simulation that is stepped to each of the moments in turn."""
    return [sent for until_ms in moments for sent in simulator.step(until_ms)]


def rises(values: list[int]) -> list[int]:
    """Differences of neighbours."""
    return [b - a for a, b in pairwise(values)]
