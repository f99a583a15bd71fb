"""Snapshots for tests: a small site with everything a row can need, in one regular state, to be changed by `replace`."""

from dataclasses import replace

from meterd.core.model.demand import DemandOutlook
from meterd.core.model.finding import Finding
from meterd.core.model.forecast import Course, Quantity, SiteForecast
from meterd.core.model.plan import Board, Input, Limits, Point, Role, Site
from meterd.core.model.reading import REGISTERS, Quality
from meterd.core.model.surplus_level import SurplusLevel
from meterd.core.topics.table import BoardNow, Now, PowerNow, PvNow, Snapshot, SurplusNow

NOW_MS = 1_790_000_100_000  # 100 s into a quarter hour of September 2026
QUARTER_MS = 900_000
START_MS = NOW_MS - NOW_MS % QUARTER_MS

POINTS = (
    Point("t1", "main", Role.FEED),
    Point("t2", "main", Role.FEED),
    Point("pv1", "main", Role.PV),
    Point("q01", "main", Role.FEEDER),
)


def site(registers: tuple[str, ...] = tuple(REGISTERS), points: tuple[Point, ...] = POINTS, **limits: int) -> Site:
    """Harrow Mill with one board of two transformers, every register read at every point."""
    inputs = tuple(Input(point.name, register, "broker", "x") for point in points for register in registers)
    board = Board("main", nominal_v=400.0, rating_kva=630.0)
    return Site("mill", "Europe/Berlin", boards=(board,), points=points, inputs=inputs, limits=Limits(**limits))


def board(start_ms: int, **changed: object) -> BoardNow:
    """A balance that is inside its band."""
    fields: dict[str, object] = {
        "feed_mwh": 25_000_123,
        "outgoing_mwh": 24_900_000,
        "residual_mwh": 100_123,
        "band_mwh": 250_000,
        "verdict": "inside",
        "covered": 4,
        "of": 4,
    }
    return BoardNow("main", start_ms, start_ms + QUARTER_MS, **(fields | changed))  # type: ignore[arg-type]


def snapshot(plan: Site | None = None, now_ms: int = NOW_MS, findings: tuple[Finding, ...] = ()) -> Snapshot:
    """Every register has a value of one second ago, every balance closes."""
    plan = plan or site()
    at_ms = now_ms - 1000
    now = {(i.point, i.register): Now(100.0, at_ms) for i in plan.inputs}
    counters = {key: Now(1234.567, at_ms) for key in now if REGISTERS[key[1]].cumulative}
    instant = {key: value for key, value in now.items() if not REGISTERS[key[1]].cumulative}
    sums = {name: PowerNow(value, now_ms - 2000, Quality.GOOD) for name, value in SUMS.items()}
    start_ms = now_ms - now_ms % QUARTER_MS
    day = PvNow(start_ms - 40 * QUARTER_MS, start_ms, 500_000, 100_000, 400_000, 0.8, 1 / 3)
    day = replace(day, import_mwh=800_000, consumption_mwh=1_200_000)
    surplus = SurplusNow(1500.25, at_ms, Quality.GOOD, "connection")
    running, closed = {"main": board(start_ms)}, {"main": board(start_ms - QUARTER_MS)}
    courses = tuple(
        (quantity, Course((watt - 9,) * 192, (watt,) * 192, (watt + 9,) * 192)) for quantity, watt in AHEAD.items()
    )
    forecast = SiteForecast(start_ms, QUARTER_MS, False, 60, courses)
    picture = Snapshot(plan, now_ms, instant, counters, closed, running, day, surplus, findings=findings, **sums)
    outlook = DemandOutlook(now_ms, 350.0, 400.0, 500.0, forecast=True)
    return replace(picture, forecast=forecast, surplus_level=SurplusLevel.SOME, demand_outlook=outlook)


AHEAD = {Quantity.PV: 8000, Quantity.LOAD: 7000, Quantity.SURPLUS: 1000}  # W
SUMS: dict[str, float] = {
    "draw": -1500.25,
    "production": 9000.0,
    "load": 7499.75,
    "self_use": 7499.75,
    "demand": 300.0,
    "demand_projection": 450.0,
}
