"""A finding is reported once it has lasted, reported again while nobody has seen it, and once more when it is over."""

import pytest

from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.periods import text
from meterd.core.model.plan import Notify, Site
from meterd.core.texts.notification_digest import (
    Kind,
    Notification,
    Reader,
    SentNotification,
    due,
    notification_text,
    one_line,
)

T = 1_780_000_000_000
S, H = 1000, 3_600_000
SETTINGS = Notify()
SITE = Site("mill", "Europe/Vienna", title="Harrow Mill")
TITLES = {"q05": "Cold store"}
READER = Reader(
    head=lambda finding: f"Meter is silent: {TITLES.get(finding.subject, finding.subject)}",
    sentence=lambda answer: answer.replace("q05", TITLES["q05"]),
    moment=text,
    title=lambda name: TITLES.get(name, name),
)


def row(
    state: str = "new",
    *,
    first: int = T,
    last: int = T,
    closed: int | None = None,
    cause: str = "stale",
    **more: object,
) -> FindingRow:
    finding = Finding(cause, "q05", first, "q05: nothing comes", "look at the meter", ("q05",))
    return FindingRow(finding, first, last, state, closed, **more)  # type: ignore[arg-type]


NEW, OVER = SentNotification(1, T), SentNotification(1, T, over=True)

# what is stored, what was sent, now, what is due
CASES = [
    (row(), None, T + 59 * S, None),  # mends itself in a minute
    (row(), None, T + 60 * S, Kind.NEW),
    (row(), NEW, T + 8 * H - 1, None),  # reported, not seen: once a shift
    (row(), NEW, T + 8 * H, Kind.AGAIN),
    (row("seen"), NEW, T + 9 * H, None),
    (row("explained"), NEW, T + 9 * H, None),
    (row("seen"), None, T + 9 * H, None),  # somebody knows
    (row(suppressed=True), None, T + 9 * H, None),
    (row(number=2), NEW, T + 8 * H, Kind.NEW),  # came back
    (row(number=2), OVER, T + 7 * H, None),  # but not more than once a shift
    (row("closed", closed=T + H), NEW, T + H + 599 * S, None),  # it may come back
    (row("closed", closed=T + H), NEW, T + H + 600 * S, Kind.OVER),
    (row("closed", closed=T + H, by="Ada"), NEW, T + H, Kind.OVER),  # a person said so
    (row("closed", closed=T + H), OVER, T + 9 * H, None),
    (row("closed", last=T + H, closed=T + H), None, T + 2 * H, Kind.PASSED),  # the way out was blocked meanwhile
    (row("closed", last=T + 30 * S, closed=T + 31 * S), None, T + 2 * H, None),
    (row("closed", first=T - 2, last=T + H, closed=T + H), None, T + 2 * H, None),  # before the start
    (row("closed", last=T + H, closed=T + H, by="Ada"), None, T + 2 * H, None),
    (row("closed", closed=T + H, cause="reset"), NEW, T + 9 * H, None),  # what happened is not over
    (row("closed", closed=T + H, part_of="silent-board-north"), NEW, T + 9 * H, None),  # it goes on under another name
    (row("closed", closed=T + H, suppressed=True), NEW, T + 9 * H, None),
]


@pytest.mark.parametrize(("known", "reported", "now", "expected"), CASES)
def test_what_is_due(known: FindingRow, reported: SentNotification | None, now: int, expected: Kind | None) -> None:
    """Row by row of the table above."""
    notifications = due([known], {} if reported is None else {known.finding.id: reported}, now, SETTINGS, since_ms=T)
    assert [notice.kind for notice in notifications] == ([] if expected is None else [expected])


def test_flapping_finding_makes_two_messages_a_shift() -> None:
    """On for ten minutes, off for twenty, all day: a finding and its all-clear in each eight hours, not forty-eight of each."""
    sent_notifications: dict[str, SentNotification] = {}
    sent = []
    for minute in range(24 * 60):
        now, cycle = T + minute * 60_000, minute % 30
        begin = T + (minute - cycle) * 60_000
        number = minute // 30 + 1
        if cycle < 10:
            known = row(first=begin, last=now, number=number)
        else:
            known = row("closed", first=begin, last=begin + 9 * 60_000, closed=begin + 10 * 60_000, number=number)
        for notice in due([known], sent_notifications, now, SETTINGS, since_ms=T):
            sent.append(notice.kind)
            sent_notifications[known.finding.id] = notice.sent(now, sent_notifications.get(known.finding.id))
    assert sent == [Kind.NEW, Kind.OVER] * 3


