"""Keeps the books: readings into the journal, figures out of the core, all of one tick in one transaction."""

import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np

from meterd import pipeline
from meterd.app.remaking import first_touched, made_again, refuse_final, vanished
from meterd.app.replanned import changed_instruments, keep_instruments, take_names
from meterd.books import BoardBook, NetPlan, Parent, board_books, parents, parts_of, pv_book, sum_of_parts, sum_pv
from meterd.correction import CORRECTING, FIGURES_FROM, FOREVER_MS
from meterd.errors import ConfigError, StoreError, described
from meterd.figure import BalanceRow, Channel, FigureRow
from meterd.interval import DAY_MS, MADE_OF, Period, bounds, floor
from meterd.knots import Ints
from meterd.meter_clock import KEPT, clocks_in, words_of, written
from meterd.pipeline import Request, State
from meterd.reading import Reading
from meterd.rollup import Columns
from meterd.site import Site
from meterd.snapshot import Now, PvNow
from meterd.store.sqlite import UNFIT, Failure, SqliteStore
from meterd.store.withdraw import interval_starts, local_starts, withdraw
from meterd.surplus import ratio

_CLOSED_TO = "closed_to_ms"
_UNSETTLED = "unsettled_from_ms"  # since when the journal holds readings of which nothing was made yet


@dataclass(frozen=True, slots=True)
class Tick:
    """What one tick kept."""

    readings: int
    figures: int


