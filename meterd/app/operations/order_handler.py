"""What changes the stored figures and their history by order of a person: corrections, records of work, documents issued."""

import json
import logging
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from meterd.adapters.runtime.logging import about
from meterd.adapters.store.issued_documents import IssueRecord
from meterd.adapters.store.maintenance_log import Record
from meterd.adapters.store.opening import open_to_write
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.orders import Order, ask, new_order
from meterd.core.errors import ConfigError, StoreInUse
from meterd.core.model.periods import text
from meterd.core.model.plan import Site
from meterd.core.model.reading import REGISTERS
from meterd.core.registers.corrections import STRUCK, Correction, factor_of, shown_of

log = logging.getLogger("meterd")

ANSWER_LIMIT_S = 60.0  # one that makes a year of figures again, or closes months after a stand-still, takes some of it


class OrderHandler:
    """Carries out such orders. Belongs to the one that writes the store.

    `done` is called when all figures of a correction have been recalculated.
    """

    def __init__(self, store: WriteStore, ledger: Ledger, site: Site, done: Callable[[], None] = lambda: None) -> None:
        self._store, self._ledger, self._site, self._done = store, ledger, site, done
        self._busy = True  # a correction may have been left half made by the last run
        self._changed = False
        self._known = ledger.corrected  # intervals changed by corrections that were reported

    def carry_out(self, order: Order, now_ms: int) -> str:
        """Do what is asked; returns what was done. ConfigError if it cannot be done, StoreError if it is not stored."""
        work = {"correct": self._correct, "withdraw": self._withdraw, "record": self._record, "issue": self._issue}
        details = _details(order)
        try:
            return work[order.kind](order, details, now_ms)
        except (KeyError, TypeError, ValueError) as exc:
            raise ConfigError(f"the order is incomplete or not possible: {exc}") from exc

    def tick(self, now_ms: int) -> bool:
        """Make a piece of the figures again that wait for it; whether there were any. StoreError if they are not kept."""
        if not self._busy:
            return False
        if self._ledger.recompute_piece(now_ms) is not None:
            self._changed = True
            return True
        if self._changed:
            changed = self._ledger.corrected - self._known
            log.info("a correction changed %d intervals", changed, extra=about("correction-made"))
            self._done()
        self._busy, self._changed, self._known = False, False, self._ledger.corrected
        return False

    def _correct(self, order: Order, details: dict[str, Any], now_ms: int) -> str:
        known = self._store.corrections.carried_out(order.name)
        if known is not None:
            return f"correction {known} was entered before"
        correction = self._entered(order, details, now_ms)

        def keep() -> int:
            return self._store.corrections.add(correction, order.name)

        number = self._change(correction, now_ms, keep)
        return f"correction {number}: {described(correction)}"

    def _entered(self, order: Order, details: dict[str, Any], now_ms: int) -> Correction:
        """The correction that an order asks for; ConfigError for one that cannot be."""
        register, until = str(details["register"]), order.until_ms or None
        if "reads" in details:
            at_ms, reads = order.from_ms, str(details["reads"])
            shown_of(reads)
            if not self._store.readings_between((order.what, register), at_ms, at_ms + 1, most=1):
                raise ConfigError(f"no reading of {register} at {order.what} is stored for {text(at_ms)}")
            return Correction(
                0,
                order.what,
                register,
                from_ms=at_ms,
                until_ms=at_ms + 1,
                factor="",
                reason=order.note,
                person=order.person,
                made_ms=now_ms,
                reads=reads,
            )
        if until is not None and until <= order.from_ms:
            raise ConfigError("the correction ends before it begins")
        factor = str(details["factor"])
        factor_of(factor)
        return Correction(
            0,
            order.what,
            register,
            from_ms=order.from_ms,
            until_ms=until,
            factor=factor,
            reason=order.note,
            person=order.person,
            made_ms=now_ms,
        )

    def _change(self, correction: Correction, now_ms: int, keep: Callable[[], int]) -> int:
        """Let a correction come into force or out of it; returns its number."""
        channel = (correction.point, correction.register)
        if correction.reads:
            number = self._ledger.correct_reading(channel, correction.from_ms, now_ms, keep)
            self._changed = True  # its figures may be made already
        else:
            number = self._ledger.correct(channel, (correction.from_ms, correction.end_ms), now_ms, keep)
        self._busy = True
        return number

    def _withdraw(self, order: Order, _details: dict[str, Any], now_ms: int) -> str:
        number = int(order.what)
        if self._store.corrections.carried_out(order.name) is not None:
            return f"correction {number} was withdrawn before"
        correction = self._store.corrections.by_number(number)
        if correction is None or correction.withdrawn_ms is not None:
            message = "there is no correction" if correction is None else "withdrawn already: correction"
            raise ConfigError(f"{message} {number}; `meterd correct PLAN --list` lists them")

        def keep() -> int:
            self._store.corrections.withdraw(number, now_ms, person=order.person, reason=order.note, order=order.name)
            return number

        self._change(correction, now_ms, keep)
        return f"correction {number} is withdrawn: {described(correction)}"

    def _record(self, order: Order, details: dict[str, Any], now_ms: int) -> str:
        if (known := self._store.records.carried_out(order.name)) is not None:
            return f"record {known} was stored before"
        kind, rest = str(details["kind"]), {str(k): str(v) for k, v in dict(details["details"]).items()}
        record = Record(kind, order.what, order.from_ms, order.person, order.note, now_ms, rest)
        with self._store.transaction():
            number = self._store.records.add(record, order.name)
        return f"record {number}: {kind} at {order.what}"

    def _issue(self, order: Order, details: dict[str, Any], now_ms: int) -> str:
        used = tuple((str(p), str(r), None if e is None else int(e)) for p, r, e in details["figures"])
        issue = IssueRecord(
            str(details["kind"]),
            order.what,
            order.from_ms,
            until_ms=order.until_ms,
            made_ms=now_ms,
            person=order.person,
            sha256=str(details["sha256"]),
            figures=used,
        )
        with self._store.transaction():
            number = self._store.issued.add(issue, order.name)
        return f"document {number}: {issue.kind} {issue.period}"


