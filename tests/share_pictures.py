"""A small site with measured rooms, and live pictures of it, for the tests of shares."""

from dataclasses import replace

from meterd.reading import POWER, Quality
from meterd.site import Board, Consumer, Point, Role, Sharing, Site
from meterd.snapshot import Now, PowerNow, Snapshot, SurplusNow

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


def shot(site: Site, now_ms: int, **powers: tuple[float, int]) -> Snapshot:
    """A live picture with these powers: name (underscores for hyphens) to W and time."""
    instant = {(name.replace("_", "-"), POWER): Now(power, at) for name, (power, at) in powers.items()}
    surplus = SurplusNow(None, now_ms, Quality.INVALID, "none")
    return Snapshot(
        site, now_ms, instant, {}, {}, {}, None, surplus, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING
    )
