"""A feed on a journal, run by a test in the place of the daemon's loop."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from meterd.adapters.line_database.feed import LineFeed, Waits, open_feed
from meterd.adapters.store.journal import SqliteStore
from meterd.core.model.plan import LineStore
from tests.adapters.store.journal import clock
from tests.brokers import until
from tests.databases import BUCKET, TOKEN


def settings(url: str, **other: object) -> LineStore:
    """A database that is proven after every batch, with the token of the tests."""
    values: dict[str, object] = {"batch": 200, "rate": 1_000_000, "check_s": 0, "timeout_s": 2}
    values |= {"org": "mill", "bucket": BUCKET} | other
    return LineStore(url=url, **values)  # type: ignore[arg-type]


@contextmanager
def feeding(
    store: SqliteStore, path: Path, wanted: LineStore, now: Callable[[], int] | None = None, *, token: str = TOKEN
) -> Iterator[LineFeed]:
    """A running feed; its marks are stored at the end, as the daemon does."""
    feed = open_feed(wanted, "mill", path, store=store, clock=now or clock())
    assert feed is not None
    feed._token = token
    feed.waits = Waits(0.02, 0.1)
    feed.start()
    try:
        yield feed
    finally:
        feed.stop(10.0)
        feed.keep(store)


def wait(feed: LineFeed, store: SqliteStore, done: Callable[[], object], limit_s: float = 20.0) -> None:
    """Let the feed work, keeping what it says, until something holds."""

    def look() -> bool:
        feed.keep(store)
        return bool(done())

    assert until(look, limit_s), (feed.counters, feed.position, feed.findings(0))
