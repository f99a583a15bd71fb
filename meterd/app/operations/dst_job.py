"""Reads what is stored around a change of the clocks, for the command and beside the daemon's loop."""

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.store.dump import BALANCE, FIGURE, ArchiveReader
from meterd.core.checks.dst import (
    AffectedPeriods,
    Calendar,
    Checked,
    Series,
    affected_periods,
    clock_change_findings,
    faults_of,
    last_change,
)
from meterd.core.errors import StoreError
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, HOUR_MS, Period, text
from meterd.core.model.plan import Site

CLOSED_TO = "closed_to_ms"


def calendar_of(site: Site, closed_to_ms: int) -> Calendar:
    """The site's zone and grid, and how far its periods are closed."""
    return Calendar(ZoneInfo(site.zone), site.interval_s * 1000, closed_to_ms)


def check(path: Path, site: Site, affected: AffectedPeriods, closed_to_ms: int) -> Checked:
    """Compare every register and the feed side of every board with the calendar; StoreError if the store cannot be read."""
    reader, calendar = ArchiveReader(path), calendar_of(site, closed_to_ms)
    try:
        count, faults = 0, []
        for series in _all_series(reader, site, affected):
            inside = any(affected.low_ms <= start < affected.high_ms for start in series.rows[Period.INTERVAL])
            count += inside
            faults += faults_of(affected, series, calendar)
    finally:
        reader.close()
    return Checked(affected, closed_to_ms, count, tuple(faults))


def _all_series(reader: ArchiveReader, site: Site, affected: AffectedPeriods) -> Iterator[Series]:
    read = {(row.point, row.register) for row in site.inputs}
    energy, feed = FIGURE.index("energy"), BALANCE.index("feed")
    for channel in reader.channels:
        rows = {
            period: {_whole(row[0]): _energy(row[energy]) for row in reader.figures(channel, period, *span)}
            for period, span in _spans(affected).items()
        }
        yield Series(f"{channel[0]} {channel[1]}", rows, channel in read)
    boards = {board.name for board in site.boards}
    for name in reader.boards():
        rows = {
            period: {_whole(row[0]): _energy(row[feed]) for row in reader.balances(name, period, *span)}
            for period, span in _spans(affected).items()
        }
        yield Series(f"board {name}", rows, current=name in boards)


def _spans(affected: AffectedPeriods) -> dict[Period, tuple[int, int]]:
    """Which rows are looked at: a day more on both sides tells whether a register was there before and after."""
    near = (affected.low_ms - DAY_MS, affected.high_ms + DAY_MS)
    longer = (min(closing.start_ms for closing in affected.longer), max(closing.end_ms for closing in affected.longer))
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


class ClockChangeJob:
    """For the daemon's loop: `tick` never waits, the stored figures are read by a thread of its own.

    The last change is verified when its day, its week and its month are closed, and again every day while something is
    wrong, so that a finding goes when its cause is gone.
    """

    def __init__(self, path: Path, site: Site) -> None:
        self._path, self._site = path, site
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="clock-change")
        self._running: Future[Checked] | None = None
        self._checked: Checked | None = None
        self._again = False
        self._tried_ms = -(2**62)
        self._last: tuple[int, AffectedPeriods | None] = (-(2**62), None)  # looked up at, what was found
        self._result: tuple[tuple[int, int], list[Finding]] | None = None

    def tick(self, now_ms: int, closed_to_ms: int | None) -> list[Finding]:
        """What is to be reported now. Cheap: what the rules say is looked up again only when a period has closed."""
        if closed_to_ms is None:
            return []
        self._take()
        key = (closed_to_ms, now_ms // 60_000)
        if self._result is None or self._result[0] != key:
            self._begin(now_ms, closed_to_ms)
            after_ms = self._site.limits.close_after_s * 1000
            calendar = calendar_of(self._site, closed_to_ms)
            findings = clock_change_findings(self._site.name, calendar, now_ms, self._checked, close_after_ms=after_ms)
            self._result = (key, findings)
        return self._result[1]

    def check_again(self) -> None:
        """Read the stored figures once more with the next look."""
        self._again, self._result = True, None

    def outcome(self, closed_to_ms: int | None) -> str | None:
        """What the newest look at the last change came to; None while it is not finished."""
        affected = self._last[1]
        if affected is None or closed_to_ms is None or closed_to_ms < affected.high_ms:
            return "there is no change of the clocks to verify"
        if self._checked is None or self._again or self._running is not None:
            return None
        count, wrong = self._checked.series, len(self._checked.faults)
        return f"{count} series around the change of the clocks of {text(affected.change.at_ms)}: {wrong} figures wrong"

    def _take(self) -> None:
        if self._running is None or not self._running.done():
            return
        try:
            self._checked = self._running.result()
        except StoreError:
            self._tried_ms = -(2**62)  # the loop tells what is wrong with the store; tried again with the next minute
        self._running, self._result = None, None

    def _begin(self, now_ms: int, closed_to_ms: int) -> None:
        """Read the stored figures if something of the last change has closed since, or a day after a fault."""
        affected = self._around(now_ms)
        if self._running is not None or affected is None or closed_to_ms < affected.high_ms:
            return
        before = self._checked
        if before is not None and before.around.change == affected.change and not self._again:
            closed = any(before.closed_to_ms < closing.end_ms <= closed_to_ms for closing in affected.longer)
            if not closed and not (before.faults and now_ms - self._tried_ms > DAY_MS):
                return
        self._checked = None if before is None or before.around.change != affected.change else before
        self._tried_ms, self._again = now_ms, False
        self._running = self._pool.submit(check, self._path, self._site, affected, closed_to_ms)

    def _around(self, now_ms: int) -> AffectedPeriods | None:
        """The last change, looked up once an hour."""
        if not 0 <= now_ms - self._last[0] < HOUR_MS:
            zone = ZoneInfo(self._site.zone)
            change = last_change(zone, now_ms)
            self._last = (
                now_ms,
                None if change is None else affected_periods(change, zone, self._site.interval_s * 1000),
            )
        return self._last[1]

    def close(self) -> None:
        """End; a verification that runs is let go."""
        self._pool.shutdown(wait=False, cancel_futures=True)
