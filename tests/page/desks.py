"""A small site served over a real socket, without broker and demo: what the tests of the page talk to."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd import pipeline
from meterd.app.bookkeeper import Bookkeeper
from meterd.app.config import load_plan
from meterd.app.daemon import Daemon
from meterd.app.desk import served
from meterd.app.findings import FindingKeeper
from meterd.finding import Finding
from meterd.mqtt.broker import free_port
from meterd.reading import EXPORT, IMPORT, POWER, Reading
from meterd.site import Page, Site
from meterd.store.sqlite import SqliteStore

PLAN = Path(__file__).parents[2] / "config" / "small.toml"
BEGIN_MS = 1_777_888_800_000  # 2026-05-04 10:00 UTC
QUARTERS = 8


def small_site(page: Page) -> Site:
    """The small plan with this page."""
    return replace(load_plan(PLAN).site, page=page)


def kept(site: Site, path: Path) -> Daemon:
    """A store with two hours of readings and one finding, and a daemon that holds its picture but does not run."""
    store = SqliteStore.writer(path)
    books = Bookkeeper(store, site, ZoneInfo(site.zone))
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
        books.tick(rows, at_ms + 61_000)
    now_ms = BEGIN_MS + QUARTERS * 900_000 + 61_000
    keeper = FindingKeeper(store, site)
    words = Finding("stale", "joinery", now_ms, "joinery: <b>silent</b> & late", "look at it", ("joinery",))
    keeper.update([words], [], now_ms)
    daemon = Daemon(site, path)
    daemon.snapshot = pipeline.snapshot(
        books.state, now_ms - 60_000, closed=books.closed, pv_day=books.pv_day(now_ms), findings=(words,)
    )
    store.close()
    return daemon


@contextmanager
def serving(path: Path, **settings: object) -> Iterator[str]:
    """The page of the small site with these settings; yields its address without the last slash."""
    page = replace(Page(port=free_port()), **settings)  # type: ignore[arg-type]
    with served(kept(small_site(page), path)) as address:
        assert address, "the page could not be served"
        yield address.rstrip("/")
