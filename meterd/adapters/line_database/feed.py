"""Feeds a time-series database from the journal: in order, nothing lost, however long it is away.

An own thread reads what comes after its position, writes it, and moves on only after 204. Lines keep their times, so
writing them again changes nothing. Now and then a point is written and read back (a mark): only up to a mark the position
is durable, because a database whose disk is full may answer 204 and forget at its next start.
"""

import logging
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from meterd.adapters.line_database.refused import asked, taken
from meterd.adapters.line_database.responses import STORED, Answer, NotReadable, host_of
from meterd.adapters.runtime.backoff import backoff_s
from meterd.adapters.runtime.secret import secret
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.store.change_feed import Mark, OutboxReader, Position, Refused
from meterd.adapters.store.write_store import WriteStore
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.finding import Finding
from meterd.core.model.periods import DAY_MS, text
from meterd.core.model.plan import LineStore, Site
from meterd.core.topics.line_protocol import CANARY, line

if TYPE_CHECKING:
    from meterd.adapters.line_database.client import Database

log = logging.getLogger("meterd")

CAUSE, REFUSED_CAUSE = "lines-store", "lines-refused"
IDLE_S = 1.0  # between two looks when nothing waits
AWAY_S = 15.0  # a server that restarts is back sooner
READ_BACK_S = 30.0  # some databases show a new point only after several seconds (8 s measured with one)
MARKS = 400  # a day of one every five minutes, and some
RETRY_AFTER_MOST_S = 3600.0  # a server that asks for more is asked again after an hour
UNSTORED_LIMIT = 10_000  # refused lines that wait for the loop; above it nothing more is sent
ASIDE_MOST = 10_000  # refused lines that are held; with more it takes none, and everything waits in the journal
AGAIN_S = 600.0  # between two times that refused lines are sent again
BAD_MOST = 100  # refused lines of one batch; with more it is not the lines, and somebody must look at the database
BAD_LINE, TOO_LARGE = (400, 413, 422), 413
_REMEDY = {
    401: "see that token_env or token_file of [line_store] holds a token that may write",
    403: "see that token_env or token_file of [line_store] holds a token that may write",
    404: "see that url, org and bucket of [line_store] are right and that the bucket exists",
    400: "see which type the fields of its measurements have: every number of ours is a float",
    422: "see which type the fields of its measurements have: every number of ours is a float",
    429: "it asks us to wait; if that lasts, write a smaller rate under [line_store]",
}
_ELSE = "see that the database runs, has room on its disk and can be reached; nothing is lost meanwhile"


@dataclass(frozen=True, slots=True)
class Waits:
    """How long to wait before trying again: the first time, and at most."""

    first_s: float = 1.0
    most_s: float = 60.0


class Trouble(Exception):
    """The database takes nothing at the moment."""

    def __init__(self, message: str, answer: Answer | None = None) -> None:
        super().__init__(message)
        self.status = answer.status if answer else 0
        self.retry_after_s = answer.retry_after_s if answer else None


@dataclass(slots=True)
class Counters:
    """Since the start."""

    lines: int = 0
    batches: int = 0
    failures: int = 0
    refused: int = 0
    expired: int = 0  # batches of which the database dropped lines that are older than it keeps
    losses: int = 0  # times that something was missing although it had been confirmed
    revivals: int = 0


@dataclass(slots=True)
class _Outage:
    """Since when the database takes nothing, and why."""

    words: str
    status: int
    since_s: float
    since_ms: int


@dataclass(slots=True)
class _Pending:
    """What the loop has to keep, shared between the threads under a lock."""

    marks: list[Mark]
    refused: list[Refused] = field(default_factory=list)
    taken: list[str] = field(default_factory=list)  # lines that were refused and are taken now
    anew: bool = False  # everything must be sent again, figures too
    changed: bool = False


