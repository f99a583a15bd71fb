"""Findings on their way to people: what is heard, what holds, what they order, and what they are sent."""

import logging
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from meterd.adapters.notify.sender import Result, Sender
from meterd.adapters.runtime.logging import about
from meterd.adapters.store.write_store import WriteStore
from meterd.adapters.texts import wording
from meterd.app.operations.finding_lifecycle import FindingKeeper
from meterd.app.operations.order_handler import OrderHandler
from meterd.app.operations.orders import PRUNE, RECORD_KINDS, RUN, Order, OrderFolder
from meterd.core.checks.staleness import ArrivalMonitor
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.plan import Site
from meterd.core.model.reading import Reading
from meterd.core.texts.notification_digest import Notification, Reader, SentNotification, due, notification_text

log = logging.getLogger("meterd")

NOT_DELIVERED = "not-told"
RETRY_S, RETRY_MAX_S = (
    30.0,
    1800.0,
)  # after a message that could not be delivered: doubled each time, at most half an hour
TELL_BACK_MS = (
    7 * 86_400_000
)  # ends of findings are reported so long after: an outage of the way out lasts a week at most
CLOSE_LIMIT_S = (
    1.0  # a message on its road does not hold up the end of the daemon: it is sent again after the next start
)


class Outbox:
    """One channel: what it has sent, what it is sending, and since when it fails. Belongs to the loop."""

    def __init__(self, store: WriteStore, sender: Sender, site: Site, start_ms: int) -> None:
        self._store, self._sender, self._site, self._start_ms = store, sender, site, start_ms
        self._own = f"{NOT_DELIVERED}-{sender.name}"
        self._reader = reader_of(site)
        self._sent = store.finding_tables.sent_notifications(sender.name)
        self._unstored: dict[str, SentNotification] = {}
        self._road: list[Notification] = []  # what the message on its road tells
        self._sent_ms = start_ms
        self._due_s, self._retry_s = 0.0, RETRY_S
        self.trouble: tuple[int, str] | None = None  # since when, and why

    def tick(self, rows: Iterable[FindingRow], now_ms: int) -> None:
        """Call about once a second: takes in how the last message ended, and sends the next one when it is due."""
        result = self._sender.result()
        if result is not None:
            self._ended(result, now_ms)
        self._keep()
        if self._sender.busy or time.monotonic() < self._due_s:
            return
        others = (row for row in rows if row.finding.id != self._own)  # that a way is blocked is for the other ways
        notifications = due(others, self._sent, now_ms, self._site.notify, since_ms=self._start_ms)
        if notifications and self._sender.offer(
            notification_text(notifications, self._site, now_ms, self._reader), now_ms
        ):
            self._road, self._sent_ms = notifications, now_ms

    def _ended(self, result: Result, now_ms: int) -> None:
        if result.delivered:
            for notification in self._road:
                name = notification.row.finding.id
                self._sent[name] = self._unstored[name] = notification.sent(self._sent_ms, self._sent.get(name))
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
        if not self._unstored:
            return
        try:
            with self._store.transaction():
                self._store.finding_tables.write_sent_notification(self._sender.name, self._unstored.items())
        except StoreError:
            return  # the loop says so; it is tried again in a second
        self._unstored = {}

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
        text = f"{subject}: notifications cannot be delivered: {fault}"
        return Finding(NOT_DELIVERED, subject, since_ms, text, "mend the server or the table [notify] of site.toml")

    def close(self) -> None:
        """End; what is not confirmed counts as not sent."""
        self._sender.close(CLOSE_LIMIT_S)
        if (result := self._sender.result()) is not None:
            self._ended(result, self._sent_ms)
            self._keep()


def _outboxes(store: WriteStore, site: Site, now_ms: int) -> list[Outbox]:
    """One for each way that the plan names."""
    if not site.notify.email_to and not site.notify.webhook_url:
        return []
    from meterd.adapters.notify.channels import channels

    return [Outbox(store, Sender(channel), site, now_ms) for channel in channels(site.notify)]


