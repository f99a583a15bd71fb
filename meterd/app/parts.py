"""What a daemon is made of: what serves one plan, and what stays while plans change."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.app.alarms import Alarms
from meterd.app.bookkeeper import Bookkeeper
from meterd.app.clock import Clock
from meterd.app.clock_watch import ClockChangeWatch
from meterd.app.corrector import Corrector
from meterd.app.drift_watch import NightWatch
from meterd.app.intake import Intake
from meterd.app.room_keeper import RoomKeeper
from meterd.app.sharer import Sharer
from meterd.app.steps import Counters, Steps
from meterd.app.supervisor import Supervisor
from meterd.app.watch import SourceWatch
from meterd.finding import Finding
from meterd.message import EARLIEST_MS
from meterd.mqtt.settings import LinkSettings
from meterd.publish import Publisher
from meterd.site import Broker, Site
from meterd.site import Source as SourceRow
from meterd.snapshot import Snapshot
from meterd.sources import Source
from meterd.sources.mqtt import link_settings, settings_for
from meterd.sources.protocols import PROTOCOLS
from meterd.store.line_feed import LineFeed, start_feed, token_of
from meterd.store.sqlite import SqliteStore


@dataclass(frozen=True, slots=True)
class Standing:
    """What stays while plans change. `ending` says whether the loop is to end; `conditions` what else a person should know."""

    store: SqliteStore
    store_path: Path
    clock: Clock
    counters: Counters
    steps: Steps
    intake: Intake
    supervisor: Supervisor
    show: Callable[[Snapshot], None]
    ending: Callable[[], bool]
    conditions: Callable[[], list[Finding]]


@dataclass(frozen=True, slots=True)
class Parts:
    """What works with one plan."""

    site: Site
    books: Bookkeeper
    alarms: Alarms
    publisher: Publisher
    watches: list[SourceWatch]
    feed: LineFeed | None
    night: NightWatch
    sharer: Sharer
    clock_changes: ClockChangeWatch
    room: RoomKeeper


def make_parts(site: Site, standing: Standing, publisher: Publisher, stack: ExitStack) -> Parts:
    """The parts of a plan, its sources not started; they end with the stack. Raises ConfigError or StoreError."""
    store, path, clock = standing.store, standing.store_path, standing.clock
    feed = start_feed(site, path, store, clock.now_ms, stack)
    books = Bookkeeper(store, site, ZoneInfo(site.zone))
    watches = [SourceWatch(row.name, partial(source_of, row, site, clock)) for row in sources_of(site)]
    night = NightWatch(path, site)
    alarms = Alarms(store, path, site, clock.now_ms(), Corrector(store, books, site, night.again))
    stack.callback(alarms.close)
    stack.callback(night.join, site.limits.stop_limit_s / 2)
    clock_changes = ClockChangeWatch(path, site)
    stack.callback(clock_changes.close)
    room = RoomKeeper(store, path, site, books)
    stack.callback(room.close, site.limits.stop_limit_s / 2)
    return Parts(site, books, alarms, publisher, watches, feed, night, Sharer(site, store), clock_changes, room)


def take_up(parts: Parts, clock: Clock) -> bool:
    """Go on where the last run ended: a trial's time too. True if what a clock that was ahead has closed was opened."""
    closed_to = parts.books.state.closed_to
    if closed_to is not None:
        clock.saw(closed_to + parts.site.limits.close_after_s * 1000)
    now_ms = clock.now_ms()
    return now_ms >= EARLIEST_MS and parts.books.reopen(now_ms)


def sources_of(site: Site) -> list[SourceRow]:
    """The sources of a plan that are read."""
    used = {row.source for row in site.inputs}
    return [row for row in site.sources if row.name in used]


def source_of(row: SourceRow, site: Site, clock: Clock) -> Source:
    """A source, not started. Raises ConfigError for options or secrets that cannot work."""
    return PROTOCOLS[row.protocol].source(row, site, clock=clock.now_ms)


def outlet_settings(site: Site) -> LinkSettings:
    """How derived values get to the broker of a plan. Raises ConfigError for a secret that cannot be had."""
    return link_settings(settings_for(_outlet(site.broker), site))


def _outlet(broker: Broker) -> SourceRow:
    return SourceRow("out", "mqtt", (("client_id", broker.client_id),) if broker.client_id else ())


def rehearse(site: Site, clock: Clock) -> None:
    """Make everything that reads secrets and certificates, and start nothing: ConfigError before the old plan is let go."""
    for row in sources_of(site):
        source_of(row, site, clock)
    outlet_settings(site)
    if site.line_store.url:
        token_of(site.line_store)
