"""Findings on their way to people: what is heard, what holds, what they order, and what they are told."""

import logging
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from meterd.app.corrector import Corrector
from meterd.app.findings import FindingKeeper
from meterd.app.logs import about
from meterd.app.orders import LIFE_KINDS, Order, OrderFolder
from meterd.errors import ConfigError, StoreError
from meterd.finding import Finding, FindingRow
from meterd.notice import Notice, Told, due, words
from meterd.notify import Result, Sender
from meterd.notify.email import EmailChannel
from meterd.notify.webhook import WebhookChannel
from meterd.reading import Reading
from meterd.site import Notify, Site
from meterd.staleness import Hearing
from meterd.store.sqlite import SqliteStore

log = logging.getLogger("meterd")

NOT_TOLD = "not-told"
RETRY_S, RETRY_MAX_S = (
    30.0,
    1800.0,
)  # after a message that could not be delivered: doubled each time, at most half an hour
TELL_BACK_MS = 7 * 86_400_000  # ends of findings are told so long after: an outage of the way out lasts a week at most
CLOSE_LIMIT_S = (
    1.0  # a message on its road does not hold up the end of the daemon: it is told again after the next start
)


class Outbox:
    """One way out: what it has told, what it is telling, and since when it fails. Belongs to the loop."""

    def __init__(self, store: SqliteStore, sender: Sender, site: Site, start_ms: int) -> None:
        self._store, self._sender, self._site, self._start_ms = store, sender, site, start_ms
        self._own = f"{NOT_TOLD}-{sender.name}"
        self._told = store.finding_tables.told(sender.name)
        self._unkept: dict[str, Told] = {}
        self._road: list[Notice] = []  # what the message on its road tells
        self._sent_ms = start_ms
        self._due_s, self._retry_s = 0.0, RETRY_S
        self.trouble: tuple[int, str] | None = None  # since when, and why

    def look(self, rows: Iterable[FindingRow], now_ms: int) -> None:
        """Call about once a second: takes in how the last message ended, and sends the next one when it is due."""
        result = self._sender.result()
        if result is not None:
            self._ended(result, now_ms)
        self._keep()
        if self._sender.busy or time.monotonic() < self._due_s:
            return
        others = (row for row in rows if row.finding.id != self._own)  # that a way is blocked is for the other ways
        found = due(others, self._told, now_ms, self._site.notify, since_ms=self._start_ms)
        if found and self._sender.offer(words(found, self._site, now_ms, self._site.notify), now_ms):
            self._road, self._sent_ms = found, now_ms

    def _ended(self, result: Result, now_ms: int) -> None:
        if result.delivered:
            for notice in self._road:
                name = notice.row.finding.id
                self._told[name] = self._unkept[name] = notice.told(self._sent_ms, self._told.get(name))
            self._due_s, self._retry_s = time.monotonic() + self._site.notify.gap_s, RETRY_S
        else:
            self._due_s = time.monotonic() + self._retry_s
            self._retry_s = min(2 * self._retry_s, RETRY_MAX_S)
        self._road = []
        if result.fault:
            if self.trouble is None:
                log.warning("%s: %s", self._sender.name, result.fault, extra=about("not-told", self._sender.name))
            self.trouble = (now_ms if self.trouble is None else self.trouble[0], result.fault)
        else:
            self.trouble = None

    def _keep(self) -> None:
        if not self._unkept:
            return
        try:
            with self._store.transaction():
                self._store.finding_tables.write_told(self._sender.name, self._unkept.items())
        except StoreError:
            return  # the loop says so; it is tried again in a second
        self._unkept = {}

    @property
    def name(self) -> str:
        """Of the way."""
        return self._sender.name

    def revive(self) -> bool:
        """Take note that the thread that sends has died."""
        return self._sender.revive()

    def finding(self, now_ms: int) -> Finding | None:
        """That this way is blocked: for the topics and the other ways."""
        if self.trouble is None:
            return None
        since_ms, fault = self.trouble
        subject = self._sender.name
        text = f"{subject}: what should be told cannot be delivered: {fault}"
        return Finding(NOT_TOLD, subject, since_ms, text, "mend the server or the table [notify] of site.toml")

    def close(self) -> None:
        """End; what is not confirmed counts as not told."""
        self._sender.close(CLOSE_LIMIT_S)
        if (result := self._sender.result()) is not None:
            self._ended(result, self._sent_ms)
            self._keep()


def channels(settings: Notify) -> list[EmailChannel | WebhookChannel]:
    """The ways the plan names."""
    found: list[EmailChannel | WebhookChannel] = []
    if settings.email_to:
        found.append(EmailChannel(settings))
    if settings.webhook_url:
        found.append(WebhookChannel(settings))
    return found


class Alarms:
    """Everything around findings that the daemon's loop calls."""

    def __init__(
        self, store: SqliteStore, path: Path, site: Site, now_ms: int, corrector: Corrector | None = None
    ) -> None:
        self.keeper = FindingKeeper(store, site)
        self._corrector = corrector
        self._correct_s = 0.0
        self.hearing = Hearing(site)
        self._orders = OrderFolder(path)
        self._outboxes = [Outbox(store, Sender(channel), site, now_ms) for channel in channels(site.notify)]

    def threads(self) -> dict[str, Callable[[], bool]]:
        """What the supervisor looks after: the thread of each way out."""
        return {outbox.name: outbox.revive for outbox in self._outboxes}

    def hear(self, readings: Sequence[Reading]) -> None:
        """Note arrivals."""
        self.hearing.take(readings)

    def look(self, conditions: list[Finding], events: Sequence[Finding], now_ms: int) -> None:
        """Once a second: findings brought up to date, orders carried out, people told.

        Raises StoreError when something could not be kept; it is shown and told all the same.
        """
        blocked = [one for outbox in self._outboxes if (one := outbox.finding(now_ms)) is not None]
        try:
            self.keeper.update([*conditions, *blocked], events, now_ms, self.hearing.arrivals())
            self._orders.carry_out(lambda order: self._carry_out(order, now_ms))
            self._correct_on(now_ms)
        finally:
            rows = self.keeper.rows(now_ms - TELL_BACK_MS) if self._outboxes else []
            for outbox in self._outboxes:
                outbox.look(rows, now_ms)

    def _carry_out(self, order: Order, now_ms: int) -> str:
        if order.kind not in LIFE_KINDS:
            return self.keeper.carry_out(order, now_ms)
        if self._corrector is None:
            raise ConfigError("nobody here changes the books")
        words = self._corrector.carry_out(order, now_ms)
        # changed books are told as a changed plan is
        level = logging.INFO if order.kind == "issue" else logging.WARNING
        why = f": {order.note}" if order.note else ""
        log.log(level, "%s, by %s%s", words, order.person, why, extra=about(f"order-{order.kind}", order.what))
        return words

    def _correct_on(self, now_ms: int) -> None:
        if self._corrector is None or time.monotonic() < self._correct_s:
            return
        try:
            self._corrector.look(now_ms)
        except StoreError as exc:
            self._correct_s = time.monotonic() + RETRY_S
            log.error("figures of a correction are not made again yet: %s", exc, extra=about("correction-waits"))

    def close(self) -> None:
        """End all ways out."""
        for outbox in self._outboxes:
            outbox.close()
