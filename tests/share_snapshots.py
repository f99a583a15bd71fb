"""A small site with measured rooms, and snapshots of it, for the tests of shares."""

from dataclasses import replace

from meterd.core.model.plan import Board, Consumer, Point, Role, Sharing, Site
from meterd.core.model.reading import POWER, Quality
from meterd.core.model.rounds import follow, period_ms, reach_ms
from meterd.core.model.snapshot import Now, PowerNow, Snapshot, SurplusNow

LOAD_W = 1_500
T = 1_780_000_000_000
NOTHING = PowerNow(None, T, Quality.INVALID)


def mill(rooms: int = 2, **sharing: object) -> Site:
    """A feed, PV, a backup supply and rooms with one load each, all measured."""
    points = [
        Point("t1", "north", Role.FEED),
        Point("pv", "north", Role.PV),
        Point("engine", "north", Role.BACKUP, rating_a=100.0),
        *(Point(f"room-{i:02d}", "north", Role.FEEDER) for i in range(rooms)),
    ]
    consumers = tuple(
        Consumer(f"heater-{i:02d}", f"room-{i:02d}", min_w=LOAD_W, max_w=LOAD_W, step_w=LOAD_W) for i in range(rooms)
    )
    return Site(
        "mill",
        "UTC",
        boards=(Board("north"),),
        points=tuple(points),
        consumers=consumers,
        sharing=replace(Sharing(mode="on"), **sharing),  # type: ignore[arg-type]
    )


def shot(site: Site, now_ms: int, before: Snapshot | None = None, **powers: tuple[float, int]) -> Snapshot:
    """A snapshot with these powers, after those of `before`: name (underscores for hyphens) to W and time."""
    instant = {} if before is None else dict(before.instant)
    for name, (power, at) in powers.items():
        channel = (name.replace("_", "-"), POWER)
        known = instant.get(channel)
        samples = follow(() if known is None else known.trace, at, power, reach_ms(site.limits))
        instant[channel] = Now(samples[-1][1], samples[-1][0], samples=samples, every_ms=period_ms(samples))
    surplus = SurplusNow(None, now_ms, Quality.INVALID, "none")
    return Snapshot(
        site, now_ms, instant, {}, {}, {}, None, surplus, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING
    )
