"""From the readings of one cumulative register to breakpoints: rollover, reset, single zero, freeze, exchange, jump.

The tracker follows readings in the order of their own time. A reading that can follow the last accepted one (not
falling, not faster than the point can draw) is accepted; any other is held until later readings explain it:

    rollover      the register passed its largest value: the next readings count up from there
    freeze        it stood still and caught up: the next readings count up from there
    reset         it restarted near zero: n readings in a row that count up
    level change  it stands at another level, cause unknown: n readings in a row that count up; energy across is unknown
    otherwise     the last accepted reading is followed after all: what was held was noise and is dropped

What a reading becomes depends only on the set of readings, never on their order of arrival: late ones make the shell
run the tracker again from an `Anchor`. Lifetime totals are never booked as one interval.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from meterd.core.model.plan import Board, Instrument, Limits, Point, Site
from meterd.core.model.results import Anchor
from meterd.core.registers.register_line import Bools, Breakpoints, Edge, Ints

_FOREVER = 2**62
_PLAUSIBLE = Fraction(3, 2)  # a jump beyond contract power x time x 1.5 is refused: faults A12


@dataclass(frozen=True, slots=True)
class Rule:
    """What one instrument can show, from `from_ms` until `until_ms` (exclusive).

    Shown values, `capacity`, `resolution`, `opening` and `closing` are milli-units; `limit_per_s` milli-units a second.
    One shown milli-unit is numerator/denominator mWh. `gap` is the energy in mWh since the instrument before was taken out.
    """

    from_ms: int = -_FOREVER
    until_ms: int = _FOREVER
    capacity: int | None = None
    limit_per_s: int = 416_667
    resolution: int = 0
    confirmations: int = 3
    freeze_max_ms: int = 86_400_000
    numerator: int = 1
    denominator: int = 1
    opening: int | None = None
    closing: int | None = None
    gap: int | None = None

    def limit(self, elapsed_ms: int) -> int:
        """The largest advance that is possible in that time, with one step of resolution."""
        return self.limit_per_s * elapsed_ms // 1000 + self.resolution + 1

    def counts_up(self, elapsed_ms: tuple[int, int], rise: tuple[int, int], highest: int) -> bool:
        """Whether readings with these extremes (least, most) all plainly follow the one before them."""
        one_turn = self.capacity is None or (self.limit(elapsed_ms[1]) < self.capacity and highest < self.capacity)
        return one_turn and rise[0] >= 0 and rise[1] <= self.limit(elapsed_ms[0])

    def mwh(self, raw: int) -> int:
        """Shown milli-units in mWh, rounded half up."""
        return (raw * self.numerator + self.denominator // 2) // self.denominator

    def mwh_column(self, raw: Ints) -> Ints:
        """The same for a column, exact also where the product passes 64 bits."""
        if self.numerator == self.denominator:
            return raw
        if len(raw) and int(np.max(np.abs(raw))) * self.numerator >= 2**62:
            return np.array([self.mwh(int(value)) for value in raw], dtype=np.int64)
        return (raw * self.numerator + self.denominator // 2) // self.denominator


@dataclass(frozen=True, slots=True)
class Event:
    """Something the tracker decided that a person may want to know; energies in mWh."""

    kind: str  # rollover, reset, level-change, frozen, suspect, ambiguous, exchange, exchange-unknown
    at_ms: int
    shown: int
    before: int


def rules_of(site: Site, point: Point, register: str, *, per_ct: bool, pulses: bool) -> tuple[Rule, ...]:
    """The dated rules of one cumulative register of a point, from its instruments and the limits of the plan.

    Without an instrument in the plan there is one rule without rollover for all time.
    """
    board = next((b for b in site.boards if b.name == point.board), Board(point.board))
    instruments = site.instruments_of(point.name) or (Instrument(point.name, -_FOREVER),)
    return tuple(
        _rule(site.limits, point, board, instrument=i, register=register, marks=(per_ct, pulses)) for i in instruments
    )


def _rule(
    limits: Limits, point: Point, board: Board, *, instrument: Instrument, register: str, marks: tuple[bool, bool]
) -> Rule:
    per_ct, pulses = marks
    factor = Fraction(1)
    if per_ct and instrument.ct_ratio:
        factor *= instrument.ct_ratio
    if pulses and instrument.pulse_wh:
        factor *= instrument.pulse_wh
    # a register and its instrument's `register_max_wh` and `resolution_wh` are in the same shown unit
    limit = _PLAUSIBLE * _largest_power_mw(limits, point, board) / 3600 / factor
    capacity = instrument.register_max_wh
    return Rule(
        from_ms=instrument.from_ms,
        until_ms=_FOREVER if instrument.until_ms is None else instrument.until_ms,
        capacity=None if capacity is None else round(capacity * 1000),
        limit_per_s=-(-limit.numerator // limit.denominator),
        resolution=round(instrument.resolution_wh * 1000) if not pulses else 1000,
        confirmations=limits.reset_confirmations,
        freeze_max_ms=limits.freeze_max_s * 1000,
        numerator=factor.numerator,
        denominator=factor.denominator,
        opening=dict(instrument.opening).get(register),
        closing=dict(instrument.closing).get(register),
        gap=dict(instrument.gap).get(register),
    )


def _largest_power_mw(limits: Limits, point: Point, board: Board) -> Fraction:
    if point.rating_a is None:
        return Fraction(limits.point_max_w) * 1000
    return Fraction(round(3**0.5 * board.nominal_v * point.rating_a * 1000))


class Tracker:
    """Follows one register. Feed it in order of time; what falls behind asks for a new run (`rerun_from`)."""

    __slots__ = (
        "_base",
        "_grown",
        "_index",
        "_last",
        "at",
        "breakpoints",
        "events",
        "pending",
        "plateau",
        "raw",
        "redrawn_from",
        "rerun_from",
        "rules",
    )

    def __init__(
        self, rules: Sequence[Rule], anchor: Anchor | None = None, breakpoints: Breakpoints | None = None
    ) -> None:
        self.rules = tuple(rules)
        self.breakpoints = Breakpoints() if breakpoints is None else breakpoints
        self.pending: list[tuple[int, int]] = []
        self.events: list[Event] = []
        self.rerun_from: int | None = None
        self.redrawn_from: int | None = None  # since when a register that caught up was found to have stood still
        self.at: int | None = None
        self.raw: int | None = None
        self.plateau = 0
        self._base = 0
        self._grown = False
        self._index = 0
        self._last = (-_FOREVER, 0)  # the last reading followed, whatever became of it
        if anchor is not None:
            self._index = max(i for i, rule in enumerate(self.rules) if rule.from_ms <= anchor.at_ms)
            self.at, self.raw, self.plateau = anchor.at_ms, anchor.raw, anchor.plateau_ms
            self._base = -self.rule.mwh(anchor.raw)
            self._last = (anchor.at_ms, anchor.raw)
            self.breakpoints.add(anchor.at_ms, 0, anchor.raw, plateau=anchor.plateau_ms, edge=Edge.KNOWN, anchorable=1)

    @property
    def rule(self) -> Rule:
        """The rule of the instrument now fitted."""
        return self.rules[self._index]

    @property
    def seen_to(self) -> int:
        """The time up to which readings have been taken into account."""
        return self._last[0]

    @property
    def total(self) -> int | None:
        """The newest running total in mWh, None before the first accepted reading."""
        return self.breakpoints.total[-1] if len(self.breakpoints) else None

    def is_final(self, at_ms: int) -> bool:
        """Whether no later reading can change the line before a moment: there, only a register found to have stood still
        since before it would be redrawn."""
        if self.at is None or self.at < at_ms:
            return False
        return self.plateau >= at_ms or self.at - self.plateau > self.rule.freeze_max_ms

    def run(self, times: Ints, raws: Ints) -> None:
        """Follow many readings, sorted by (time, value). Runs of plain readings are taken at once."""
        low = (
            int(np.searchsorted(times, self.rule.from_ms, side="left"))
            if self.at is None
            else self._after_anchor(times, raws)
        )
        while low < len(times):
            high = int(np.searchsorted(times, self.rule.until_ms, side="left"))
            if high > low:
                self._run_one(times[low:high], raws[low:high])
            low = max(low, high)
            if low < len(times) and not self._exchange(int(times[low])):
                low += 1

    def _after_anchor(self, times: Ints, raws: Ints) -> int:
        low = int(np.searchsorted(times, self._last[0], side="left"))
        while low < len(times) and (int(times[low]), int(raws[low])) <= self._last:
            low += 1
        return low

    def _run_one(self, times: Ints, raws: Ints) -> None:
        """Readings of one instrument: plain stretches at once, the rest step by step."""
        count = len(times)
        rise = np.diff(raws)
        odd = self._irregular(np.diff(times), rise, raws)
        i = 0
        while i < count:
            self.step(int(times[i]), int(raws[i]))
            i += 1
            if not self.pending and self.at == times[i - 1] and self.raw == raws[i - 1]:
                k = int(np.searchsorted(odd, i))
                j = int(odd[k]) if k < len(odd) else count
                self._accept_run(times[i:j], raws[i:j], rise[i - 1 : j - 1] > 0)
                i = j

    def _irregular(self, elapsed: Ints, rise: Ints, raws: Ints) -> Ints:
        """Places of the readings that do not plainly follow the one before them."""
        rule = self.rule
        if not len(rise):
            return np.empty(0, dtype=np.int64)
        # one look at the extremes spares a column of divisions: in most histories every reading is plain
        apart, rose = ((int(part.min()), int(part.max())) for part in (elapsed, rise))
        if rule.counts_up(apart, rose, int(raws.max())):
            return np.empty(0, dtype=np.int64)
        limit = rule.limit_per_s * elapsed // 1000 + (rule.resolution + 1)
        plain = (rise >= 0) & (rise <= limit)
        if rule.capacity is not None:
            plain &= (limit < rule.capacity) & (raws[1:] < rule.capacity)
        return np.flatnonzero(~plain) + 1

    def _accept_run(self, times: Ints, raws: Ints, risen: Bools) -> None:
        if not len(times):
            return
        self.plateau = self.breakpoints.extend(
            times, self._base + self.rule.mwh_column(raws), raws, risen, self.plateau
        )
        self.at, self.raw = int(times[-1]), int(raws[-1])
        self._last = (self.at, self.raw)

    def step(self, t: int, raw: int) -> None:
        """Follow one reading that is not earlier than those before it; an earlier one asks for a new run."""
        if (t, raw) <= self._last:
            if (t, raw) != self._last:
                self.ask(t)
            return
        self._last = (t, raw)
        while t >= (rule := self.rule).until_ms:
            if not self._exchange(t):
                return
        if t < rule.from_ms:
            return
        if self.raw is None or self.at is None:
            self._first(t, raw)
            return
        rise, limit = raw - self.raw, rule.limit(t - self.at)
        if 0 <= rise <= limit and (rule.capacity is None or (limit < rule.capacity and raw < rule.capacity)):
            if self.pending:
                self._decide_pending(t, raw)
            self._accept(t, raw, Edge.KNOWN, 1)
        elif -rule.resolution <= rise < 0:
            self._drop_pending()
            self._accept(t, self.raw, Edge.KNOWN, 1)
        elif 0 <= rise <= limit and rule.capacity is not None and raw < rule.capacity:
            # within this time the register could have gone round more than once: the least is a lower bound
            self._drop_pending()
            self.events.append(Event("ambiguous", t, raw, self.raw))
            self._accept(t, raw, Edge.BOUND, 1)
        else:
            self._hold(t, raw)

    def ask(self, t: int) -> None:
        """Ask for a new run from before t."""
        self.rerun_from = t if self.rerun_from is None else min(self.rerun_from, t)

    def _first(self, t: int, raw: int) -> None:
        """The first reading of an instrument. After an exchange without readings the energy across is unknown."""
        total = self.total
        self._base = (total or 0) - self.rule.mwh(raw)
        self.raw = raw
        self._accept(t, raw, Edge.KNOWN if total is None else Edge.BREAK, 1)

    def _accept(self, t: int, raw: int, edge: Edge, anchorable: int) -> None:
        if raw != self.raw or self.at is None or edge is not Edge.KNOWN:
            self.plateau = t
        self.at, self.raw = t, raw
        self.breakpoints.add(
            t, self._base + self.rule.mwh(raw), raw, plateau=self.plateau, edge=edge, anchorable=anchorable
        )

    def _drop_pending(self) -> None:
        if self.pending:
            assert self.raw is not None
            t, raw = self.pending[0]
            self.events.append(Event("suspect", t, raw, self.raw))
            self.pending.clear()

    def _decide_pending(self, t: int, raw: int) -> None:
        """A reading that can follow the accepted one decides about the held ones: noise, or a hurried but true rise.

        A held rise that the new reading goes on from was true: a register that caught up, or uneven time stamps. In the
        latter case the line goes straight to the new reading, so that no edge is faster than the point can draw.
        """
        if not self._follows(t, raw) or self.pending[0][1] < (self.raw or 0):
            self._drop_pending()
            return
        assert self.raw is not None
        if self._froze(self.pending[0][0], self.pending[0][1] - self.raw):
            self._thaw(anchorable=0)
        else:
            self.events.append(Event("hurried", *self.pending[0], self.raw))
            self.pending.clear()

    def _follows(self, t: int, raw: int) -> bool:
        last_t, last_raw = self.pending[-1]
        return 0 <= raw - last_raw <= self.rule.limit(t - last_t)

    def _hold(self, t: int, raw: int) -> None:
        if self.pending:
            last_raw = self.pending[-1][1]
            if self._follows(t, raw):
                self._grown |= raw > last_raw
                if len(self.pending) > 1 and raw == last_raw == self.pending[-2][1]:
                    self.pending[-1] = (t, raw)  # a flat stretch needs only its ends
                else:
                    self.pending.append((t, raw))
                self._explain()
                return
            self._drop_pending()
        self._grown = False
        self.pending.append((t, raw))

    def _explain(self) -> None:
        """Accept what is held as soon as enough readings support one explanation."""
        assert self.raw is not None
        assert self.at is not None
        rule = self.rule
        t, raw = self.pending[0]
        rise, limit = raw - self.raw, rule.limit(t - self.at)
        if not self._grown or (rule.capacity is not None and self.pending[-1][1] >= rule.capacity):
            return
        if rule.capacity is not None and rise < 0 and rise + rule.capacity <= limit:
            # with time enough for a second turn the energy is only a lower bound
            edge = Edge.BOUND if limit - rise >= 2 * rule.capacity else Edge.KNOWN
            self._base += rule.mwh(rule.capacity)
            self._confirm("rollover" if edge is Edge.KNOWN else "ambiguous", edge)
        elif rise > limit and self._froze(t, rise):
            self._thaw(anchorable=1)
        elif len(self.pending) >= rule.confirmations:
            if rise < 0 and 0 <= raw <= limit:
                self._base = self.breakpoints.total[-1]
                self._confirm("reset", Edge.BOUND)
            else:
                self._base = self.breakpoints.total[-1] - rule.mwh(raw)
                self._confirm("level-change", Edge.BREAK)

    def _thaw(self, anchorable: int) -> None:
        """The register stood still since `plateau` and caught up: the line goes straight from there to what is held."""
        if self.breakpoints.t[0] > self.plateau:
            self.ask(self.plateau)  # the stretch to be redrawn begins before the breakpoints at hand
        self.breakpoints.drop_after(self.plateau)
        self.redrawn_from = self.plateau if self.redrawn_from is None else min(self.redrawn_from, self.plateau)
        self._confirm("frozen", Edge.ESTIMATED, anchorable)

    def _froze(self, t: int, rise: int) -> bool:
        assert self.at is not None
        stood = t - self.plateau
        return self.plateau < self.at and stood <= self.rule.freeze_max_ms and rise <= self.rule.limit(stood)

    def _confirm(self, kind: str, edge: Edge, anchorable: int = 1) -> None:
        """Accept what is held. Only the last may serve as an anchor, and only if nothing after it was needed."""
        held, self.pending = self.pending, []
        assert self.raw is not None
        self.events.append(Event(kind, held[0][0], held[0][1], self.raw))
        for i, (t, raw) in enumerate(held):
            self._accept(t, raw, edge if i == 0 else Edge.KNOWN, anchorable if i == len(held) - 1 else 0)

    def _exchange(self, t: int) -> bool:
        """Go on to the next instrument if there is one; False when the reading at t belongs to none."""
        if self._index + 1 == len(self.rules):
            return False
        old, new = self.rule, self.rules[self._index + 1]
        self._drop_pending()
        closed = self._close(old)
        self._index += 1
        seamless = closed and new.opening is not None and (new.from_ms == old.until_ms or new.gap is not None)
        if seamless:
            assert new.opening is not None
            total = self.breakpoints.total[-1] + (new.gap or 0)
            self._base = total - new.mwh(new.opening)
            self.at, self.raw, self.plateau = new.from_ms, new.opening, new.from_ms
            if new.gap is not None and new.from_ms > old.until_ms:
                self.breakpoints.add(
                    new.from_ms, total, new.opening, plateau=new.from_ms, edge=Edge.ESTIMATED, anchorable=0
                )
        else:
            self.raw = None
        if len(self.breakpoints):
            kind = "exchange" if seamless else "exchange-unknown"
            self.events.append(Event(kind, new.from_ms, new.opening or 0, old.closing or 0))
        return True

    def _close(self, rule: Rule) -> bool:
        """Take the closing reading of the old instrument as its last, if it can follow."""
        if rule.closing is None or self.raw is None or self.at is None:
            return False
        if not -rule.resolution <= rule.closing - self.raw <= rule.limit(rule.until_ms - self.at):
            return False
        # a person reads off the display what the interface has already given with one more digit
        self._accept(rule.until_ms, max(rule.closing, self.raw), Edge.KNOWN, 0)
        return True