def test_told_remembers_when_it_was_raised() -> None:
    """The limit of repeats counts from the raising, not from the end."""
    assert Notification(Kind.NEW, row()).sent(T + 5, None) == SentNotification(1, T + 5)
    assert Notification(Kind.OVER, row()).sent(T + 9, SentNotification(1, T + 5)) == SentNotification(
        1, T + 5, over=True
    )
    assert Notification(Kind.PASSED, row()).sent(T + 9, None) == SentNotification(1, T + 9, over=True)


def test_one_finding_is_a_sentence() -> None:
    """Site and text in the subject by their titles; what to do, times and id in the body; programs get names."""
    message = notification_text([Notification(Kind.NEW, row(count=3, earlier_ms=T - H))], SITE, T + 60 * S, READER)
    assert message.subject == "[Harrow Mill] new: Meter is silent: Cold store"
    assert (
        "NEW: Meter is silent: Cold store\n  Cold store: nothing comes\n  what to do: look at the meter\n"
        in message.text
    )
    assert message.fields["notices"][0]["text"] == "q05: nothing comes"  # type: ignore[index]
    assert "3 times" in message.text
    assert "an earlier one was closed 2026-05-28T19:26:40Z" in message.text
    assert "id: stale-q05" in message.text


def test_many_findings_are_one_message_and_the_rest_is_counted() -> None:
    """Two hundred at once: fifty in full."""
    rows = [FindingRow(Finding("stale", f"q{i:03}", T, f"q{i:03}: nothing comes"), T, T, "new") for i in range(200)]
    message = notification_text(
        [Notification(Kind.NEW, r) for r in rows] + [Notification(Kind.OVER, row("closed"))], SITE, T, READER
    )
    assert message.subject == "[Harrow Mill] 200 new, 1 over"
    assert message.text.count("NEW: ") == 50
    assert "and 151 more" in message.text
    assert (len(message.fields["notices"]), message.fields["more"]) == (50, 151)  # type: ignore[arg-type]


def test_evidence_is_reported_while_it_is_open() -> None:
    """Five sentences of it, the last one too, which proposes a correction; all of them are in the list."""
    finding = Finding(
        "source-away",
        "mill",
        T,
        "no connection",
        "see",
        tuple(f"q{i}" for i in range(40)),
        tuple(f"line {i}" for i in range(9)),
    )
    text = notification_text([Notification(Kind.NEW, FindingRow(finding, T, T, "new"))], SITE, T, READER).text
    assert "  also: line 3\n  and 4 more such lines\n  also: line 8\n" in text
    assert "q9 and 30 more" in text
    assert (
        "also"
        not in notification_text(
            [Notification(Kind.OVER, FindingRow(finding, T, T, "closed", T))], SITE, T, READER
        ).text
    )


@pytest.mark.parametrize(
    ("many", "expected"),
    [
        (1, ["also: line 0"]),
        (5, ["also: line 0", "also: line 1", "also: line 2", "also: line 3", "also: line 4"]),
        (6, ["also: line 0", "also: line 1", "also: line 2", "also: line 3", "and 1 more such line", "also: line 5"]),
    ],
)
def test_the_last_line_of_evidence_is_in_the_mail(many: int, expected: list[str]) -> None:
    """Found by looking: the proposed correction is the last line, and was the one that a mail left out."""
    finding = Finding("drift", "q05", T, "q05 reads", "check", evidence=tuple(f"line {i}" for i in range(many)))
    text = notification_text([Notification(Kind.NEW, FindingRow(finding, T, T, "new"))], SITE, T, READER).text
    lines = [line.strip() for line in text.splitlines()]
    assert [line for line in lines if line.startswith(("also", "and"))] == expected


def test_who_closed_it_is_told() -> None:
    """The others on duty learn it."""
    assert (
        "closed by Ada"
        in notification_text([Notification(Kind.OVER, row("closed", closed=T, by="Ada"))], SITE, T, READER).text
    )


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("a\r\nBcc: all@mill.example", "a Bcc: all@mill.example"),
        ("a\x00b\x1b[31m\u2028c", "a b [31m c"),
        ("Zähler  steht", "Zähler steht"),
        ("x" * 300, "x" * 197 + "..."),
    ],
)
def test_one_line(given: str, expected: str) -> None:
    """H8: no name of a device ends a header early."""
    assert one_line(given, 200) == expected


def test_names_with_line_breaks_do_not_break_subject_or_body() -> None:
    """Each line of the body is one of ours."""
    finding = Finding("stale", "q05", T, "q05\nSubject: won\r\n.\r\nQUIT", "do\nthis", evidence=("x\ny",))
    message = notification_text([Notification(Kind.NEW, FindingRow(finding, T, T, "new", by="A\nB"))], SITE, T, READER)
    assert "\n" not in message.subject
    assert "\r" not in message.text
    assert "\n  Cold store Subject: won . QUIT\n" in message.text
