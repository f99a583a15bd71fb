"""Reads what the books hold around a change of the clocks, for the command and beside the daemon's loop."""

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.clock_change import (
    Around,
    Calendar,
    Checked,
    Series,
    around,
    clock_change_findings,
    faults_of,
    last_change,
)
from meterd.errors import StoreError
from meterd.finding import Finding
from meterd.interval import DAY_MS, HOUR_MS, Period
from meterd.site import Site
from meterd.store.archive import BALANCE, FIGURE, ArchiveReader

CLOSED_TO = "closed_to_ms"


def calendar_of(site: Site, closed_to_ms: int) -> Calendar:
    """The site's zone and grid, and how far its books are closed."""
    return Calendar(ZoneInfo(site.zone), site.interval_s * 1000, closed_to_ms)


def check(path: Path, site: Site, found: Around, closed_to_ms: int) -> Checked:
    """Compare every register and the feed side of every board with the calendar; StoreError if the store cannot be read."""
    reader, calendar = ArchiveReader(path), calendar_of(site, closed_to_ms)
    try:
        count, faults = 0, []
        for series in _all_series(reader, site, found):
            inside = any(found.low_ms <= start < found.high_ms for start in series.rows[Period.INTERVAL])
            count += inside
            faults += faults_of(found, series, calendar)
    finally:
        reader.close()
    return Checked(found, closed_to_ms, count, tuple(faults))


def _all_series(reader: ArchiveReader, site: Site, found: Around) -> Iterator[Series]:
    read = {(row.point, row.register) for row in site.inputs}
    energy, feed = FIGURE.index("energy"), BALANCE.index("feed")
    for channel in reader.channels:
        rows = {
            period: {_whole(row[0]): _energy(row[energy]) for row in reader.figures(channel, period, *span)}
            for period, span in _spans(found).items()
        }
        yield Series(f"{channel[0]} {channel[1]}", rows, channel in read)
    boards = {board.name for board in site.boards}
    for name in reader.boards():
        rows = {
            period: {_whole(row[0]): _energy(row[feed]) for row in reader.balances(name, period, *span)}
            for period, span in _spans(found).items()
        }
        yield Series(f"board {name}", rows, current=name in boards)


def _spans(found: Around) -> dict[Period, tuple[int, int]]:
    """Which rows are looked at: a day more on both sides tells whether a register was there before and after."""
    near = (found.low_ms - DAY_MS, found.high_ms + DAY_MS)
    longer = (min(one.start_ms for one in found.longer), max(one.end_ms for one in found.longer))
    return {
        Period.INTERVAL: near,
        Period.HOUR: near,
        Period.DAY: longer,
        Period.WEEK: longer,
        Period.MONTH: longer,
    }


def _whole(value: object) -> int:
    assert isinstance(value, int), "times and energies are whole numbers"
    return value


def _energy(value: object) -> int | None:
    return None if value is None else _whole(value)


class ClockChangeWatch:
    """For the daemon's loop: `look` never waits, the books are read by a thread of its own.

    The last change is verified when its day, its week and its month are closed, and again every day while something is
    wrong, so that a finding goes when its cause is gone.
    """

    def __init__(self, path: Path, site: Site) -> None:
        self._path, self._site = path, site
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="clock-change")
        self._running: Future[Checked] | None = None
        self._checked: Checked | None = None
        self._tried_ms = -(2**62)
        self._last: tuple[int, Around | None] = (-(2**62), None)  # looked up at, what was found
        self._said: tuple[tuple[int, int], list[Finding]] | None = None

    def look(self, now_ms: int, closed_to_ms: int | None) -> list[Finding]:
        """What is to be told now. Cheap: what the rules say is looked up again only when a period has closed."""
        if closed_to_ms is None:
            return []
        self._take()
        key = (closed_to_ms, now_ms // 60_000)
        if self._said is None or self._said[0] != key:
            self._begin(now_ms, closed_to_ms)
            after_ms = self._site.limits.close_after_s * 1000
            calendar = calendar_of(self._site, closed_to_ms)
            found = clock_change_findings(self._site.name, calendar, now_ms, self._checked, close_after_ms=after_ms)
            self._said = (key, found)
        return self._said[1]

    def _take(self) -> None:
        if self._running is None or not self._running.done():
            return
        try:
            self._checked = self._running.result()
        except StoreError:
            self._tried_ms = -(2**62)  # the loop tells what is wrong with the store; tried again with the next minute
        self._running, self._said = None, None

    def _begin(self, now_ms: int, closed_to_ms: int) -> None:
        """Read the books if something of the last change has closed since, or a day after a fault."""
        found = self._around(now_ms)
        if self._running is not None or found is None or closed_to_ms < found.high_ms:
            return
        before = self._checked
        if before is not None and before.around.change == found.change:
            closed = any(before.closed_to_ms < one.end_ms <= closed_to_ms for one in found.longer)
            if not closed and not (before.faults and now_ms - self._tried_ms > DAY_MS):
                return
        self._checked = None if before is None or before.around.change != found.change else before
        self._tried_ms = now_ms
        self._running = self._pool.submit(check, self._path, self._site, found, closed_to_ms)

    def _around(self, now_ms: int) -> Around | None:
        """The last change, looked up once an hour."""
        if not 0 <= now_ms - self._last[0] < HOUR_MS:
            zone = ZoneInfo(self._site.zone)
            change = last_change(zone, now_ms)
            self._last = (now_ms, None if change is None else around(change, zone, self._site.interval_s * 1000))
        return self._last[1]

    def close(self) -> None:
        """End; a verification that runs is let go."""
        self._pool.shutdown(wait=False, cancel_futures=True)
