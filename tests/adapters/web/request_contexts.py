"""A request context of a small site whose readings a test decides: pages are asked for their values without a network."""

from collections.abc import Iterable
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.users import Sessions, UserFile
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import DaemonWebBackend
from meterd.app.operations.finding_lifecycle import FindingKeeper
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Board, Copied, Input, Instrument, Page, Point, Role, Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading
from meterd.core.model.snapshot import Snapshot

BEGIN = 1_777_888_800_000  # 2026-05-04 10:00 UTC, 12:00 in Vienna
MINUTE = 60_000
HOURS = 3
LAST = BEGIN + HOURS * 60 * MINUTE
PHASES = ("32.7.0", "52.7.0", "72.7.0")
NOBODY, SOMEBODY = Viewer(), Viewer("ada", UserRole.LOOK)
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
            "q01",
            BEGIN - 10**9,
            BEGIN - 10**8,
            "A-1",
            meter_class="1",
            closing=((IMPORT, 5_000_000),),
            note="display failed",
        ),
        Instrument("q01", BEGIN - 10**8, None, "A-2", meter_class="B", opening=((IMPORT, 0),)),
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
    readings = []
    for minute in minutes:
        at = BEGIN + minute * MINUTE
        counted = round(abs(watt) * minute / 60 * 1000)
        readings.append(Reading(point, register, at, counted, at))
        if watt < 0:
            readings.append(Reading(point, IMPORT, at, 0, at))
        elif point in ("q01", "q02"):
            readings.append(Reading(point, EXPORT, at, 0, at))
        if not point.startswith("room"):
            readings.append(Reading(point, POWER, at, watt * shown, at))
    return readings


def context_of(
    path: Path, readings: Iterable[Reading], findings: Iterable[Finding] = (), site: Site = SITE
) -> RequestContext:
    """The request context of a store with these readings and findings, three hours after the beginning."""
    now_ms = BEGIN + HOURS * 60 * MINUTE + 61_000
    store = SqliteStore.writer(path)
    try:
        ledger = Ledger(store, site, ZoneInfo(site.zone))
        ledger.tick([], BEGIN)
        ledger.tick(sorted(readings, key=lambda reading: reading.at_ms), now_ms)
        keeper = FindingKeeper(store, site)
        keeper.update(findings, [], now_ms)
        daemon = Daemon(site, path)
        daemon.snapshot = live.snapshot(
            ledger.state, now_ms, closed=ledger.closed, pv_day=ledger.pv_day(now_ms), findings=keeper.open
        )
    finally:
        store.close()
    users = UserFile(path.with_name("users"))
    backend = DaemonWebBackend(daemon)
    return RequestContext(backend, users, Sessions(users, backend.now_ms))


def shot(context: RequestContext) -> Snapshot:
    """Its snapshot."""
    picture = context.backend.snapshot()
    assert picture is not None, "made by context_of()"
    return picture
