"""Sees to it that the store has room: first the log keeps to warnings, then old readings go, if the plan has a rule for it.

    less room than disk_free_mb  ->  log quiet, a finding  ->  figures of what may go recalculated beside the loop and compared
    ->  those readings deleted in small steps of the loop  ->  a finding that says so

Counters, figures, balances, corrections and findings are never deleted, nor is the newest reading of any register. Pages of
the file that are free count as room: a database file does not shrink. To delete takes some room itself; where the plan has
the rule, a reserve is kept beside the store, and given up when somebody else has filled the disk to its last byte.
"""

import json
import logging
import os
import shutil
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from meterd.adapters.runtime.logging import Quiet, about
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.store.journal import Failure
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.store.retention import Pruning, bytes_inside, prunable
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.retention_check import Cut, cut_of, from_details, verify_figures
from meterd.core.checks.rules import deleted_finding, low_disk_finding
from meterd.core.errors import ConfigError, StoreError, described
from meterd.core.model.finding import Finding
from meterd.core.model.periods import text
from meterd.core.model.plan import Site

log = logging.getLogger("meterd")

CHECK_S = 10.0  # between two looks at the disk
AGAIN_S = 3_600.0  # after an examination that found nothing to delete, or could not vouch for it
RETRY_S = 60.0  # after a store that refused before anything was deleted
STEP = 2_000  # readings looked at in one transaction: half a megabyte of the write-ahead log
RESERVE = 8_000_000  # bytes: the write-ahead log, which grows to four megabytes, and as much again
LAST = 1_000_000  # with less than this on the disk the reserve is given up
SHARE_S = 0.1  # of a second of the loop, for deleting
NO_RULE = "nothing is deleted by itself, the plan has no keep_raw_days"
EXAMINED = "it is examined which old readings may go"


