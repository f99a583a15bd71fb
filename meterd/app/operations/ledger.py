"""Writes the store: readings into the journal, figures out of the core, all of one tick in one transaction."""

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from zoneinfo import ZoneInfo

from meterd.adapters.store.journal import UNFIT, Failure
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations import late_readings as late_work
from meterd.app.operations import recompute, whole_history
from meterd.app.operations.late_readings import LATE, LATE_WORK, SHORT, Work
from meterd.app.operations.period_sums import CLOSED_TO, PARTS, Sums
from meterd.app.operations.plan_changes import changed_instruments, keep_instruments, take_names
from meterd.app.operations.recompute import Item, Piece, bounded, recomputed_figures, refuse_final, vanished
from meterd.core import engine
from meterd.core.energy.aggregation import Contradiction, Parent
from meterd.core.engine import Request, State
from meterd.core.errors import ConfigError, StoreError, described
from meterd.core.model.periods import floor
from meterd.core.model.plan import Site
from meterd.core.model.reading import Reading
from meterd.core.model.results import BalanceRow, Channel, FigureRow
from meterd.core.model.rounds import FEWEST
from meterd.core.model.snapshot import PvNow
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in, words_of, written
from meterd.core.registers.corrections import FIGURES_FROM, FOREVER_MS
from meterd.core.registers.register_line import Ints

QUIET_S = 2.0  # without a further late reading: what lies before the next one is no hole that is about to be filled
FIRST_ROWS = 500  # intervals of all registers in the first piece
_UNSETTLED = "unsettled_from_ms"  # since when the journal holds readings of which nothing was made yet


@dataclass(frozen=True, slots=True)
class Tick:
    """What one tick kept."""

    readings: int
    figures: int


