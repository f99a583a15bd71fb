"""What changes the books and their history by order of a person: corrections, records of work, papers given out."""

import json
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from meterd.app.bookkeeper import Bookkeeper
from meterd.app.finding_commands import ask
from meterd.app.logs import about
from meterd.app.orders import Order, new_order
from meterd.correction import STRUCK, Correction, factor_of, shown_of
from meterd.errors import ConfigError, StoreInUse
from meterd.interval import text
from meterd.reading import REGISTERS
from meterd.site import Site
from meterd.store.issued import Issued
from meterd.store.records import Record
from meterd.store.sqlite import SqliteStore

log = logging.getLogger("meterd")

ANSWER_LIMIT_S = 60.0  # one that makes a year of figures again, or closes months after a stand-still, takes some of it


class Corrector:
    """Carries out such orders. Belongs to the one that writes the store.

    `done` is called when all figures of a correction have been made again.
    """

    def __init__(
        self, store: SqliteStore, books: Bookkeeper, site: Site, done: Callable[[], None] = lambda: None
    ) -> None:
        self._store, self._books, self._site, self._done = store, books, site, done
        self._busy = True  # a correction may have been left half made by the last run
        self._changed = False

    def carry_out(self, order: Order, now_ms: int) -> str:
        """Do what is asked; returns what was done. ConfigError if it cannot be done, StoreError if it is not kept."""
        work = {"correct": self._correct, "withdraw": self._withdraw, "record": self._record, "issue": self._issue}
        details = _details(order)
        try:
            return work[order.kind](order, details, now_ms)
        except (KeyError, TypeError, ValueError) as exc:
            raise ConfigError(f"the order lacks something or has something that cannot be: {exc}") from exc

    def look(self, now_ms: int) -> bool:
        """Make figures of one year again that wait for it; whether there were any. StoreError if they are not kept."""
        if not self._busy:
            return False
        changed = self._books.correct_on(now_ms)
        if changed is None:
            if self._changed:
                self._done()
            self._busy = self._changed = False
            return False
        self._changed = True
        log.info("a correction changed %d intervals", changed, extra=about("correction-made"))
        return True

    def _correct(self, order: Order, details: dict[str, Any], now_ms: int) -> str:
        known = self._store.corrections.carried_out(order.name)
        if known is not None:
            return f"correction {known} was entered before"
        one = self._entered(order, details, now_ms)

        def keep() -> int:
            return self._store.corrections.add(one, order.name)

        number = self._change(one, now_ms, keep)
        return f"correction {number}: {described(one)}"

    def _entered(self, order: Order, details: dict[str, Any], now_ms: int) -> Correction:
        """The correction that an order asks for; ConfigError for one that cannot be."""
        register, until = str(details["register"]), order.until_ms or None
        if "reads" in details:
            at_ms, reads = order.from_ms, str(details["reads"])
            shown_of(reads)
            if not self._store.readings_between((order.what, register), at_ms, at_ms + 1, most=1):
                raise ConfigError(f"no reading of {register} at {order.what} is kept of {text(at_ms)}")
            return Correction(
                0, order.what, register, at_ms, at_ms + 1, "", order.note, order.person, now_ms, reads=reads
            )
        if until is not None and until <= order.from_ms:
            raise ConfigError("the correction ends before it begins")
        factor = str(details["factor"])
        factor_of(factor)
        return Correction(0, order.what, register, order.from_ms, until, factor, order.note, order.person, now_ms)

    def _change(self, one: Correction, now_ms: int, keep: Callable[[], int]) -> int:
        """Let a correction come into force or out of it; returns its number."""
        channel = (one.point, one.register)
        if one.reads:
            number = self._books.correct_reading(channel, one.from_ms, now_ms, keep)
            self._changed = True  # its figures are made already
        else:
            number = self._books.correct(channel, (one.from_ms, one.end_ms), now_ms, keep)
        self._busy = True
        return number

    def _withdraw(self, order: Order, _details: dict[str, Any], now_ms: int) -> str:
        number = int(order.what)
        if self._store.corrections.carried_out(order.name) is not None:
            return f"correction {number} was withdrawn before"
        one = self._store.corrections.one(number)
        if one is None or one.withdrawn_ms is not None:
            said = "there is no correction" if one is None else "withdrawn already: correction"
            raise ConfigError(f"{said} {number}; `meterd correct PLAN --list` lists them")

        def keep() -> int:
            self._store.corrections.withdraw(number, now_ms, person=order.person, reason=order.note, order=order.name)
            return number

        self._change(one, now_ms, keep)
        return f"correction {number} is withdrawn: {described(one)}"

    def _record(self, order: Order, details: dict[str, Any], now_ms: int) -> str:
        if (known := self._store.records.carried_out(order.name)) is not None:
            return f"record {known} was kept before"
        kind, rest = str(details["kind"]), {str(k): str(v) for k, v in dict(details["details"]).items()}
        one = Record(kind, order.what, order.from_ms, order.person, order.note, now_ms, rest)
        with self._store.transaction():
            number = self._store.records.add(one, order.name)
        return f"record {number}: {kind} at {order.what}"

    def _issue(self, order: Order, details: dict[str, Any], now_ms: int) -> str:
        used = tuple((str(p), str(r), None if e is None else int(e)) for p, r, e in details["figures"])
        one = Issued(
            str(details["kind"]),
            order.what,
            order.from_ms,
            order.until_ms,
            now_ms,
            order.person,
            str(details["sha256"]),
            used,
        )
        with self._store.transaction():
            number = self._store.issued.add(one, order.name)
        return f"paper {number}: {one.kind} {one.period}"


