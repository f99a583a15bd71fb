"""What is told to people, when, and in which words. Pure: findings and what was told before in, one message out.

A finding is told when it has lasted for a while, told again as long as nobody has seen it, and once more when it is over.
What comes while a channel is busy or away is gathered into one message.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterd.conditions import EVENT_CAUSES
from meterd.finding import FindingRow, FindingState
from meterd.interval import text
from meterd.site import Notify, Site

_HOUR_MS = 3_600_000
_MOST_POINTS = 10  # names in one line
_MOST_EVIDENCE = 5  # sentences in a mail; the list and the topic have all of them


class Kind(StrEnum):
    """Why a finding is told."""

    NEW = "new"
    AGAIN = "still open"
    OVER = "over"
    PASSED = "came and went"


@dataclass(frozen=True, slots=True)
class Told:
    """What a channel has told of one finding: in which of its lives, when, and whether its end was told as well."""

    number: int
    raised_ms: int
    over: bool = False


@dataclass(frozen=True, slots=True)
class Notice:
    """One finding to be told, and why."""

    kind: Kind
    row: FindingRow

    def told(self, now_ms: int, before: Told | None) -> Told:
        """What is remembered once it has been told."""
        if self.kind is Kind.OVER:
            return Told(self.row.number, before.raised_ms if before else now_ms, over=True)
        return Told(self.row.number, now_ms, over=self.kind is Kind.PASSED)


@dataclass(frozen=True, slots=True)
class Words:
    """One message: a subject line, a text for people, and the same as fields for programs."""

    subject: str
    text: str
    fields: Mapping[str, object]


def due(
    rows: Iterable[FindingRow], told: Mapping[str, Told], now_ms: int, settings: Notify, *, since_ms: int
) -> list[Notice]:
    """What is to be told now, oldest first. What began and ended before `since_ms` (the start) is history."""
    found = []
    for row in rows:
        kind = None if row.suppressed else _kind(row, told.get(row.finding.id), now_ms, settings, since_ms)
        if kind is not None:
            found.append(Notice(kind, row))
    return sorted(found, key=lambda notice: (notice.row.first_ms, notice.row.finding.id))


def _kind(row: FindingRow, told: Told | None, now_ms: int, settings: Notify, since_ms: int) -> Kind | None:
    wait_ms, again = settings.wait_s * 1000, told is None or now_ms - told.raised_ms >= settings.repeat_h * _HOUR_MS
    raised = told is not None and told.number == row.number
    event = row.finding.cause in EVENT_CAUSES
    if row.state != FindingState.CLOSED:
        if row.state != FindingState.NEW or not again or now_ms - row.first_ms < wait_ms:
            return None
        return Kind.AGAIN if raised else Kind.NEW
    if event or row.closed_ms is None or row.part_of:
        return None  # what happened is not over when it is a day old, and what is part of another goes on with that
    if told is not None and not told.over:
        quiet = now_ms - row.closed_ms >= settings.clear_s * 1000
        return Kind.OVER if quiet or row.by else None
    lasted = row.last_ms - row.first_ms >= wait_ms
    unseen = not row.by and row.first_ms >= since_ms
    return Kind.PASSED if lasted and unseen and again and not raised else None


def words(notices: Sequence[Notice], site: Site, now_ms: int, settings: Notify) -> Words:
    """One message for all notices; more than `most_per_message` are only counted."""
    shown, rest = notices[: settings.most_per_message], len(notices) - settings.most_per_message
    counts = {kind: sum(n.kind is kind for n in notices) for kind in Kind}
    if len(notices) == 1:
        one = notices[0]
        subject = f"{one.kind}: {one.row.finding.text}"
    else:
        subject = ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)
    lines = [f"{site.title or site.name}, {text(now_ms)}"]
    for kind in Kind:
        for notice in (n for n in shown if n.kind is kind):
            lines += ["", *_lines(notice)]
    if rest > 0:
        lines += ["", f"and {rest} more; `meterd findings` lists them"]
    lines += ["", "A value on a screen never proves a part dead.", ""]
    fields: dict[str, object] = {
        "site": site.name,
        "title": site.title,
        "at": text(now_ms),
        "notices": [as_fields(notice) for notice in shown],
        "more": max(0, rest),
    }
    return Words(one_line(f"[{site.name}] {subject}", 200), "\n".join(lines), fields)


def _lines(notice: Notice) -> list[str]:
    row, finding = notice.row, notice.row.finding
    lines = [f"{notice.kind.upper()}: {one_line(finding.text, 1000)}"]
    if finding.remedy and notice.kind in (Kind.NEW, Kind.AGAIN):
        lines.append(f"  what to do: {one_line(finding.remedy, 1000)}")
    span = f"  first {text(row.first_ms)}, last {text(row.last_ms)}"
    if row.count > 1:
        span += f", {row.count} times"
    if row.earlier_ms is not None:
        span += f"; an earlier one was closed {text(row.earlier_ms)}"
    lines.append(span)
    if len(finding.points) > 1:
        more = f" and {len(finding.points) - _MOST_POINTS} more" if len(finding.points) > _MOST_POINTS else ""
        lines.append("  points: " + ", ".join(finding.points[:_MOST_POINTS]) + more)
    if notice.kind in (Kind.NEW, Kind.AGAIN):
        lines += [f"  also: {one_line(line, 500)}" for line in finding.evidence[:_MOST_EVIDENCE]]
        if len(finding.evidence) > _MOST_EVIDENCE:
            lines.append(f"  and {len(finding.evidence) - _MOST_EVIDENCE} more such lines")
    if row.by:
        lines.append(f"  closed by {one_line(row.by, 200)}")
    return [*lines, f"  id: {finding.id}"]


def as_fields(notice: Notice) -> dict[str, object]:
    """A notice for programs."""
    row, finding = notice.row, notice.row.finding
    return {
        "kind": notice.kind.value,
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


def one_line(words: str, longest: int) -> str:
    """Words without line breaks and control characters: names of devices end up in mail headers."""
    clean = " ".join("".join(letter if letter.isprintable() else " " for letter in words).split())
    return clean if len(clean) <= longest else clean[: longest - 3] + "..."