class LineFeed:
    """The thread of one database. `keep` is called by the loop that owns the store, all else is for looking."""

    def __init__(
        self, settings: LineStore, site: str, path: Path, *, token: str, marks: list[Mark], clock: Callable[[], int]
    ) -> None:
        self._settings, self._site, self._path, self._clock = settings, site, path, clock
        self._token = token
        self.waits = Waits()
        self.counters = Counters()
        self.position = marks[-1].position if marks else Position()
        self.waiting = 0
        self._pending = _Pending(list(marks))
        self._lock = threading.Lock()
        self._worker = Worker("line-store", self._work)
        self._stop = self._worker.stopping
        self._marked_s = time.monotonic()
        self._doubt = bool(marks)  # the database may have lost what it confirmed: look before going on
        self._most = settings.batch
        self._failed_in_row = 0
        self._ill: _Outage | None = None
        self._lost = ""
        self._unreadable = ""
        self._last_refused: Refused | None = None
        self._refused_lines: set[str] = set()
        self._aside = 0  # refused lines in the store
        self._again_s = time.monotonic()  # when refused lines are sent again: those of before a start at once

    # -- for the loop --------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to feed, on an own thread."""
        self._worker.start()

    def revive(self) -> bool:
        """Start the thread again if it has died; it goes on where it was."""
        revived = self._worker.revive()
        self.counters.revivals += revived
        return revived

    def stop(self, limit_s: float) -> None:
        """End after the request at hand; what could not be sent is sent after the next start."""
        self._worker.stop(limit_s)

    def keep(self, store: WriteStore) -> None:
        """Make marks and refused lines durable. If the store refuses, which is reported elsewhere, the next call does it."""
        with self._lock:
            pending = self._pending
            if not pending.changed:
                return
            marks, refused, anew = list(pending.marks), list(pending.refused), pending.anew
            taken = list(pending.taken)
            pending.changed = False
        try:
            with store.transaction():
                if anew:
                    store.outbox.begin_anew()
                store.outbox.keep(marks, refused, taken)
        except StoreError:
            with self._lock:
                pending.changed = True
            return
        with self._lock:
            del pending.refused[: len(refused)]
            del pending.taken[: len(taken)]
            pending.anew = pending.anew and not anew

    def tick(self, store: WriteStore, now_ms: int) -> list[Finding]:
        """Call about once a second: a dead thread is started again, marks are stored; what a person should know."""
        self.revive()
        self.keep(store)
        return self.findings(now_ms)

    def findings(self, now_ms: int) -> list[Finding]:
        """What a person should know about the database."""
        findings, host = [], host_of(self._settings.url)
        ill = self._ill
        if ill is not None and (ill.status in _REMEDY or time.monotonic() - ill.since_s > AWAY_S or self._lost):
            message = (
                f"the database at {host} takes no lines since {text(ill.since_ms)}: {ill.words}; {self.waiting} wait"
            )
            findings.append(Finding(CAUSE, self._site, ill.since_ms, message, _REMEDY.get(ill.status, _ELSE)))
        elif self._unreadable:
            message = f"the database at {host} takes lines, but they cannot be read back: {self._unreadable}"
            remedy = (
                'let the token read the bucket, or write read_back = "off" under [line_store]: then 204 is believed'
            )
            findings.append(Finding(CAUSE, self._site, now_ms, message, remedy))
        last = self._last_refused
        if last is not None and now_ms - last.at_ms < DAY_MS:
            message = (
                f"the database at {host} refuses {self.counters.refused} lines, the last because {last.reason};"
                f" it was: {last.line[:200]}"
            )
            remedy = (
                "compare the type of that field in the database; refused lines are kept and sent again by themselves"
                " every ten minutes, and at once with meterd lines PLAN --again"
            )
            findings.append(Finding(REFUSED_CAUSE, self._site, last.at_ms, message, remedy))
        return findings

    # -- the thread ----------------------------------------------------------------------------------------------------

    def _work(self) -> None:
        from meterd.adapters.line_database.client import (
            Database,  # its library takes a second to import: only whoever uses it waits
        )

        reader, database = OutboxReader(self._path, self._site), Database(self._settings, self._token)
        try:
            while not self._stop.is_set():
                self._stop.wait(self._try(reader, database))
            self._farewell(database)
        finally:
            reader.close()
            database.close()

    def _try(self, reader: OutboxReader, database: "Database") -> float:
        """One step; returns how long to wait for the next."""
        try:
            pause = self._step(reader, database)
        except Trouble as exc:
            return self._wait_after(exc)
        except sqlite3.Error as exc:
            return self._wait_after(Trouble(f"the journal cannot be read: {exc}"))
        self.waiting = reader.waiting(self.position) if self._ill or pause == 0 else 0
        self._failed_in_row = 0
        if not self._lost:
            if self._ill is not None and time.monotonic() - self._ill.since_s > AWAY_S:
                message = f"the database at {host_of(self._settings.url)} takes lines again; {self.waiting} wait"
                log.warning("%s", message, extra={"event": "lines-store-back", "subject": self._site})
            self._ill = None
        return pause

    def _wait_after(self, exc: Trouble) -> float:
        self.counters.failures += 1
        self._failed_in_row += 1
        self._doubt = True
        since = self._ill
        self._ill = _Outage(
            str(exc),
            exc.status,
            since.since_s if since else time.monotonic(),
            since.since_ms if since else self._clock(),
        )
        # spread, so that several sites do not come back in the same moment
        first_s, most_s = self.waits.first_s, self.waits.most_s
        wait_s = backoff_s(self._failed_in_row, first_s=first_s, most_s=most_s, spread=(0.75, 1.0))
        return max(wait_s, min(exc.retry_after_s or 0.0, RETRY_AFTER_MOST_S))

    def _step(self, reader: OutboxReader, database: "Database") -> float:
        with self._lock:
            if self._pending.anew or len(self._pending.refused) > UNSTORED_LIMIT:
                return IDLE_S  # the loop has to keep something first
        self.waiting = reader.waiting(self.position)
        self._aside = reader.refused_count()
        if self._aside and (time.monotonic() >= self._again_s or asked(self._path)):
            self._send_again(reader, database)
        if self._doubt:
            self._prove(database, None)
            self._doubt = False
        begun = time.monotonic()
        batch = reader.next(self.position, min(self._settings.batch, self._most))
        if batch.lines:
            self._send(database, batch.lines)
            self.counters.batches += 1
        for written, reason in batch.unfit:
            self._refuse(written, reason)
        moved = batch.position != self.position
        self.position = batch.position
        if self._mark_due():
            self._set_mark(database)
        if not moved:
            return IDLE_S
        return max(0.0, len(batch.lines) / self._settings.rate - (time.monotonic() - begun))

    def _send(self, database: "Database", lines: list[str]) -> None:
        """Write all lines in order; bad ones are found by halving and put aside. Trouble if the database takes none."""
        parts, bad = [lines], 0
        while parts:
            part = parts.pop()
            answer = database.write(part)
            if answer.status == STORED:
                self.counters.lines += len(part)
            elif answer.status not in BAD_LINE:
                raise Trouble(str(answer), answer)
            elif "retention policy" in answer.words:
                self.counters.expired += 1  # it keeps what is young enough and says how many it drops
            elif len(part) > 1:
                middle = len(part) // 2
                parts += [part[middle:], part[:middle]]
                if answer.status == TOO_LARGE:
                    self._most = middle
            else:
                if bad == 0:  # is it the line, or does it refuse everything?
                    self._write_canary(database, 0, self._clock())
                elif bad == BAD_MOST:
                    raise Trouble(f"more than {BAD_MOST} lines of one request are refused: {answer}", answer)
                self._refuse(part[0], answer.words)
                bad += 1

    def _send_again(self, reader: OutboxReader, database: "Database") -> None:
        """Refused lines once more: those that are taken now leave the table, the others stay set aside."""
        self._again_s = time.monotonic() + AGAIN_S
        count = 0
        for good in taken(reader.refused, lambda part: self._takes(database, part), self._settings.batch):
            count += len(good)
            with self._lock:
                self._pending.taken += good
                self._pending.changed = True
            self._refused_lines.difference_update(good)
        if count:
            self._aside = max(0, self._aside - count)
            self._last_refused = self._last_refused if self._aside else None
            message = f"the database takes {count} lines that it had refused; {self._aside} stay set aside"
            log.warning("%s", message, extra={"event": "lines-taken", "subject": self._site})

    def _takes(self, database: "Database", lines: list[str]) -> bool:
        """Whether it takes them all; Trouble if it takes nothing at all at the moment."""
        answer = database.write(lines)
        if answer.status != STORED and answer.status not in BAD_LINE:
            raise Trouble(str(answer), answer)
        return answer.status == STORED or "retention policy" in answer.words

    def _refuse(self, written: str, reason: str) -> None:
        if written in self._refused_lines:
            return  # sent again after trouble: it is stored already
        if self._aside + len(self._pending.refused) >= ASIDE_MOST:
            raise Trouble(f"{ASIDE_MOST} lines that it refuses are set aside already, the last because {reason}")
        if len(self._refused_lines) > UNSTORED_LIMIT:
            self._refused_lines.clear()
        if not self._aside and not self._pending.refused:
            self._again_s = time.monotonic() + AGAIN_S  # what was asked this moment has the same answer
        self._refused_lines.add(written)
        refused = Refused(written, self._clock(), reason)
        self.counters.refused += 1
        self._last_refused = refused
        with self._lock:
            self._pending.refused.append(refused)
            self._pending.changed = True

    # -- marks ---------------------------------------------------------------------------------------------------------

    def _mark_due(self) -> bool:
        marks = self._pending.marks
        if marks and marks[-1].position == self.position:
            return False
        return bool(self._lost) or time.monotonic() - self._marked_s >= self._settings.check_s

    def _set_mark(self, database: "Database") -> None:
        """Write a numbered point; the position counts as durable once it has been read back."""
        last = self._pending.marks[-1] if self._pending.marks else Mark(0, 0, Position())
        mark = Mark(last.number + 1, max(self._clock(), last.at_ms + 1), self.position)
        self._write_canary(database, mark.number, mark.at_ms)
        if self._settings.read_back == "off":
            self._accept(mark)
        else:
            self._prove(database, mark)
        self._marked_s = time.monotonic()

    def _write_canary(self, database: "Database", number: int, at_ms: int) -> None:
        answer = database.write([line(CANARY, (self._site,), (number,), at_ms)])
        if answer.status != STORED:
            raise Trouble(str(answer), answer)

    def _accept(self, mark: Mark) -> None:
        with self._lock:
            young = [item for item in self._pending.marks if mark.at_ms - item.at_ms < DAY_MS]
            self._pending.marks = [*young[-MARKS:], mark]
            self._pending.changed = True
        self._lost = ""

    def _prove(self, database: "Database", new: Mark | None) -> None:
        """Look whether the points of all marks are there; if not, go back to before the first that is missing."""
        marks = [*self._pending.marks, *([new] if new else [])]
        if not marks or self._settings.read_back == "off":
            return
        deadline = time.monotonic() + READ_BACK_S
        while True:
            try:
                present = database.canaries(self._site, marks[0].at_ms)
            except NotReadable as exc:
                self._unreadable = str(exc)
                return
            except OSError as exc:
                raise Trouble(str(exc)) from exc
            self._unreadable = ""
            there = [(mark.number, mark.at_ms) in present for mark in marks]
            if all(there) or self._only_expired(there):
                break
            if new is None or not all(there[:-1]) or time.monotonic() > deadline:
                self._go_back(marks, there)
            if self._stop.wait(0.2):
                return  # not proven; it is sent again after the next start
        if new is not None:
            self._accept(new)

    @staticmethod
    def _only_expired(there: list[bool]) -> bool:
        """Whether only the oldest are missing: the database keeps less than a day, which is no loss."""
        return any(there) and all(there[there.index(True) :])

    def _go_back(self, marks: list[Mark], there: list[bool]) -> None:
        """Begin again behind the last point before the first loss; without any left, with everything."""
        self.counters.losses += 1
        first = there.index(True) if any(there) else 0
        gap = there.index(False, first)
        lost_ms = marks[gap].at_ms
        with self._lock:
            self._pending.anew = self._pending.anew or (gap == first and len(self._pending.marks) > 0)
            self._pending.marks = marks[first:gap]
            self._pending.changed = True
        self.position = self._pending.marks[-1].position if self._pending.marks else Position()
        since = text(self._pending.marks[-1].at_ms) if self._pending.marks else "the beginning"
        self._lost = f"it confirmed a point of {text(lost_ms)} and does not have it; all since {since} is sent again"
        raise Trouble(self._lost)

    def _farewell(self, database: "Database") -> None:
        """A last mark, so that the next start repeats nothing."""
        if self._ill is None and self._position_moved():
            try:
                self._set_mark(database)
            except Trouble:
                return  # the next start sends again what was not proven

    def _position_moved(self) -> bool:
        marks = self._pending.marks
        return self.position != (marks[-1].position if marks else Position())