def described(correction: Correction) -> str:
    """A correction in words."""
    if correction.reads:
        message = (
            "is left out"
            if correction.reads == STRUCK
            else f"reads {correction.reads} {REGISTERS[correction.register].unit}"
        )
        return f"{correction.point} {REGISTERS[correction.register].name}: the reading of {text(correction.from_ms)} {message}"
    until = "for good" if correction.until_ms is None else f"until {text(correction.until_ms)}"
    register = REGISTERS[correction.register].name
    return f"{correction.point} {register} times {correction.factor} from {text(correction.from_ms)} {until}"


def order_of(correction: Correction) -> Order:
    """The order that enters a correction, or takes the one of its number back; ConfigError for words that cannot be stored."""
    if correction.id:
        return new_order("withdraw", str(correction.id), correction.person, correction.reason)
    change = {"reads": correction.reads} if correction.reads else {"factor": correction.factor}
    details = json.dumps({"register": correction.register, **change})
    span = {"from_ms": correction.from_ms, "until_ms": correction.until_ms or 0}
    return new_order("correct", correction.point, correction.person, correction.reason, details=details, **span)


def _details(order: Order) -> dict[str, Any]:
    try:
        result = json.loads(order.details or "{}")
    except (ValueError, RecursionError) as exc:
        raise ConfigError("the details of the order are not JSON") from exc
    if not isinstance(result, dict):
        raise ConfigError("the details of the order are not an object")
    return result


def carry_out(order: Order, path: Path, site: Site, now_ms: int) -> tuple[bool, str]:
    """Write the store if nobody else does, figures and all, else ask the daemon that does; whether it was done, the words."""
    try:
        with open_to_write(path) as store:
            order_handler = OrderHandler(store, Ledger(store, site, ZoneInfo(site.zone)), site)
            message = order_handler.carry_out(order, now_ms)
            while order_handler.tick(now_ms):
                pass
            return True, message
    except StoreInUse:
        return ask(order, path, ANSWER_LIMIT_S)
    except ConfigError as exc:
        return False, str(exc)


def record_issued(path: Path, site: Site, issue: IssueRecord) -> str:
    """Keep that a document was issued, by way of the daemon if one runs; returns the words. StoreError if it is not stored."""
    details = json.dumps({"kind": issue.kind, "sha256": issue.sha256, "figures": issue.figures}, separators=(",", ":"))
    order = new_order(
        "issue", issue.period, issue.person, "", details=details, from_ms=max(issue.from_ms, 0), until_ms=issue.until_ms
    )
    done, message = carry_out(order, path, site, issue.made_ms)
    if not done:
        raise ConfigError(message)
    return message