def described(one: Correction) -> str:
    """A correction in words."""
    if one.reads:
        said = "is left out" if one.reads == STRUCK else f"reads {one.reads} {REGISTERS[one.register].unit}"
        return f"{one.point} {REGISTERS[one.register].name}: the reading of {text(one.from_ms)} {said}"
    until = "for good" if one.until_ms is None else f"until {text(one.until_ms)}"
    return f"{one.point} {REGISTERS[one.register].name} times {one.factor} from {text(one.from_ms)} {until}"


def order_of(one: Correction) -> Order:
    """The order that enters a correction, or takes the one of its number back; ConfigError for words that cannot be kept."""
    if one.id:
        return new_order("withdraw", str(one.id), one.person, one.reason)
    change = {"reads": one.reads} if one.reads else {"factor": one.factor}
    details = json.dumps({"register": one.register, **change})
    span = {"from_ms": one.from_ms, "until_ms": one.until_ms or 0}
    return new_order("correct", one.point, one.person, one.reason, details=details, **span)


def _details(order: Order) -> dict[str, Any]:
    try:
        found = json.loads(order.details or "{}")
    except (ValueError, RecursionError) as exc:
        raise ConfigError("the details of the order are not JSON") from exc
    if not isinstance(found, dict):
        raise ConfigError("the details of the order are not an object")
    return found


def carry_out(order: Order, path: Path, site: Site, now_ms: int) -> tuple[bool, str]:
    """Write the store if nobody else does, figures and all, else ask the daemon that does; whether it was done, the words."""
    try:
        store = SqliteStore.writer(path)
    except StoreInUse:
        return ask(order, path, ANSWER_LIMIT_S)
    try:
        corrector = Corrector(store, Bookkeeper(store, site, ZoneInfo(site.zone)), site)
        words = corrector.carry_out(order, now_ms)
        while corrector.look(now_ms):
            pass
        return True, words
    except ConfigError as exc:
        return False, str(exc)
    finally:
        store.close()


def record_issued(path: Path, site: Site, one: Issued) -> str:
    """Keep that a paper was given out, by way of the daemon if one runs; returns the words. StoreError if it is not kept."""
    details = json.dumps({"kind": one.kind, "sha256": one.sha256, "figures": one.figures}, separators=(",", ":"))
    order = new_order(
        "issue", one.period, one.person, "", details=details, from_ms=max(one.from_ms, 0), until_ms=one.until_ms
    )
    done, words = carry_out(order, path, site, one.made_ms)
    if not done:
        raise ConfigError(words)
    return words