def reader_of(site: Site) -> Reader:
    """Messages in English, with titles for names and times of the site."""
    zone, titles = ZoneInfo(site.zone), wording.titles_of(site)
    return Reader(
        head=lambda finding: wording.finding_head("en", site, finding.cause, finding.subject),
        sentence=lambda text: wording.translated_line("en", text, zone, titles),
        moment=lambda at_ms: wording.moment("en", at_ms, zone),
        title=lambda name: titles.get(name, name),
    )


class AlarmJob:
    """Everything around findings that the daemon's loop calls."""

    def __init__(
        self,
        store: WriteStore,
        path: Path,
        site: Site,
        now_ms: int,
        order_handler: OrderHandler | None = None,
        *,
        accepted: Callable[[], None] = lambda: None,
        run_job: Callable[[str, int], str] | None = None,
        prune: Callable[[str], str] | None = None,
    ) -> None:
        self.keeper = FindingKeeper(store, site)
        self._accepted, self._run_job, self._prune = accepted, run_job, prune
        self._corrector = order_handler
        self._correct_s = 0.0
        self.arrival_monitor = ArrivalMonitor(site)
        self._orders = OrderFolder(path)
        self._outboxes = _outboxes(store, site, now_ms)

    def threads(self) -> dict[str, Callable[[], bool]]:
        """What the supervisor watches: the thread of each channel."""
        return {outbox.name: outbox.revive for outbox in self._outboxes}

    def note_arrivals(self, readings: Sequence[Reading]) -> None:
        """Note arrivals."""
        self.arrival_monitor.take(readings)

    def tick(self, conditions: list[Finding], events: Sequence[Finding], now_ms: int) -> None:
        """Once a second: findings brought up to date, orders carried out, people notified.

        Raises StoreError when something could not be stored; it is shown and reported all the same.
        """
        blocked = [finding for outbox in self._outboxes if (finding := outbox.finding(now_ms)) is not None]
        try:
            self.keeper.update([*conditions, *blocked], events, now_ms, self.arrival_monitor.last_arrivals())
            self._orders.carry_out(lambda order: self._carry_out(order, now_ms))
        finally:
            rows = self.keeper.rows(now_ms - TELL_BACK_MS) if self._outboxes else []
            for outbox in self._outboxes:
                outbox.tick(rows, now_ms)

    def _carry_out(self, order: Order, now_ms: int) -> str:
        if order.kind in (RUN, PRUNE):
            if self._run_job is None or self._prune is None:
                raise ConfigError("this process runs no jobs")
            return self._run_job(order.what, now_ms) if order.kind == RUN else self._prune(order.details)
        if order.kind not in RECORD_KINDS:
            text = self.keeper.carry_out(order, now_ms)
            if order.kind == "accept":
                self._accepted()  # the drift watch looks at its days again
            return text
        if self._corrector is None:
            raise ConfigError("this process does not change stored figures")
        text = self._corrector.carry_out(order, now_ms)
        # changed stored figures are reported as a changed plan is
        level = logging.INFO if order.kind == "issue" else logging.WARNING
        why = f": {order.note}" if order.note else ""
        log.log(level, "%s, by %s%s", text, order.person, why, extra=about(f"order-{order.kind}", order.what))
        return text

    def recompute(self, now_ms: int) -> bool:
        """One piece of what a correction changes, between two looks; whether another one waits."""
        if self._corrector is None or time.monotonic() < self._correct_s:
            return False
        try:
            return self._corrector.tick(now_ms)
        except StoreError as exc:
            self._correct_s = time.monotonic() + RETRY_S
            log.error("figures of a correction are not recalculated yet: %s", exc, extra=about("correction-waits"))
            return False

    def close(self) -> None:
        """End all ways out."""
        for outbox in self._outboxes:
            outbox.close()