def token_of(settings: LineStore) -> str:
    """The token from the environment or a file, empty without both; ConfigError says where it was looked for.

    What no header can carry is refused here: the library would quote the whole header in what it raises (urllib3 2).
    """
    token = secret(settings.token_env, settings.token_file, "the database's token").strip()
    where = f"environment variable {settings.token_env}" if settings.token_env else settings.token_file
    if where and not (token and token.isascii() and token.isprintable()):
        raise ConfigError(
            f"the database's token in {where} is not one line of plain letters; write the token and nothing else"
        )
    return token


def open_feed(
    settings: LineStore, site: str, path: Path, *, store: WriteStore, clock: Callable[[], int]
) -> LineFeed | None:
    """The feed of a site, not started; None if the plan names no database (then changes are no longer noted)."""
    target = f"{settings.url} {settings.org} {settings.bucket}" if settings.url else ""
    token = token_of(settings)
    with store.transaction():
        store.outbox.serve(target)
    if not target:
        return None
    return LineFeed(settings, site, path, token=token, marks=store.outbox.marks(), clock=clock)


def start_feed(
    site: Site, path: Path, store: WriteStore, *, clock: Callable[[], int], stack: ExitStack
) -> LineFeed | None:
    """The running feed of a site, if its plan names a database; it ends with the stack, before the store."""
    feed = open_feed(site.line_store, site.name, path, store=store, clock=clock)
    if feed is not None:
        stack.callback(feed.keep, store)
        stack.callback(feed.stop, site.limits.stop_limit_s / 4)
        feed.start()
    return feed
