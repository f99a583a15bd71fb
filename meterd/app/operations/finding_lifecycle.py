"""The life of findings: one cause, one finding; opened, renewed, seen, explained, closed, and reported or not."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.acceptances import with_acceptance
from meterd.app.operations.orders import Order
from meterd.core.checks.root_cause import one_cause
from meterd.core.errors import ConfigError
from meterd.core.model.finding import Finding, FindingNote, FindingRow, FindingState, Suppression
from meterd.core.model.finding_cause import EVENTS, SILENCE
from meterd.core.model.periods import text
from meterd.core.model.plan import Site

EVENT_LIFE_MS = 86_400_000  # what a register did stays open for a day, then only the stored figures remember it
CLOSED_HOLDS_MS = 86_400_000  # closed by a person while its cause lasts: for so long it is believed to be mended soon
LAST_SEEN_MS = 300_000  # how exactly "last seen" is stored while a condition lasts: a write a second would say no more
REFUSED_LIFE_MS = 3_600_000  # a count of refused values that stands still for so long is history
NOTES_LIMIT = 10_000  # changes waiting for a store that refuses; a site makes some dozens a day

# of causes that an examination reports: after a start nothing is known of them until the days have been examined
REPORTERS = {
    "drift": "drift",
    "balance-shift": "drift",
    "unusual-use": "unusual",
    "pv-loss": "roof",
    "pv-clock": "roof",
}

_STATES = {
    "see": FindingState.SEEN,
    "explain": FindingState.EXPLAINED,
    "close": FindingState.CLOSED,
    "accept": FindingState.CLOSED,
}


@dataclass(slots=True)
class _Unwritten:
    """Changes that are not in the store yet."""

    rows: dict[str, FindingRow]
    former: dict[tuple[str, int], FindingRow]
    notes: list[FindingNote]
    facts: dict[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.rows or self.former or self.notes or self.facts)


class FindingKeeper:
    """Findings in memory and in the store. Belongs to the loop.

    What the store does not take stays in memory, is shown all the same, and is written as soon as it can be.
    """

    def __init__(self, store: WriteStore, site: Site) -> None:
        self._store, self._tables, self._site = store, store.finding_tables, site
        rows = self._tables.all()
        self._open = {row.finding.id: row for row in rows if row.state != FindingState.CLOSED}
        self._closed = {row.finding.id: row for row in rows if row.state == FindingState.CLOSED}
        self._seen = {name: row.last_ms for name, row in self._open.items()}
        # closed by a person and still there: they stay closed while their cause goes on without a break
        self._quiet = {name for name, row in self._closed.items() if row.by}
        self._ended: dict[str, str] = {}  # how, where it is known
        self._states: dict[str, str] = {}  # state before it went by itself, in case it comes back soon
        noted = self._tables.noted_ends()
        self._ending = {  # closed by itself, and when: noted after a while
            name: row.closed_ms
            for name, row in self._closed.items()
            if row.closed_ms is not None and not row.by and (name, row.number) not in noted
        }
        self._found: dict[str, int] = {}  # when an event was found
        self._reported: dict[str, tuple[Finding, ...]] = {}
        self._ends: dict[str, Mapping[str, str]] = {}
        self._counts: dict[str, tuple[str, int]] = {}  # text of a refusal and since when it is the same
        self._boards = {point.name: point.board for point in site.points}
        self._windows: list[Suppression] | None = None
        self._unwritten = _Unwritten({}, {}, [])

    # -- what can be asked ---------------------------------------------------------------------------------------------

    @property
    def open(self) -> tuple[Finding, ...]:
        """Open findings that may be shown and reported, with their lives, oldest first."""
        rows = sorted(self._open.values(), key=lambda r: (r.first_ms, r.finding.id))
        return tuple(row.shown for row in rows if not row.suppressed)

    def rows(self, closed_since_ms: int) -> list[FindingRow]:
        """Open findings, also suppressed ones, and those closed since a moment."""
        closed = [row for row in self._closed.values() if (row.closed_ms or 0) >= closed_since_ms]
        return [*self._open.values(), *closed]

    def report(self, reporter: str, findings: Iterable[Finding], ends: Mapping[str, str] | None = None) -> None:
        """Conditions found elsewhere (a drift watch, say): they hold until the same reporter says otherwise.

        `ends` is how its findings ended that do not hold any more, by id; under "" what is said of any other of them.
        """
        self._reported[reporter] = tuple(findings)
        self._ends[reporter] = ends or {}

    # -- what holds and what happened ----------------------------------------------------------------------------------

    def update(
        self,
        conditions: Iterable[Finding],
        events: Iterable[Finding],
        now_ms: int,
        heard: Mapping[str, int] | None = None,
    ) -> None:
        """Take over what holds now and what happened since; what does not hold any more is closed.

        `heard` is when each point was heard last. Raises StoreError when the changes could not be stored; the open
        findings are right all the same.
        """
        every = [*conditions, *(finding for several in self._reported.values() for finding in several)]
        every = [finding for finding in every if self._fresh(finding, now_ms)]
        holding = {f.id: f for f in one_cause(self._site, every, lately=self._lately(now_ms), heard=heard)}
        raw = {finding.id for finding in every}
        for finding in events:
            self._event(finding, now_ms)
        for finding in holding.values():
            self._renew(finding, now_ms)
        for name, row in list(self._open.items()):
            reporter = REPORTERS.get(row.finding.cause)
            if reporter is not None and reporter not in self._reported:
                continue
            event = row.finding.cause in EVENTS
            if now_ms - self._found_ms(row) > EVENT_LIFE_MS if event else name not in holding:
                self._over(row, now_ms, part_of=_owner(row, holding.values()) if name in raw else "")
        self._quiet &= holding.keys()
        self._suppress(now_ms)
        self._note_ends(now_ms)
        self._write()

    def _fresh(self, finding: Finding, now_ms: int) -> bool:
        """A count of refused values only grows; the finding lasts while it does."""
        if not finding.cause.startswith("refused-"):
            return True
        known = self._counts.get(finding.id)
        if known is None or known[0] != finding.text:
            self._counts[finding.id] = known = (finding.text, now_ms)
        return now_ms - known[1] < REFUSED_LIFE_MS

    def _lately(self, now_ms: int) -> list[Finding]:
        """Silences that just ended, or so recently that the last closed balance may still lack their points."""
        limits = self._site.limits
        since = now_ms - (2 * self._site.interval_s + limits.close_after_s) * 1000
        rows = [*self._open.values(), *(row for row in self._closed.values() if (row.closed_ms or 0) >= since)]
        return [row.finding for row in rows if row.finding.cause in SILENCE]

    def _renew(self, finding: Finding, now_ms: int) -> None:
        name = finding.id
        known, self._seen[name] = self._open.get(name), now_ms
        if known is None:
            self._raise(finding, now_ms)
            return
        if finding.at_ms == now_ms:  # it holds now; it began when it was first seen
            finding = replace(finding, at_ms=known.finding.at_ms)
        due = now_ms - known.last_ms >= LAST_SEEN_MS
        row = replace(known, finding=finding, last_ms=now_ms if due else known.last_ms)
        self._open[name] = row
        if due:
            self._unwritten.rows[name] = row

    def _raise(self, finding: Finding, now_ms: int) -> None:
        """A condition that was not open: new, or back."""
        name, former = finding.id, self._closed.get(finding.id)
        if former is None:
            self._begin(FindingRow(finding, now_ms, now_ms, FindingState.NEW), now_ms, "")
            return
        closed_ms = former.closed_ms or former.last_ms
        if former.by and name in self._quiet and now_ms - closed_ms < CLOSED_HOLDS_MS:
            return
        if not former.by and now_ms - closed_ms < self._site.notify.clear_s * 1000:
            state = self._states.pop(name, "") or self._state_before(former)
            row = replace(
                former, finding=finding, last_ms=now_ms, state=state, closed_ms=None, part_of="", count=former.count + 1
            )
            del self._closed[name]
            self._open[name] = self._unwritten.rows[name] = row
            return
        self._again(former, finding, now_ms, now_ms)

    def _state_before(self, former: FindingRow) -> str:
        """The state a finding had when it went by itself, from the history: after a restart."""
        notes = self._tables.notes(former.finding.id)
        states = [n.state for n in notes if n.number == former.number and n.state != FindingState.CLOSED]
        return states[-1] if states else FindingState.NEW

    def _again(self, former: FindingRow, finding: Finding, first_ms: int, now_ms: int) -> None:
        """A new life of a finding that was closed."""
        closed_ms = former.closed_ms or former.last_ms
        self._unwritten.former[finding.id, former.number] = former
        self._closed.pop(finding.id, None)
        row = FindingRow(finding, first_ms, first_ms, FindingState.NEW, number=former.number + 1, earlier_ms=closed_ms)
        by = f" by {former.by}" if former.by else ""
        self._begin(row, now_ms, f"came back; number {former.number} was closed {text(closed_ms)}{by}")

    def _begin(self, row: FindingRow, now_ms: int, note: str) -> None:
        name = row.finding.id
        self._open[name] = self._unwritten.rows[name] = row
        self._note(FindingNote(name, row.number, now_ms, FindingState.NEW, "", note))

    def _found_ms(self, row: FindingRow) -> int:
        """When something that happened was found: readings that come late tell of it long after."""
        name = row.finding.id
        if name not in self._found:
            notes = self._tables.notes(name)
            self._found[name] = max((n.at_ms for n in notes if n.number == row.number), default=row.last_ms)
        return max(row.last_ms, self._found[name])

    def _event(self, finding: Finding, now_ms: int) -> None:
        name = finding.id
        known, former = self._open.get(name), self._closed.get(name)
        newest = known or former
        if newest is not None and newest.finding.at_ms >= finding.at_ms:
            return  # followed again from history: it is known
        self._found[name] = now_ms
        if known is None and former is not None:
            self._again(former, finding, finding.at_ms, now_ms)
        elif known is None:
            self._begin(FindingRow(finding, finding.at_ms, finding.at_ms, FindingState.NEW), now_ms, "")
        else:
            # once more: what was only seen is new again, what was explained stays so
            state = known.state if known.state == FindingState.EXPLAINED else FindingState.NEW
            row = replace(known, finding=finding, last_ms=finding.at_ms, state=state, count=known.count + 1)
            self._open[name] = self._unwritten.rows[name] = row
            if state != known.state:
                self._note(FindingNote(name, row.number, now_ms, state, "", "happened again"))

    def _over(self, row: FindingRow, now_ms: int, *, part_of: str) -> None:
        """The all-clear; or it turned out to be part of another finding."""
        name, event = row.finding.id, row.finding.cause in EVENTS
        last = row.last_ms if event else max(self._seen.get(name, row.last_ms), row.last_ms)
        self._states[name] = row.state
        if message := "" if part_of else self._how(row.finding):
            row = replace(row, finding=replace(row.finding, text=f"{message}; {row.finding.text}"))
            self._ended[name] = message
        self._close(replace(row, last_ms=last, closed_ms=now_ms, by="", part_of=part_of))
        self._ending[name] = now_ms

    def _how(self, finding: Finding) -> str:
        """How a reported finding ended; empty where its reporter does not say."""
        ends = self._ends.get(REPORTERS.get(finding.cause, ""), {})
        return ends.get(finding.id) or ends.get("", "")

    def _note_ends(self, now_ms: int) -> None:
        """An end is noted once it has lasted: what comes and goes every second is counted, and makes no history."""
        for name, closed_ms in list(self._ending.items()):
            row = self._closed.get(name)
            if row is None or row.by or row.closed_ms != closed_ms:
                del self._ending[name]  # it came back
            elif now_ms - closed_ms >= self._site.notify.clear_s * 1000:
                del self._ending[name]
                event = row.finding.cause in EVENTS
                note = f"part of {row.part_of}" if row.part_of else self._ended.pop(name, "its cause is gone")
                note = "a day has passed without another one" if event else note
                self._note(FindingNote(name, row.number, closed_ms, FindingState.CLOSED, "", note))

    def _close(self, row: FindingRow) -> None:
        name = row.finding.id
        self._open.pop(name, None)
        self._closed[name] = self._unwritten.rows[name] = replace(row, state=FindingState.CLOSED)

    # -- planned work --------------------------------------------------------------------------------------------------

    def _suppress(self, now_ms: int) -> None:
        if self._windows is None:
            self._windows = self._tables.suppressions(now_ms)
        self._windows = [window for window in self._windows if window.until_ms > now_ms]
        for name, row in self._open.items():
            window = next((w for w in self._windows if w.covers(row.finding, self._boards, now_ms)), None)
            if (window is not None) == row.suppressed:
                continue
            self._open[name] = self._unwritten.rows[name] = replace(row, suppressed=window is not None)
            message = "planned work is over" if window is None else f"no notification: planned work, {window.note}"
            person = "" if window is None else window.person
            self._note(FindingNote(name, row.number, now_ms, row.state, person, message))

    # -- orders --------------------------------------------------------------------------------------------------------

    def carry_out(self, order: Order, now_ms: int) -> str:
        """Do what a person asks; returns what was done. ConfigError if it cannot be done, StoreError if it is not stored."""
        self._write()  # a store that refuses says so before anything is changed
        if self._tables.carried_out(order.name):
            return "was carried out before"
        if order.kind == "suppress":
            return self._add_window(order)
        if order.kind == "resume":
            return self._end_window(order, now_ms)
        row = self._open.get(order.what)
        if row is None:
            raise ConfigError(_unknown(order.what, order.what in self._closed))
        state = _STATES[order.kind]
        if order.kind == "accept":
            fact, value = with_acceptance(self._store, row.finding, now_ms, person=order.person, note=order.note)
            self._unwritten.facts[fact] = value
            row = replace(row, finding=replace(row.finding, text=f"taken as the new normal; {row.finding.text}"))
        if state is FindingState.CLOSED:
            last = max(self._seen.get(order.what, row.last_ms), row.last_ms)
            self._close(replace(row, closed_ms=now_ms, by=order.person, last_ms=last))
            self._quiet.add(order.what)
        else:
            self._open[order.what] = self._unwritten.rows[order.what] = replace(row, state=state)
        self._note(FindingNote(order.what, row.number, now_ms, state, order.person, order.note, order.name))
        self._write()
        return f"{order.what} is {state}"

    def _add_window(self, order: Order) -> str:
        window = Suppression(order.what, order.from_ms, order.until_ms, order.person, order.note, order.cause)
        with self._store.transaction():
            number = self._tables.add_suppression(window, order.name)
        self._windows = None
        span = f"from {text(order.from_ms)} to {text(order.until_ms)}"
        return f"window {number}: findings of {order.what} cause no notifications {span}"

    def _end_window(self, order: Order, now_ms: int) -> str:
        number = int(order.what)
        if number not in {window.number for window in self._tables.suppressions(now_ms)}:
            raise ConfigError(
                f"there is no window {number} that has not ended; `meterd findings --suppressions` lists them"
            )
        with self._store.transaction():
            self._tables.end_suppression(number, now_ms)
        self._windows = None
        return f"window {number} has ended"

    # -- the store -----------------------------------------------------------------------------------------------------

    def _note(self, note: FindingNote) -> None:
        if len(self._unwritten.notes) < NOTES_LIMIT:
            self._unwritten.notes.append(note)

    def _write(self) -> None:
        if not self._unwritten:
            return
        with self._store.transaction():
            for row in self._unwritten.former.values():
                self._tables.archive(row)
            for row in self._unwritten.rows.values():
                self._tables.write(row)
            for note in self._unwritten.notes:
                self._tables.add_note(note)
            for name, value in self._unwritten.facts.items():
                self._store.set_fact(name, value)
        self._unwritten = _Unwritten({}, {}, [])


def _owner(row: FindingRow, holding: Iterable[Finding]) -> str:
    """The finding that has another one as its evidence."""
    findings = [f for f in holding if row.finding.text in f.evidence]
    findings += [f for f in holding if not set(f.points).isdisjoint(row.finding.points)]
    return findings[0].id if findings else "another finding"


def _unknown(name: str, closed: bool) -> str:
    if closed:
        return f"finding {name} is closed already; `meterd findings --all` lists those too"
    return f"there is no finding {name}; `meterd findings` lists them"
