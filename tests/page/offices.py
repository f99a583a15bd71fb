"""An office before a small site whose readings a test decides: sheets are asked for their values without a network."""

from collections.abc import Iterable
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd import pipeline
from meterd.app.bookkeeper import Bookkeeper
from meterd.app.daemon import Daemon
from meterd.app.desk import DaemonDesk
from meterd.app.findings import FindingKeeper
from meterd.finding import Finding
from meterd.page.access import Sessions, UserFile
from meterd.page.asking import Office
from meterd.reading import EXPORT, IMPORT, POWER, Reading
from meterd.site import Board, Copied, Input, Instrument, Page, Point, Role, Site
from meterd.snapshot import Snapshot
from meterd.store.sqlite import SqliteStore

BEGIN = 1_777_888_800_000  # 2026-05-04 10:00 UTC, 12:00 in Vienna
MINUTE = 60_000
HOURS = 3
PHASES = ("32.7.0", "52.7.0", "72.7.0")
SITE = Site(
    "mill",
    "Europe/Vienna",
    boards=(Board("north", "Main distribution"), Board("annex", fed_by="q02")),
    points=(
        Point("t1", "north", Role.FEED),
        Point("q01", "north", Role.FEEDER, title="Ovens", aliases=("old-ovens",), rating_a=100.0),
        Point("q02", "north", Role.FEEDER, rating_a=100.0),
        Point("room-1", "north", Role.SUB, below="q01"),
        Point("room-2", "north", Role.SUB, below="q01"),
    ),
    instruments=(
        Instrument(
            "q01", BEGIN - 10**9, BEGIN - 10**8, "A-1", "1", closing=((IMPORT, 5_000_000),), note="display failed"
        ),
        Instrument("q01", BEGIN - 10**8, None, "A-2", "B", opening=((IMPORT, 0),)),
    ),
    inputs=tuple(
        Input(point, register, "s", f"meters/{point}")
        for point, registers in {
            "t1": (IMPORT, POWER),
            "q01": (IMPORT, EXPORT, POWER, "3.8.0", *PHASES),
            "q02": (IMPORT, EXPORT, POWER),
            "room-1": (IMPORT,),
            "room-2": (IMPORT,),
        }.items()
        for register in registers
    ),
    page=Page(rooms="look"),
    copied=(Copied("room", "room-{n}", ("room-1", "room-2")),),
)


def steady(
    point: str, watt: float, *, shown: float = 1.0, minutes: Iterable[int] = range(HOURS * 60 + 2)
) -> list[Reading]:
    """A point with a steady power, a reading a minute; the power sent is `shown` times the true one."""
    register = IMPORT if watt >= 0 else EXPORT
    found = []
    for minute in minutes:
        at = BEGIN + minute * MINUTE
        counted = round(abs(watt) * minute / 60 * 1000)
        found.append(Reading(point, register, at, counted, at))
        if watt < 0:
            found.append(Reading(point, IMPORT, at, 0, at))
        elif point in ("q01", "q02"):
            found.append(Reading(point, EXPORT, at, 0, at))
        if not point.startswith("room"):
            found.append(Reading(point, POWER, at, watt * shown, at))
    return found


def office(path: Path, readings: Iterable[Reading], findings: Iterable[Finding] = (), site: Site = SITE) -> Office:
    """The office of a store with these readings and findings, three hours after the beginning."""
    now_ms = BEGIN + HOURS * 60 * MINUTE + 61_000
    store = SqliteStore.writer(path)
    try:
        books = Bookkeeper(store, site, ZoneInfo(site.zone))
        books.tick([], BEGIN)
        books.tick(sorted(readings, key=lambda one: one.at_ms), now_ms)
        keeper = FindingKeeper(store, site)
        keeper.update(findings, [], now_ms)
        daemon = Daemon(site, path)
        daemon.snapshot = pipeline.snapshot(
            books.state, now_ms, closed=books.closed, pv_day=books.pv_day(now_ms), findings=keeper.open
        )
    finally:
        store.close()
    users = UserFile(path.with_name("users"))
    return Office(DaemonDesk(daemon), users, Sessions(users))


def shot(found: Office) -> Snapshot:
    """Its live picture."""
    picture = found.desk.snapshot()
    assert picture is not None, "made by office()"
    return picture