class Ledger:
    """The one writer of a store, together with the state of the core. Not for use by two threads."""

    def __init__(self, store: WriteStore, site: Site, zone: ZoneInfo) -> None:
        self._store, self._site, self._zone = store, site, zone
        self._clocks = clocks_in(store.fact(METER_CLOCKS))
        self._sums = Sums(store, site, zone, self._clocks)
        self._spoiled = False  # whether the state holds more than was stored
        self.late = Work({})  # what follows from readings of times long past, and is made in pieces
        self._late_s = 0.0  # when the last of them came
        self.corrected = 0  # intervals that corrections and changed plans have changed since the start
        self._rows_most = FIRST_ROWS
        self._summing: tuple[Parent, Iterator[list[BalanceRow] | None]] | None = None
        self.renamed = take_names(store, site)
        self.state = self._begin()
        self._take_instruments()
        self.closed: dict[str, BalanceRow] = {}
        self.contradiction: Contradiction | None = None  # of the meters in the last closed interval
        self._note_closed()

    def _begin(self) -> State:
        """Take up the journal where it ends: after a start, and after a transaction that was not stored."""
        closed_to = self._store.fact(CLOSED_TO)
        corrections = self._store.corrections.all()
        closed_ms = None if closed_to is None else int(closed_to)
        state = engine.begin(self._site, self._zone, closed_ms, corrections, clocks=self._clocks)
        for row in self._site.inputs:
            channel = (row.point, row.register)
            if channel not in state.trackers:
                engine.recall(state, channel, self._store.newest(channel, FEWEST))
        self._figures_from = int(self._store.fact(FIGURES_FROM) or -(2**62))
        self.late, unsettled = late_work.read(self._store.fact(LATE_WORK)), self._store.fact(_UNSETTLED)
        since = int(unsettled) if unsettled else None
        if since is not None and closed_ms is not None:
            near = late_work.horizon(state, closed_ms)
            if since < near:
                every = [(channel, since, near) for channel in state.trackers]
                self.late, since = late_work.noted(self.late, self._store, state, every), near
        self._behind = engine.restart_requests(state, since)
        self._summing, self._spoiled = None, False
        return state

    def _take_instruments(self) -> None:
        """Closed figures follow instruments that the plan has otherwise now, with `recompute_piece`."""
        with suppress(StoreError), self._store.transaction():  # one that refuses now is asked again by the next start
            known = recompute.items_of(self._store)
            waiting = [item for item in known if (item[1], item[2]) in self.state.rules]
            changed = changed_instruments(self._store, self.state)
            changed += [(channel, -FOREVER_MS) for channel in self.renamed if channel in self.state.rules]
            waiting += [(0, *channel, since, FOREVER_MS) for channel, since in changed]
            if waiting != known:
                recompute.keep_items(self._store, waiting)
            keep_instruments(self._store, self.state)

    def _begin_again(self) -> None:
        """Back to what the journal holds; with the next tick if even that cannot be read now."""
        live, self._spoiled = self.state.instant, True
        with suppress(Failure):
            self.state = self._begin()
            self.state.instant = {**self.state.instant, **live}  # only memory has them while nothing can be stored

    def tick(self, readings: Sequence[Reading], now_ms: int) -> Tick:
        """Keep readings and every figure that follows from them; StoreError if nothing could be stored.

        After any exception the state is what the journal says, and the same readings may be given again.
        """
        with self._as_stored():
            if self._spoiled:
                self.state = self._begin()
            # first back to where the journal stood: what the new readings change is judged against that
            self._begin_with_journal(now_ms)
            changed = self._write(self._catch_up(self._behind), now_ms, LATE)
            new = self._store.add_readings(readings)
            requests = engine.take(self.state, self._put_aside(new, now_ms))
            changed += self._write(self._catch_up(self._put_off(requests)), now_ms, LATE)
            changed += self._write(engine.close(self.state, self._close_until(now_ms)), now_ms, "closed")
            self._roll(changed, now_ms)
            self._keep_late()
            if self._store.fact(_UNSETTLED):
                self._store.set_fact(_UNSETTLED, "")
        self._behind = []
        return Tick(len(new), len(changed))

    def keep(self, readings: Sequence[Reading]) -> tuple[Tick, list[tuple[Reading, str]]]:
        """Keep readings in the journal only, figures come with the next tick; also returns those it cannot hold, and why."""
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
        engine.take_live(self.state, readings)
        return Tick(new, 0), unfit

    def pv_day(self, now_ms: int) -> PvNow | None:
        """PV figures of the local day so far."""
        return self._sums.pv_day(self.state, now_ms)

    # -- times long past -----------------------------------------------------------------------------------------------

    def _begin_with_journal(self, now_ms: int) -> None:
        """A journal without figures, as one that was saved from a damaged file: they are made in pieces, beside the present."""
        if self.state.closed_to is not None:
            return
        near = late_work.horizon(self.state, floor(now_ms, self.state.interval_ms))
        firsts = [(channel, self._store.first_ms(channel)) for channel in self.state.trackers]
        old = [(channel, first, near) for channel, first in firsts if first is not None and first < near]
        self.late = late_work.noted(self.late, self._store, self.state, old)

    def _put_aside(self, readings: Sequence[Reading], now_ms: int) -> Sequence[Reading]:
        """Note readings of counters that are behind the horizon; returns the others."""
        state = self.state
        base = floor(now_ms, state.interval_ms) if state.closed_to is None else state.closed_to
        near = late_work.horizon(state, base)
        times: dict[Channel, list[int]] = {}
        for reading in readings:
            channel = (reading.point, reading.register)
            if reading.at_ms < near and channel in state.trackers and (reading.device_time or not reading.old):
                times.setdefault(channel, []).append(reading.at_ms)
        if not times:
            return readings
        final = self._figures_from
        late = [(channel, max(min(own), final), max(*own, final)) for channel, own in times.items()]
        self.late = late_work.noted(self.late, self._store, state, late)
        self._late_s, self._summing = time.monotonic(), None
        return [r for r in readings if r.at_ms >= near or (r.point, r.register) not in times]

    def _put_off(self, requests: Sequence[Request]) -> list[Request]:
        """Note registers that must be followed again from behind the horizon, as after a long silence; returns the others."""
        state = self.state
        if state.closed_to is None:
            return list(requests)
        near, soon, late = late_work.horizon(state, state.closed_to), [], []
        for request in requests:
            tracker = state.trackers.get(request.channel)
            if request.from_ms is None or request.from_ms >= near or tracker is None:
                soon.append(request)
                continue
            tracker.rerun_from = tracker.redrawn_from = None  # asked for and noted; the present goes on from here
            late.append((request.channel, request.from_ms, late_work.END))
        self.late = late_work.noted(self.late, self._store, state, late)
        return soon

    def _close_until(self, now_ms: int) -> int:
        """The moment to which periods are closed now: after months of absence so many at a time."""
        closed_to, limits = self.state.closed_to, self._site.limits
        if closed_to is None:
            return now_ms
        most = closed_to + (closed_to - late_work.horizon(self.state, closed_to)) + limits.close_after_s * 1000
        return min(now_ms, most)

    def _keep_late(self) -> None:
        text, known = late_work.written(self.late), self._store.fact(LATE_WORK)
        if text and text != known:
            self._store.set_fact(LATE_WORK, text)
        elif known is not None and not text:
            self._store.forget_fact(LATE_WORK)

    def late_step(self, now_ms: int, quiet_s: float = QUIET_S) -> bool:
        """Close what was missed, or make a piece of figures of times long past; whether there was anything to do.

        StoreError if it is not stored; then the same piece is done again.
        """
        if self._close_until(now_ms) < now_ms - self.state.interval_ms:
            self.tick([], now_ms)
            return True
        if not self.late or self.state.closed_to is None or self._behind or self._spoiled:
            return False
        with self._as_stored():
            if self.late.registers:
                calm = time.monotonic() - self._late_s >= quiet_s
                done = self._late_registers(now_ms, tuple(self.late.registers) if calm else ())
            else:  # a correction that is under way sums at its end
                done = not self._waiting() and self._late_sums(now_ms)
            self._keep_late()
        return done

    def _late_registers(self, now_ms: int, quiet: Sequence[Channel], rows_most: int = 0) -> bool:
        begun = time.thread_time()  # of this thread: on a busy machine small pieces would only make the whole longer
        lates = self.late.registers
        piece = late_work.piece(self._store, self.state, self.late, rows_most or self._rows_most, quiet)
        if piece is None:
            return False
        rows = piece.rows + [
            row
            for late in piece.last
            for row in late_work.to_the_end(self._store, self.state, late, self._figures_from)
        ]
        self.late = replace(self.late, registers=piece.left)
        for reason in sorted({lates[row.channel].reason for row in rows}):
            own = self._write([row for row in rows if lates[row.channel].reason == reason], now_ms, reason)
            self._sums.roll(self.state, own, now_ms, PARTS if reason == LATE else reason, boards=SHORT)
            self._note_changed(own, reason)
        self._rows_most = late_work.fitted(self._rows_most, time.thread_time() - begun, len(rows))
        return True

    def _note_changed(self, changed: Sequence[FigureRow], reason: str) -> None:
        """Intervals that were made again: the balances of long periods around them wait."""
        if changed:
            self._note_closed()
            starts = [row.start_ms for row in changed]
            self.late, self._summing = late_work.with_span(self.late, (min(starts), max(starts) + 1)), None
            self.corrected += 0 if reason == LATE else len(changed)

    def _late_sums(self, now_ms: int) -> bool:
        """Sums of a long history, then weeks, months and years of boards, one after the other, each a part at a time."""
        if self.late.unsummed[0] < self.late.unsummed[1]:
            part = whole_history.next_part(self.late, self.state, self._rows_most)
            self._sums.sum_all(self.state, part, now_ms, boards=SHORT)
            self.late = late_work.with_span(self.late.summed(part), part)
            return True
        if self._summing is None:
            waiting = self._sums.long_parents(self.state, self.late.spans, self.late.done)
            if not waiting:
                self.late = Work({})
                return True
            self._summing = waiting[0], self._sums.long_balances(self.state, waiting[0])
        parent, parts = self._summing
        rows = next(parts)
        if rows is not None:
            self._store.write_balances(rows, now_ms=now_ms, reason=PARTS)
            self.late, self._summing = replace(self.late, done=late_work.place_of(parent)), None
        return True

    # -- corrections ---------------------------------------------------------------------------------------------------

    def correct(self, channel: Channel, span: tuple[int, int], now_ms: int, keep: Callable[[], int]) -> int:
        """Let `keep` change the corrections of a register within a span; what is made from now on follows them.

        `keep` returns the number of the correction, and so does this. Closed figures follow with `recompute_piece`, also after a
        restart. ConfigError where they cannot be recalculated, StoreError if nothing could be stored.
        """
        with self._changing(channel, span[0], now_ms):
            number = keep()
            engine.correct(self.state, self._store.corrections.all())
            recompute.keep_items(self._store, [*recompute.items_of(self._store), (number, *channel, *span)])
        return number

    def correct_reading(self, channel: Channel, at_ms: int, now_ms: int, keep: Callable[[], int]) -> int:
        """Let `keep` change what the reading of a moment is taken for, and follow the register again from there.

        A reading decides how every later one is understood. What is behind the horizon is made in pieces: the first in the
        same transaction, the others by `late_step` and `recompute_piece`. Returns and raises like `correct`.
        """
        with self._changing(channel, at_ms, now_ms):
            number, state = keep(), self.state
            engine.correct(state, self._store.corrections.all())
            low, base = floor(at_ms, state.interval_ms), state.closed_to or 0
            late = late_work.noted(self.late, self._store, state, [(channel, at_ms, at_ms)], number)
            if late.registers[channel].low < late_work.horizon(state, base):
                self.late = late
                self._late_registers(now_ms, (channel,), FIRST_ROWS)
                recompute.keep_items(self._store, [*recompute.items_of(self._store), (number, *channel, low, low)])
                self._keep_late()
            else:
                rows = self._catch_up([Request(channel, at_ms)])
                gone = vanished(self._store, channel, low, rows, base or low)
                changed = self._write(gone + rows, now_ms, recompute.reason_of(number))
                self._roll(changed, now_ms, recompute.reason_of(number))
                self.corrected += len(changed)
            self._refuse_lost(channel, at_ms)
        return number

    @contextmanager
    def _as_stored(self) -> Iterator[None]:
        """A transaction; after any exception the state is what the journal says."""
        try:
            with self._store.transaction():
                yield
        except BaseException:
            self._begin_again()
            raise

    @contextmanager
    def _changing(self, channel: Channel, from_ms: int, now_ms: int) -> Iterator[None]:
        """A transaction that begins with the figures up to date."""
        with self._as_stored():
            if self._spoiled:
                self.state = self._begin()
            self._roll(self._write(self._catch_up(self._behind), now_ms, LATE), now_ms)
            self._refuse_lost(channel, from_ms)
            yield
        self._behind = []

    def recompute_piece(self, now_ms: int) -> int | None:
        """Make some local days of figures again that wait for it, at last their longest sums; how many intervals changed.

        None if nothing waits. A piece takes some tenths of a second; StoreError if it is not kept, then it is done again.
        """
        waiting = self._waiting()
        if not waiting or self.state.closed_to is None:
            return None
        item, begun, before = waiting[0], time.thread_time(), self.corrected
        channel = (item[1], item[2])
        piece = recompute.piece_of(self._store, self.state, item, self._figures_from, self._rows_most)
        more = piece.begin < piece.end
        with self._as_stored():
            if more:
                self._recompute(channel, piece, now_ms, recompute.reason_of(item[0]))
            elif channel in self.late.registers:  # of a corrected reading
                self._late_registers(now_ms, (channel,))
            elif self.late.only_sums:
                self._late_sums(now_ms)
            rest = (*item[:3], piece.end, piece.high) if more else item
            done = not more and channel not in self.late.registers and not self.late.only_sums
            others = [other for other in recompute.items_of(self._store) if other != item]
            recompute.keep_items(self._store, others if done else [rest, *others])
            self._keep_late()
        if more:
            rows = (piece.end - piece.begin) // self.state.interval_ms
            self._rows_most = late_work.fitted(self._rows_most, time.thread_time() - begun, rows)
        return self.corrected - before

    def _recompute(self, channel: Channel, piece: Piece, now_ms: int, reason: str) -> None:
        """The intervals of a piece again, what is summed of them, and the note that the longest balances wait."""
        rows = recomputed_figures(self._store, self.state, channel, piece.low, piece.end)[0]
        changed = self._write(rows, now_ms, reason)
        self._sums.roll(self.state, changed, now_ms, reason, boards=SHORT, periods=SHORT)
        self._sums.sum_long(self.state, channel, (piece.low, piece.end), piece.end == piece.high, (now_ms, reason))
        self._note_changed(changed, reason)

    def _waiting(self) -> list[Item]:
        """What is to be recalculated of registers that the plan has."""
        return [item for item in recompute.items_of(self._store) if (item[1], item[2]) in self.state.trackers]

    def _refuse_lost(self, channel: Channel, from_ms: int) -> None:
        if text := self.state.failed.get(channel):
            raise StoreError(f"{channel[0]} is set aside and its figures cannot be recalculated: {text}")
        if channel not in self.state.trackers:
            raise ConfigError(f"the plan reads no register {channel[1]} of {channel[0]} that counts energy")
        refuse_final(self._store, from_ms)

    def note_clocks(self, offsets_ms: Mapping[str, int]) -> bool:
        """Write down how far clocks of meters are off, from the first interval that is not closed; the bands follow.

        Returns whether anything changed. StoreError if it is not stored.
        """
        since, most_s = self.state.closed_to, self._site.limits.clock_band_s
        results = self._clocks if since is None else written(self._clocks, offsets_ms, since, most_s)
        if results == self._clocks:
            return False
        with self._store.transaction():
            self._store.set_fact(METER_CLOCKS, words_of(results))
        self._clocks = results
        self.state.aggregations = self._sums.take_clocks(results)
        return True

    def make_final(self, figures_from: int) -> None:
        """No figure before that moment is recalculated: readings of it are about to be deleted. StoreError if not stored."""
        with self._store.transaction():
            self._store.set_fact(FIGURES_FROM, str(figures_from))
        self._figures_from = max(self._figures_from, figures_from)

    def reopen(self, now_ms: int) -> bool:
        """Open again what was closed ahead of the moment (a clock that was ahead); whether there was anything."""
        self._behind += (requests := engine.reopen(self.state, now_ms))
        return bool(requests)

    def resum_periods(self, spans: Sequence[tuple[int, int]], now_ms: int) -> int:
        """Sum local periods around spans again after the rules of the zone have changed; how many figures had other bounds.

        Those are set aside. Intervals stay as they are. StoreError if it is not stored.
        """
        with self._store.transaction():
            count = self._sums.resum(self.state, spans, now_ms)
        self._note_closed()
        return count

    def import_history(self, channel: Channel, times: Ints, values: Ints, now_ms: int) -> None:
        """Keep many old readings of one register; figures follow with `recompute_all`."""
        with self._store.transaction():
            self._store.add_history(channel, times, values, now_ms)

    def recompute_all(self, closed_to: int, now_ms: int, since: Mapping[Channel, int] | None = None) -> int:
        """Make all figures up to a moment from the journal, with `since` only what follows from readings from there on.

        In some transactions; returns how many intervals changed.
        """
        with self._as_stored():
            points = whole_history.starting_points(self._store, self.state, self.late, self._behind, since)
            self.state.closed_to = max(closed_to, self.state.closed_to or closed_to)
            self._store.set_fact(CLOSED_TO, str(self.state.closed_to))
            self.late = whole_history.work_of(self._store, self.state, self.late, points)
            self._keep_late()
        count = 0
        for channels in whole_history.in_groups(self.late, self.state):
            with self._as_stored():
                for request in (Request(channel, points[channel]) for channel in channels):
                    count += whole_history.follow(self._store, self.state, request, self._figures_from, now_ms)
                    del self.late.registers[request.channel]
                self._keep_late()
        while self.late:
            with self._as_stored():
                self._sums.sum_all(self.state, part := whole_history.next_part(self.late, self.state), now_ms)
                self.late = self.late.summed(part)
                self._keep_late()
        self._note_closed()
        return count

    def _catch_up(self, requests: Sequence[Request]) -> list[FigureRow]:
        """Follow registers again from their anchors, further back as long as the core asks for it."""
        rows: list[FigureRow] = []
        waiting = list(requests)
        while waiting:
            request = bounded(waiting.pop(), self._figures_from)
            if request.channel in self.state.failed:
                continue
            try:
                results, again = self._rerun(request)
            except Failure:
                raise
            except Exception as exc:  # an edge of the house style: one register must not stop the others
                engine.set_aside(self.state, request.channel, exc)
                continue
            rows += results
            if again is not None and bounded(again, self._figures_from) == request:
                gone = StoreError("it must be followed from readings that were deleted; import them again")
                engine.set_aside(self.state, request.channel, gone)
            elif again is not None:
                waiting.append(again)
        return rows

    def _rerun(self, request: Request) -> tuple[list[FigureRow], Request | None]:
        channel = request.channel
        plan = engine.plan_rerun(self.state, request, partial(self._store.anchor, channel))
        since = -(2**62) if plan[1] is None else plan[1].at_ms
        closed_to = self.state.closed_to
        near = -(2**62) if closed_to is None else late_work.horizon(self.state, closed_to)
        pieces = (plan[1] is None or plan[1].at_ms < near) and channel in self.late.registers
        if pieces:
            plan, since = (None, None), near  # what is earlier is made in pieces
        times, values = self._store.history(channel, since)
        if pieces and request.from_ms is not None and len(times):  # up to where the line begins that is followed now
            self.late = late_work.noted(self.late, self._store, self.state, [(channel, request.from_ms, int(times[0]))])
        if not pieces and request.from_ms is None and closed_to is not None and (plan[0] is not None or len(times)):
            first = floor(int(times[0]), self.state.interval_ms) if plan[0] is None else plan[0]
            plan = (max(first, near), plan[1])  # what is earlier stands already; nothing is before the first reading
        return engine.rerun(self.state, channel, plan, (times, values))

    def _note_closed(self) -> None:
        self.closed |= self._sums.last_balances(self.state)
        self.contradiction = self._sums.last_contradiction(self.state)

    def _write(self, rows: Sequence[FigureRow], now_ms: int, reason: str) -> list[FigureRow]:
        return self._store.write_figures(rows, now_ms=now_ms, reason=reason)

    def _roll(self, changed: Sequence[FigureRow], now_ms: int, reason: str = "parts changed") -> None:
        """Sum longer periods, balances and PV figures again wherever an interval changed."""
        self._sums.roll(self.state, changed, now_ms, reason)
        if changed:
            self._note_closed()