class Bookkeeper:
    """The one writer of a store, together with the state of the core. Not for use by two threads."""

    def __init__(self, store: SqliteStore, site: Site, zone: ZoneInfo) -> None:
        self._store = store
        self._site, self._zone = site, zone
        self._clocks = clocks_in(store.fact(KEPT))
        self._boards = board_books(site, self._clocks)
        self._pv = pv_book(site)
        self._spoiled = False  # whether the state holds more than was kept
        self.renamed = take_names(store, site)
        self.state = self._begin()
        self._take_instruments()
        self.closed = self._last_balances()

    def _begin(self) -> State:
        """Take up the journal where it ends: after a start, and after a transaction that was not kept."""
        closed_to = self._store.fact(_CLOSED_TO)
        corrections = self._store.corrections.all()
        closed_ms = None if closed_to is None else int(closed_to)
        state = pipeline.begin(self._site, self._zone, closed_ms, corrections, clocks=self._clocks)
        for row in self._site.inputs:
            channel = (row.point, row.register)
            if channel not in state.trackers and (latest := self._store.latest(channel)):
                state.instant[channel] = Now(latest[1], latest[0])
        self._figures_from = int(self._store.fact(FIGURES_FROM) or -(2**62))
        unsettled = self._store.fact(_UNSETTLED)
        self._behind = pipeline.restart_requests(state, int(unsettled) if unsettled else None)
        self._spoiled = False
        return state

    def _take_instruments(self) -> None:
        """Closed figures follow instruments that the plan has otherwise now: with `correct_on`, back to the first difference."""
        with (
            suppress(StoreError),
            self._store.transaction(),
        ):  # a store that refuses now is asked again by the next start
            waiting = [one for one in self._correcting() if (one[1], one[2]) in self.state.rules]
            changed = changed_instruments(self._store, self.state)
            changed += [(channel, -FOREVER_MS) for channel in self.renamed if channel in self.state.rules]
            waiting += [(0, *channel, since, FOREVER_MS) for channel, since in changed]
            if waiting != self._correcting():
                self._store.set_fact(CORRECTING, json.dumps(waiting))
            keep_instruments(self._store, self.state)

    def _begin_again(self) -> None:
        """Back to what the journal holds; with the next tick if even that cannot be read now."""
        live, self._spoiled = self.state.instant, True
        with suppress(Failure):
            self.state = self._begin()
            # present values come only from memory while nothing can be kept
            self.state.instant = {**self.state.instant, **live}

    def _last_balances(self) -> dict[str, BalanceRow]:
        closed_to = self.state.closed_to
        if closed_to is None:
            return {}
        start = closed_to - self.state.interval_ms
        found = {name: self._store.balances(name, Period.INTERVAL, start, closed_to) for name in self._boards}
        return {name: rows[-1] for name, rows in found.items() if rows}

    def tick(self, readings: Sequence[Reading], now_ms: int) -> Tick:
        """Keep readings and every figure that follows from them; StoreError if nothing could be kept.

        After any exception the state is what the journal says, and the same readings may be given again.
        """
        try:
            with self._store.transaction():
                if self._spoiled:
                    self.state = self._begin()
                # first back to where the journal stood: what the new readings change is judged against that
                changed = self._write(self._catch_up(self._behind), now_ms, "late readings")
                new = self._store.add_readings(readings)
                requests = pipeline.take(self.state, new)
                changed += self._write(self._catch_up(requests), now_ms, "late readings")
                changed += self._write(pipeline.close(self.state, now_ms), now_ms, "closed")
                self._roll(changed, now_ms)
                if self._store.fact(_UNSETTLED):
                    self._store.set_fact(_UNSETTLED, "")
        except BaseException:
            self._begin_again()
            raise
        self._behind = []
        return Tick(len(new), len(changed))

    def keep(self, readings: Sequence[Reading]) -> tuple[Tick, list[tuple[Reading, str]]]:
        """Keep readings in the journal only; what follows from them is worked out with the next tick.

        Also returns those that the journal cannot hold, and why.
        """
        new, unfit = 0, []
        with self._store.transaction():
            for reading in readings:
                try:
                    new += len(self._store.add_readings([reading]))
                except UNFIT as exc:
                    unfit.append((reading, described(exc)))
            before = self._store.fact(_UNSETTLED)
            since = min((reading.at_ms for reading in readings), default=2**62)
            self._store.set_fact(_UNSETTLED, str(min(since, int(before)) if before else since))
        self._begin_again()
        pipeline.take_live(self.state, readings)
        return Tick(new, 0), unfit

    # -- corrections ---------------------------------------------------------------------------------------------------

    def correct(self, channel: Channel, span: tuple[int, int], now_ms: int, keep: Callable[[], int]) -> int:
        """Let `keep` change the corrections of a register within a span; what is made from now on follows them.

        `keep` returns the number of the correction, and so does this. Closed figures follow with `correct_on`, also after a
        restart. ConfigError where they cannot be made again, StoreError if nothing could be kept.
        """
        with self._changing(channel, span[0], now_ms):
            number = keep()
            pipeline.correct(self.state, self._store.corrections.all())
            self._store.set_fact(CORRECTING, json.dumps([*self._correcting(), [number, *channel, *span]]))
        return number

    def correct_reading(self, channel: Channel, at_ms: int, now_ms: int, keep: Callable[[], int]) -> int:
        """Let `keep` change what the reading of a moment is taken for, and follow the register again from there.

        Its figures are made again in the same transaction, since a reading decides how every later one is understood, also
        those of the running interval. `keep` returns the number of the correction, and so does this. Raises like `correct`.
        """
        with self._changing(channel, at_ms, now_ms):
            number = keep()
            pipeline.correct(self.state, self._store.corrections.all())
            rows = self._catch_up([Request(channel, at_ms)])
            low = floor(at_ms, self.state.interval_ms)
            rows = vanished(self._store, channel, low, rows, self.state.closed_to or low) + rows
            reason = f"correction {number}"
            self._roll(self._write(rows, now_ms, reason), now_ms, reason)
            self._refuse_lost(channel, at_ms)
        return number

    @contextmanager
    def _changing(self, channel: Channel, from_ms: int, now_ms: int) -> Iterator[None]:
        """A transaction that begins with the books up to date; after any exception the state is what the journal says."""
        try:
            with self._store.transaction():
                if self._spoiled:
                    self.state = self._begin()
                self._roll(self._write(self._catch_up(self._behind), now_ms, "late readings"), now_ms)
                self._refuse_lost(channel, from_ms)
                yield
        except BaseException:
            self._begin_again()
            raise
        self._behind = []

    def correct_on(self, now_ms: int) -> int | None:
        """Make figures of at most one local year again that wait for it; how many intervals changed, None if none wait.

        A year at a time: of forty points that is some seconds, in which nothing is published.
        """
        waiting = [one for one in self._correcting() if (one[1], one[2]) in self.state.trackers]
        if not waiting or self.state.closed_to is None:
            return None
        number, point, register, low, high = waiting[0]
        step, first = self.state.interval_ms, self._store.first_ms((point, register))
        low = max(low, self._figures_from, self.state.closed_to if first is None else first)
        high = min(-floor(-high, step), self.state.closed_to)  # whole intervals around it
        end = min(high, bounds(Period.YEAR, low, self._zone, step)[1])
        if not number:
            low = first_touched(self._store, self.state, (point, register), low)
        low = floor(low, step)
        rest = [[number, point, register, end, high]] if end < high else []
        reason = f"correction {number}" if number else "plan changed"
        with self._store.transaction():
            rows = made_again(self._store, self.state, (point, register), low, end) if low < end else []
            changed = self._write(rows, now_ms, reason)
            self._roll(changed, now_ms, reason)
            self._store.set_fact(
                CORRECTING, json.dumps(rest + [one for one in self._correcting() if one != waiting[0]])
            )
        return len(changed)

    def _correcting(self) -> list[tuple[int, str, str, int, int]]:
        """What is still to be made again: number of a correction (0: the plan changed), register, from, until."""
        return [tuple(one) for one in json.loads(self._store.fact(CORRECTING) or "[]")]

    def _refuse_lost(self, channel: Channel, from_ms: int) -> None:
        if words := self.state.failed.get(channel):
            raise StoreError(f"{channel[0]} is set aside and its figures cannot be made again: {words}")
        if channel not in self.state.trackers:
            raise ConfigError(f"the plan reads no register {channel[1]} of {channel[0]} that counts energy")
        refuse_final(self._store, from_ms)

    def note_clocks(self, offsets_ms: Mapping[str, int]) -> bool:
        """Write down how far clocks of meters are off, from the first interval that is not closed; whether anything changed.

        The band of every balance from there on follows. StoreError if it is not kept.
        """
        since, most_s = self.state.closed_to, self._site.limits.clock_band_s
        found = self._clocks if since is None else written(self._clocks, offsets_ms, since, most_s)
        if found == self._clocks:
            return False
        with self._store.transaction():
            self._store.set_fact(KEPT, words_of(found))
        self._clocks, self._boards = found, board_books(self._site, found)
        self.state.books = self._boards
        return True

    def make_final(self, figures_from: int) -> None:
        """No figure before that moment is made again: readings of it are about to be deleted. StoreError if not kept."""
        with self._store.transaction():
            self._store.set_fact(FIGURES_FROM, str(figures_from))
        self._figures_from = max(self._figures_from, figures_from)

    def reopen(self, now_ms: int) -> bool:
        """Open again what was closed ahead of the moment (a clock that was ahead); whether there was anything."""
        requests = pipeline.reopen(self.state, now_ms)
        self._behind = self._behind + requests
        return bool(requests)

    def sum_again(self, spans: Sequence[tuple[int, int]], now_ms: int) -> int:
        """Sum local periods around spans again after the rules of the zone have changed; how many figures had other bounds.

        Figures of what is no local period any more are set aside. Intervals stay as they are. StoreError if it is not kept.
        """
        begins = local_starts(self._zone, self.state.interval_ms)
        store, count = self._store, 0
        with store.transaction():
            for low, high in spans:
                count += withdraw(store, (low - 367 * DAY_MS, high + DAY_MS), begins)
                last = high + DAY_MS
                for begin in range(
                    low - DAY_MS, last, 31 * DAY_MS
                ):  # of all registers a month at once fits into memory
                    end = min(begin + 31 * DAY_MS, last)
                    starts = {one: interval_starts(store, one, begin, end) for one in store.channels()}
                    self._sum({one: own for one, own in starts.items() if own}, now_ms, "zone rules changed")
        return count

    def import_history(self, channel: Channel, times: Ints, values: Ints, now_ms: int) -> None:
        """Keep many old readings of one register; figures follow with `settle`."""
        with self._store.transaction():
            self._store.add_history(channel, times, values, now_ms)

    def settle(self, closed_to: int, now_ms: int) -> int:
        """Make all figures up to a moment from the whole journal; returns how many were written."""
        with self._store.transaction():
            if self.state.closed_to is None or self.state.closed_to < closed_to:
                self.state.closed_to = closed_to
            requests = [Request(channel, -(2**62)) for channel in self.state.trackers]
            changed = self._write(self._catch_up(requests), now_ms, "old readings imported")
            self._roll(changed, now_ms)
        return len(changed)

    def _catch_up(self, requests: Sequence[Request]) -> list[FigureRow]:
        """Follow registers again from their anchors, further back as long as the core asks for it."""
        rows: list[FigureRow] = []
        waiting = list(requests)
        while waiting:
            request = self._bounded(waiting.pop())
            if request.channel in self.state.failed:
                continue
            try:
                found, again = self._rerun(request)
            except Failure:
                raise
            except Exception as exc:  # an edge of the house style: one register must not stop the others
                pipeline.set_aside(self.state, request.channel, exc)
                continue
            rows += found
            if again is not None and self._bounded(again) == request:
                gone = StoreError("it must be followed from readings that were deleted; import them again")
                pipeline.set_aside(self.state, request.channel, gone)
            elif again is not None:
                waiting.append(again)
        return rows

    def _bounded(self, request: Request) -> Request:
        """No register is followed again from readings that `meterd retain` has deleted: their figures stay as they are."""
        if request.from_ms is None or request.from_ms >= self._figures_from:
            return request
        return replace(request, from_ms=self._figures_from)

    def _rerun(self, request: Request) -> tuple[list[FigureRow], Request | None]:
        channel = request.channel
        plan = pipeline.plan_rerun(self.state, request, partial(self._store.anchor, channel))
        since = -(2**62) if plan[1] is None else plan[1].at_ms
        return pipeline.rerun(self.state, channel, plan, self._store.history(channel, since))

    def _write(self, rows: Sequence[FigureRow], now_ms: int, reason: str) -> list[FigureRow]:
        return self._store.write_figures(rows, now_ms=now_ms, reason=reason)

    # -- what follows from changed intervals -----------------------------------------------------------------------

    def _roll(self, changed: Sequence[FigureRow], now_ms: int, reason: str = "parts changed") -> None:
        """Sum longer periods, balances and PV figures again wherever an interval changed."""
        state = self.state
        if state.closed_to is None:
            return
        self._store.set_fact(_CLOSED_TO, str(state.closed_to))
        if not changed:
            return
        starts: dict[Channel, list[int]] = defaultdict(list)
        for row in changed:
            starts[row.channel].append(row.start_ms)
        for own in starts.values():
            own.sort()
        self._sum(starts, now_ms, reason)

    def _sum(self, starts: dict[Channel, list[int]], now_ms: int, reason: str) -> None:
        """Sum everything that is made of those intervals, sorted by register."""
        state = self.state
        for group in self._parents({start for own in starts.values() for start in own}):
            parts = parts_of(group, MADE_OF[group[0].period], self._zone, state.interval_ms)
            columns = self._store.columns(tuple(starts), parts.period, parts.start_ms)
            rows = sum_of_parts(starts, group, parts, columns)
            self._store.write_figures(rows, now_ms=now_ms, reason=reason)
        for name, book in self._boards.items():
            self._try(name, partial(self._balance, book, _starts_of(book.plan, starts), now_ms, reason))
        self._try(self._site.name, partial(self._pv_figures, starts, now_ms, reason))
        self.closed |= self._last_balances()

    def _try(self, subject: str, step: Callable[[], None]) -> None:
        try:
            step()
        except Failure:
            raise
        except Exception as exc:  # an edge of the house style: one board in the step
            self.state.failed_boards[subject] = described(exc)

    def _parents(self, changed: Iterable[int]) -> Iterator[list[Parent]]:
        """Longer periods around changed intervals that are over, kind by kind, parts before their sums."""
        assert self.state.closed_to is not None, "nothing changes before something was closed"
        found = parents(changed, self.state.closed_to, self._zone, self.state.interval_ms)
        for _, group in groupby(found, key=lambda parent: parent.period):
            yield list(group)

    def _net(self, plan: NetPlan, starts: Ints) -> Columns:
        imports = self._store.columns(plan.imports, Period.INTERVAL, starts)
        return plan.net(imports, self._store.columns(plan.exports, Period.INTERVAL, starts))

    def _balance(self, book: BoardBook, starts: list[int], now_ms: int, reason: str) -> None:
        if not starts:
            return
        step = self.state.interval_ms
        begin = np.array(starts, dtype=np.int64)
        groups = [(g, parts_of(g, Period.INTERVAL, self._zone, step)) for g in self._parents(starts)]
        # read once for all kinds of periods: for a year of forty points that is most of the work
        grid = np.unique(np.concatenate([begin, *(parts.start_ms for _, parts in groups)]))
        net = self._net(book.plan, grid)
        rows = book.interval_rows(begin, begin + step, _rows_at(net, grid, begin))
        self._store.write_balances(rows, now_ms=now_ms, reason=reason)
        for group, parts in groups:
            own = _rows_at(net, grid, parts.start_ms)
            rows = book.period_rows(group, parts, parts.start_ms + step, own)
            self._store.write_balances(rows, now_ms=now_ms, reason=reason)

    def _pv_figures(self, starts: dict[Channel, list[int]], now_ms: int, reason: str) -> None:
        book = self._pv
        if book is None:
            return
        mine = sorted({s for plan in (book.production, book.feeds, book.others) for s in _starts_of(plan, starts)})
        if not mine:
            return
        step = self.state.interval_ms
        begin = np.array(mine, dtype=np.int64)
        rows = book.interval_rows(
            begin,
            begin + step,
            self._net(book.production, begin),
            self._store.columns(book.feeds.imports, Period.INTERVAL, begin),
            self._store.columns(book.feeds.exports, Period.INTERVAL, begin),
            self._net(book.others, begin),
        )
        self._store.write_pv(rows, now_ms=now_ms, reason=reason)
        for group in self._parents(mine):
            part = MADE_OF[group[0].period]
            expected = parts_of(group, part, self._zone, step).expected.tolist()
            rows = [
                sum_pv(parent, self._store.pv(part, parent.start_ms, parent.end_ms), count)
                for parent, count in zip(group, expected, strict=True)
            ]
            self._store.write_pv(rows, now_ms=now_ms, reason=reason)

    def pv_day(self, now_ms: int) -> PvNow | None:
        """PV figures of the local day so far."""
        if self._pv is None:
            return None
        start, _ = bounds(Period.DAY, now_ms, self._zone, self.state.interval_ms)
        until = min(now_ms, self.state.closed_to or 0)
        rows = self._store.pv(Period.INTERVAL, start, until)
        if not rows:
            return PvNow(start, start, None, None, None, None, None)
        total = sum_pv(Parent(Period.DAY, start, rows[-1].end_ms), rows, (until - start) // self.state.interval_ms)
        return PvNow(
            start,
            total.end_ms,
            total.production,
            total.grid_export,
            total.self_use,
            ratio(total.self_use, total.production),
            ratio(total.self_use, total.consumption),
            total.estimated,
        )


def _rows_at(columns: Columns, grid: Ints, starts: Ints) -> Columns:
    """The rows of some starts, each of which is in the grid."""
    place = np.searchsorted(grid, starts)
    return Columns(columns.energy[place], columns.present[place], columns.flags[place])


def _starts_of(plan: NetPlan, starts: dict[Channel, list[int]]) -> list[int]:
    """Changed intervals of any register of a plan, sorted."""
    return sorted({s for channel in (*plan.imports, *plan.exports) for s in starts.get(channel, ())})
