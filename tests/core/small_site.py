"""A small site whose registers a test counts up."""

from zoneinfo import ZoneInfo

from meterd.core.engine import State, begin
from meterd.core.model.plan import Board, Input, Limits, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading

QUARTER, MINUTE = 900_000, 60_000
T0 = 1_774_735_200_000  # 2026-03-28 22:00 UTC
CHANNELS = [("t1", IMPORT), ("t1", EXPORT), ("q1", IMPORT), ("q2", IMPORT)]
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north"),),
    points=(
        Point("t1", "north", Role.FEED),
        Point("q1", "north", Role.FEEDER),
        Point("q2", "north", Role.FEEDER),
    ),
    inputs=tuple(Input(p, r, "s", f"{p}/{r}") for p, r in [*CHANNELS, ("t1", POWER)]),
    limits=Limits(gap_exact_s=900),
)


def fresh(closed_to: int | None = None) -> State:
    return begin(SITE, ZoneInfo("Europe/Vienna"), closed_to)


def reading(
    channel: tuple[str, str], minute: float, value: float, *, device_time: bool = True, old: bool = False
) -> Reading:
    shown = value if channel[1] == POWER else int(value * 1000)
    at = T0 + round(minute * MINUTE)
    return Reading(*channel, at, shown, at, device_time, old)


def counting(minutes: range, wh_a_minute: int = 10) -> list[Reading]:
    """The feed counts what its two feeders count together, nothing is exported."""
    shares = {("t1", IMPORT): 2, ("t1", EXPORT): 0, ("q1", IMPORT): 1, ("q2", IMPORT): 1}
    return [reading(c, m, m * wh_a_minute * share) for m in minutes for c, share in shares.items()]
