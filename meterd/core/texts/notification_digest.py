"""What people are notified of, when, and in which words. Pure: findings and what was sent before in, one message out.

A notification is sent when a finding has lasted for a while, again as long as nobody has seen it, and once more when it
is over. What comes while a channel is busy or away is gathered into one message.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterd.core.model.finding import Finding, FindingRow, FindingState
from meterd.core.model.finding_cause import EVENTS, rank
from meterd.core.model.periods import text
from meterd.core.model.plan import Notify, Site

_HOUR_MS = 3_600_000
_MOST_POINTS = 10  # names in one line
_MOST_EVIDENCE = 5  # sentences in a mail; the list and the topic have all of them


class Kind(StrEnum):
    """Why a finding is reported."""

    NEW = "new"
    AGAIN = "still open"
    OVER = "over"
    PASSED = "came and went"


@dataclass(frozen=True, slots=True)
class SentNotification:
    """What a channel has sent about one finding: in which of its lives, when, and whether its end was sent as well."""

    number: int
    raised_ms: int
    over: bool = False


@dataclass(frozen=True, slots=True)
class Notification:
    """One finding to be reported, and why."""

    kind: Kind
    row: FindingRow

    def sent(self, now_ms: int, before: SentNotification | None) -> SentNotification:
        """What is remembered once it has been reported."""
        if self.kind is Kind.OVER:
            return SentNotification(self.row.number, before.raised_ms if before else now_ms, over=True)
        return SentNotification(self.row.number, now_ms, over=self.kind is Kind.PASSED)


@dataclass(frozen=True, slots=True)
class Reader:
    """How people read a message: a finding in a line, sentences with titles for names, times of the site, points by title."""

    head: Callable[[Finding], str]
    sentence: Callable[[str], str]
    moment: Callable[[int], str]
    title: Callable[[str], str]


@dataclass(frozen=True, slots=True)
class NotificationText:
    """One message: a subject line, a text for people, and the same as fields for programs."""

    subject: str
    text: str
    fields: Mapping[str, object]


def due(
    rows: Iterable[FindingRow],
    sent_notifications: Mapping[str, SentNotification],
    now_ms: int,
    settings: Notify,
    *,
    since_ms: int,
) -> list[Notification]:
    """What is to be reported now, most urgent first, of equals the older. What began and ended before `since_ms` is history."""
    notifications = []
    for row in rows:
        kind = (
            None
            if row.suppressed
            else _kind(row, sent_notifications.get(row.finding.id), now_ms, settings=settings, since_ms=since_ms)
        )
        if kind is not None:
            notifications.append(Notification(kind, row))
    return sorted(
        notifications,
        key=lambda notification: (
            rank(notification.row.finding.cause),
            notification.row.first_ms,
            notification.row.finding.id,
        ),
    )


def _kind(
    row: FindingRow, sent_notification: SentNotification | None, now_ms: int, *, settings: Notify, since_ms: int
) -> Kind | None:
    wait_ms, again = (
        settings.wait_s * 1000,
        sent_notification is None or now_ms - sent_notification.raised_ms >= settings.repeat_h * _HOUR_MS,
    )
    raised = sent_notification is not None and sent_notification.number == row.number
    event = row.finding.cause in EVENTS
    if row.state != FindingState.CLOSED:
        if row.state != FindingState.NEW or not again or now_ms - row.first_ms < wait_ms:
            return None
        return Kind.AGAIN if raised else Kind.NEW
    if event or row.closed_ms is None or row.part_of:
        return None  # what happened is not over when it is a day old, and what is part of another goes on with that
    if sent_notification is not None and not sent_notification.over:
        quiet = now_ms - row.closed_ms >= settings.clear_s * 1000
        return Kind.OVER if quiet or row.by else None
    lasted = row.last_ms - row.first_ms >= wait_ms
    unseen = not row.by and row.first_ms >= since_ms
    return Kind.PASSED if lasted and unseen and again and not raised else None


def notification_text(notices: Sequence[Notification], site: Site, now_ms: int, reader: Reader) -> NotificationText:
    """One message for all notices; more than `most_per_message` are only counted. Its fields are for programs."""
    most = site.notify.most_per_message
    shown, rest, title = notices[:most], len(notices) - most, site.title or site.name
    counts = {kind: sum(n.kind is kind for n in notices) for kind in Kind}
    if len(notices) == 1:
        notification = notices[0]
        subject = f"{notification.kind}: {reader.head(notification.row.finding)}"
    else:
        subject = ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)
    lines = [f"{title}, {reader.moment(now_ms)} ({site.zone})"]
    for kind in Kind:
        for notification in (n for n in shown if n.kind is kind):
            lines += ["", *_lines(notification, reader)]
    if rest > 0:
        lines += ["", f"and {rest} more; `meterd findings` lists them"]
    lines += ["", "A value on a screen never proves a part dead.", ""]
    fields: dict[str, object] = {
        "site": site.name,
        "title": site.title,
        "at": text(now_ms),
        "notices": [as_fields(notification) for notification in shown],
        "more": max(0, rest),
    }
    return NotificationText(one_line(f"[{title}] {subject}", 200), "\n".join(lines), fields)


def _lines(notification: Notification, reader: Reader) -> list[str]:
    row, finding = notification.row, notification.row.finding
    lines = [
        f"{notification.kind.upper()}: {one_line(reader.head(finding), 200)}",
        f"  {one_line(reader.sentence(finding.text), 1000)}",
    ]
    if finding.remedy and notification.kind in (Kind.NEW, Kind.AGAIN):
        lines.append(f"  what to do: {one_line(reader.sentence(finding.remedy), 1000)}")
    span = f"  first {reader.moment(row.first_ms)}, last {reader.moment(row.last_ms)}"
    if row.count > 1:
        span += f", {row.count} times"
    if row.earlier_ms is not None:
        span += f"; an earlier one was closed {reader.moment(row.earlier_ms)}"
    lines.append(span)
    if len(finding.points) > 1:
        more = f" and {len(finding.points) - _MOST_POINTS} more" if len(finding.points) > _MOST_POINTS else ""
        lines.append("  points: " + "; ".join(map(reader.title, finding.points[:_MOST_POINTS])) + more)
    if notification.kind in (Kind.NEW, Kind.AGAIN):
        lines += _evidence(finding.evidence, reader)
    if row.by:
        lines.append(f"  closed by {one_line(row.by, 200)}")
    return [*lines, f"  id: {finding.id}"]


def _evidence(evidence: Sequence[str], reader: Reader) -> list[str]:
    """The first lines and always the last one, which proposes a correction."""
    shown, last = evidence[: _MOST_EVIDENCE - 1], evidence[_MOST_EVIDENCE - 1 :][-1:]
    lines = [f"  also: {one_line(reader.sentence(line), 1000)}" for line in (*shown, *last)]
    left = len(evidence) - len(lines)
    return lines if not left else [*lines[:-1], f"  and {left} more such line{'' if left == 1 else 's'}", lines[-1]]


def as_fields(notification: Notification) -> dict[str, object]:
    """A notice for programs."""
    row, finding = notification.row, notification.row.finding
    return {
        "kind": notification.kind.value,
        "id": finding.id,
        "number": row.number,
        "cause": finding.cause,
        "subject": finding.subject,
        "state": row.state,
        "first": text(row.first_ms),
        "last": text(row.last_ms),
        "count": row.count,
        "text": finding.text,
        "remedy": finding.remedy,
        "points": list(finding.points),
        "evidence": list(finding.evidence),
    }


def one_line(texts: str, longest: int) -> str:
    """A text without line breaks and control characters: names of devices end up in mail headers."""
    clean = " ".join("".join(letter if letter.isprintable() else " " for letter in texts).split())
    return clean if len(clean) <= longest else clean[: longest - 3] + "..."