class Reserve:
    """Room on the disk of a store that is taken while there is enough, and given up when there is none."""

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(path.name + ".reserve")

    @property
    def is_taken(self) -> bool:
        """Whether it is there."""
        return self._path.exists()

    def take(self) -> None:
        """Really on the disk: a file with holes would take none of it."""
        if self.is_taken:
            return
        handle = os.open(self._path, os.O_CREAT | os.O_WRONLY | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            os.posix_fallocate(handle, 0, RESERVE)
        except OSError:
            self.give_up()  # half a reserve is none
            raise
        finally:
            os.close(handle)

    def give_up(self) -> bool:
        """Whether there was one."""
        try:
            self._path.unlink()
        except FileNotFoundError:
            return False
        return True


def free_bytes(store: ReadStore, path: Path) -> int:
    """Bytes that the store can still take: free ones of its disk, and free pages of its file."""
    return shutil.disk_usage(path.absolute().parent).free + bytes_inside(store)


class DiskSpace:
    """Belongs to the loop; what takes long is done on a thread of its own that only reads."""

    def __init__(
        self,
        store: WriteStore,
        path: Path,
        site: Site,
        ledger: Ledger,
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store, self._path, self._site, self._ledger, self._clock = store, path, site, ledger, clock
        self._quiet, self._reserve = Quiet(), Reserve(path)
        self._due = self._examine_due = clock()
        self._low: int | None = None  # bytes that are left, while they are too few
        self._words = ""
        self._worker: Worker | None = None  # as long as an examination runs or waits to be read
        self._answer: Cut | str | None = None  # of the thread: what may go, or why nothing
        self._cut: Cut | None = None
        self._pruning: Pruning | None = None
        self._done: list[Finding] = []
        self._asked = False  # whether what is being deleted was ordered, and not for want of room

    def tick(self, now_ms: int) -> list[Finding]:
        """Call about once a second; what a person should know of the room for the store."""
        wanted = self._site.limits.disk_free_mb * 1_000_000
        if not wanted and self._pruning is None:
            return []
        if wanted and self._clock() >= self._due:
            self._due = self._clock() + CHECK_S
            self._see(wanted)
        try:
            self._go_on(now_ms)
        except (StoreError, Failure) as exc:
            self._words = f"nothing could be deleted: {exc}"  # what was begun is tried again with the next look
            self._examine_due = self._clock() + RETRY_S
        if self._low is None:
            return []
        return [low_disk_finding(self._site.name, (self._low, wanted), self._words, now_ms)]

    def prune(self, details: str) -> str:
        """Delete, in small steps, what the job `retention` has found archived; ConfigError if that cannot be now."""
        cut = from_details(json.loads(details or "{}"))
        if self._pruning is not None:
            raise ConfigError("old readings are being deleted already")
        if not self._begun(cut):
            raise ConfigError("readings of that time have come meanwhile; it is tried again")
        self._asked = True
        return f"{cut.total} archived readings before {text(cut.before_ms)} are being deleted"

    def done(self) -> list[Finding]:
        """What was deleted since the last call."""
        findings, self._done = self._done, []
        return findings

    def revive(self) -> bool:
        """A thread that died without an answer examines again; True if so."""
        if self._worker is None or self._worker.alive or self._answer is not None:
            return False
        self._worker = None
        return True

    def close(self, limit_s: float) -> None:
        """The log says everything again; a running examination is waited for."""
        self._quiet.keep(to_warnings=False)
        if self._worker is not None:
            self._worker.join(limit_s)

    def _see(self, wanted: int) -> None:
        try:
            left = free_bytes(self._store, self._path)
            self._keep_reserve(wanted)
        except (OSError, Failure):
            return  # whatever it is, keeping readings says so
        if self._site.limits.keep_raw_days and not self._reserve.is_taken:
            wanted += RESERVE  # given up, or never had: until there is room for it again, there is too little
        was, self._low = self._low, left if left < wanted else None
        if self._low is None:
            self._quiet.keep(to_warnings=False)
        elif was is None:
            self._words = EXAMINED if self._site.limits.keep_raw_days else NO_RULE
            message = f"room for {left / 1e6:.0f} MB is left on the disk of the store; the log is limited to warnings"
            log.warning("%s", message, extra=about("disk-low", self._site.name))
            self._quiet.keep(to_warnings=True)

    def _keep_reserve(self, wanted: int) -> None:
        free = shutil.disk_usage(self._path.absolute().parent).free
        if not self._site.limits.keep_raw_days or free < LAST:
            if self._reserve.give_up() and free < LAST:
                message = "no room is left on the disk of the store; its reserve is given up"
                log.warning("%s", message, extra=about("disk-full", self._site.name))
        elif free > wanted + RESERVE:
            self._reserve.take()

    # -- what goes -----------------------------------------------------------------------------------------------------

    def _go_on(self, now_ms: int) -> None:
        """One step further: examine, begin to delete, delete."""
        if self._pruning is not None:
            self._delete(self._pruning, now_ms)
        elif self._answer is not None:
            answer, self._answer, self._worker = self._answer, None, None
            self._examine_due = self._clock() + AGAIN_S
            if isinstance(answer, str):
                self._words = answer
            else:
                self._begin(answer)
        elif self._worker is None and self._may_examine():
            self._words = EXAMINED
            self._worker = Worker("disk-space", partial(self._examine, now_ms))
            self._worker.start()

    def _may_examine(self) -> bool:
        rule = self._low is not None and self._site.limits.keep_raw_days > 0
        return rule and self._clock() >= self._examine_due

    def _examine(self, now_ms: int) -> None:
        """On its own thread: what may go, its figures recalculated and compared."""
        days = self._site.limits.keep_raw_days
        try:
            with open_to_read(self._path) as store:
                cut = cut_of(store, self._site, days, now_ms)
                compared = verify_figures(store, self._site, cut)
        except (StoreError, Failure) as exc:
            self._answer = f"nothing is deleted: {exc}"
        except Exception as exc:  # an edge of the house style: it must never take the daemon with it
            self._answer = f"nothing is deleted: {described(exc)}"
        else:
            message = f"{compared} figures of {cut.total} readings that may go are verified"
            log.info("%s", message, extra=about("readings-verified", self._site.name))
            self._answer = cut if cut.total else f"no reading may go that is older than {days} days"

    def _begin(self, cut: Cut) -> None:
        """Delete what was vouched for, unless readings of that time have come meanwhile."""
        if not self._begun(cut):
            self._examine_due = self._clock() + CHECK_S

    def _begun(self, cut: Cut) -> bool:
        befores = {channel: item.before_ms for channel, item in cut.readings.items()}
        if prunable(self._store, befores) != cut.readings:
            return False
        self._ledger.make_final(cut.figures_from_ms)
        self._cut, self._pruning = cut, Pruning(self._store, cut.readings)
        self._words = f"{cut.total} verified readings before {text(cut.before_ms)} are being deleted"
        return True

    def _delete(self, pruning: Pruning, now_ms: int) -> None:
        assert self._cut is not None, "what is deleted was examined"
        until = self._clock() + SHARE_S
        more = pruning.step(STEP)
        while more and self._clock() < until:
            more = pruning.step(STEP)
        if more:
            return
        finding = deleted_finding(self._site.name, pruning.gone, self._cut.before_ms, now_ms)
        log.warning("%s", finding.text, extra=about(finding.cause, self._site.name))
        self._done += [] if self._asked else [finding]  # by order there is nothing to be told
        self._asked = False
        self._words = f"{pruning.gone} readings before {text(self._cut.before_ms)} were verified and deleted"
        self._cut = self._pruning = None
        self._due = self._clock()
