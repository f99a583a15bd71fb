"""A small site served over a real socket, without broker and demo: what the tests of the page talk to."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import served
from meterd.app.operations.finding_lifecycle import FindingKeeper
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Page, Site
from meterd.core.model.reading import EXPORT, IMPORT, POWER, Reading

PLAN = Path(__file__).parents[3] / "config" / "small.toml"
BEGIN_MS = 1_777_888_800_000  # 2026-05-04 10:00 UTC
QUARTERS = 8


def small_site(page: Page) -> Site:
    """The small plan with this page."""
    return replace(load_plan(PLAN).site, page=page)


def kept(site: Site, path: Path) -> Daemon:
    """A store with two hours of readings and one finding, and a daemon that holds its snapshot but does not run."""
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    for quarter in range(QUARTERS + 1):
        at_ms = BEGIN_MS + quarter * 900_000
        rows = []
        for number, point in enumerate(site.points):
            watt = 6_000.0 if point.role == "feed" else 1_000.0
            rows += [
                Reading(point.name, IMPORT, at_ms, int(1e9 * number + watt * 250 * quarter), at_ms),
                Reading(point.name, EXPORT, at_ms, 0, at_ms),
                Reading(point.name, POWER, at_ms, watt, at_ms),
            ]
        ledger.tick(rows, at_ms + 61_000)
    now_ms = BEGIN_MS + QUARTERS * 900_000 + 61_000
    keeper = FindingKeeper(store, site)
    text = Finding("stale", "joinery", now_ms, "joinery: <b>silent</b> & late", "look at it", ("joinery",))
    keeper.update([text], [], now_ms)
    daemon = Daemon(site, path)
    daemon.snapshot = live.snapshot(
        ledger.state, now_ms - 60_000, closed=ledger.closed, pv_day=ledger.pv_day(now_ms), findings=(text,)
    )
    store.close()
    return daemon


@contextmanager
def serving(store: Path, /, **settings: object) -> Iterator[str]:
    """The page of the small site with these settings; yields its address without the last slash."""
    page = replace(Page(port=free_port()), **settings)  # type: ignore[arg-type]
    with served(kept(small_site(page), store)) as address:
        assert address, "the page could not be served"
        yield address.rstrip("/")
