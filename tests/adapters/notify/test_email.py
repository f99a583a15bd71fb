"""Mail goes out over every kind of line, in any script, and every way a server fails is a NotifyError in words."""

import time
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path

import pytest

from meterd.adapters.notify.email import EmailChannel, compose
from meterd.core.errors import NotifyError
from meterd.core.model.plan import Notify
from meterd.core.texts.notification_digest import NotificationText
from tests.adapters.notify.servers import Inbox, mail_server, mute_server, slowly
from tests.brokers import free_port

T = 1_780_000_000_000
MESSAGE = NotificationText("[mill] new: Zähler q05 steht", "Zähler q05 steht: seit 10 min 🔌\n.\n..\nEnde\n", {})


def body(mail: EmailMessage) -> str:
    content = mail.get_content()
    assert isinstance(content, str)
    return content.replace("\r\n", "\n")


@pytest.mark.parametrize("security", ["none", "starttls", "tls"])
def test_mail_arrives_whole(tmp_path: Path, security: str) -> None:
    """Subject and text beyond ASCII, a line with a single dot, both receivers, over an open line, STARTTLS and TLS."""
    inbox = Inbox()
    with mail_server(inbox, security, tmp_path) as settings:
        assert EmailChannel(settings).send(MESSAGE, T) == ""
    (mail,) = inbox.mails
    assert mail["Subject"] == MESSAGE.subject
    assert body(mail) == MESSAGE.text
    assert (mail["From"], mail["To"]) == ("meterd@mill.example", "duty@mill.example, chief@mill.example")
    assert mail["Date"].datetime.timestamp() * 1000 == T
    assert (mail["Auto-Submitted"], mail["Message-ID"].endswith("@mill.example>")) == ("auto-generated", True)
    assert inbox.receivers == [["duty@mill.example", "chief@mill.example"]]


@pytest.mark.parametrize(
    "name", ["q05\r\nBcc: all@mill.example", "q05\nX: y", "q05\r\n\r\nbody", "q05\u2028X: y", "q05\x00"]
)
def test_no_name_adds_a_header(tmp_path: Path, name: str) -> None:
    """H8: what a device calls itself stays inside the subject."""
    inbox = Inbox()
    with mail_server(inbox, "none", tmp_path) as settings:
        EmailChannel(settings).send(NotificationText(f"[mill] new: {name}", "text\n", {}), T)
    (mail,) = inbox.mails
    assert set(mail.keys()) >= {"From", "To", "Subject"}
    assert "Bcc" not in mail
    assert "X" not in mail
    assert mail["Subject"].startswith("[mill] new: q05")
    assert body(mail) == "text\n"
    assert inbox.receivers == [["duty@mill.example", "chief@mill.example"]]


def test_long_subject_and_long_lines_are_within_the_limits_of_mail() -> None:
    """RFC 5322, 2.1.1: no line above 998 octets; the text comes back unchanged."""
    settings = Notify(email_to=("a@b.example",), email_from="c@d.example")
    text = "x" * 5000 + "ß" * 2000 + "\n"
    mail = compose(NotificationText("ü" * 5000, text, {}), T, settings)
    assert max(len(line) for line in mail.as_bytes().split(b"\r\n")) <= 998
    assert body(mail) == text
    assert len(mail["Subject"]) <= 200


def failure(settings: Notify) -> NotifyError:
    with pytest.raises(NotifyError) as caught:
        EmailChannel(settings).send(MESSAGE, T)
    assert "\n" not in str(caught.value)
    return caught.value


def test_wrong_password_is_reported_and_not_tried_again_at_once(tmp_path: Path) -> None:
    """B18: the password was changed; an account is locked by repeats."""
    with mail_server(Inbox(), "starttls", tmp_path) as settings:
        (tmp_path / "password").write_text("old")
        error = failure(settings)
    assert "refuses the user or the password" in str(error)
    assert not error.again


def test_password_file_that_is_missing_empty_or_binary_is_reported(tmp_path: Path) -> None:
    """The message names the file, never the password."""
    with mail_server(Inbox(), "starttls", tmp_path) as settings:
        (tmp_path / "password").write_bytes(b"\xff\xfe")
        assert "not UTF-8" in str(failure(settings))
        (tmp_path / "password").write_text("")
        assert "is empty" in str(failure(settings))
        (tmp_path / "password").unlink()
        assert "cannot read" in str(failure(settings))
        assert "METERD_NO_SUCH" in str(
            failure(replace(settings, smtp_password_file="", smtp_password_env="METERD_NO_SUCH"))
        )


def test_password_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read anew for each mail."""
    inbox = Inbox()
    monkeypatch.setenv("MILL_MAIL", "crumb-Brösel")
    with mail_server(inbox, "starttls", tmp_path) as settings:
        EmailChannel(replace(settings, smtp_password_file="", smtp_password_env="MILL_MAIL")).send(MESSAGE, T)
    assert len(inbox.mails) == 1


def test_server_that_is_down_is_reported(tmp_path: Path) -> None:
    """Again later."""
    with mail_server(Inbox(), "none", tmp_path) as settings:
        down = replace(settings, smtp_port=free_port())
    error = failure(down)
    assert "cannot be reached" in str(error)
    assert error.again


@pytest.mark.parametrize("greeting", [b"", b"220 mill.example ESMTP\r\n"])
def test_server_that_says_nothing_costs_the_time_limit(greeting: bytes) -> None:
    """It hangs before or after its greeting."""
    with mute_server(greeting) as port:
        settings = Notify(
            email_to=("a@b.example",), email_from="c@d.example", smtp_host="127.0.0.1", smtp_port=port, timeout_s=1
        )
        begun = time.monotonic()
        error = failure(replace(settings, smtp_security="none"))
        assert time.monotonic() - begun < 3
    assert error.again


def test_server_that_speaks_something_else_is_reported() -> None:
    """A web server on that port."""
    with mute_server(b"HTTP/1.1 400 Bad Request\r\n\r\n") as port:
        settings = Notify(
            email_to=("a@b.example",), email_from="c@d.example", smtp_host="127.0.0.1", smtp_port=port, timeout_s=1
        )
        failure(replace(settings, smtp_security="tls"))
        failure(replace(settings, smtp_security="starttls"))


@pytest.mark.parametrize(
    ("answer", "again"), [("451 4.3.0 try later", True), ("552 5.2.2 box is full", False), ("554 5.7.1 spam", False)]
)
def test_server_that_refuses_the_mail_is_reported_with_its_words(tmp_path: Path, answer: str, again: bool) -> None:
    """The code decides whether it is tried again soon."""
    inbox = Inbox()
    inbox.answer = lambda: answer
    with mail_server(inbox, "none", tmp_path) as settings:
        error = failure(settings)
    assert answer[:3] in str(error)
    assert answer[10:] in str(error)
    assert error.again is again


def test_receiver_that_does_not_exist_does_not_cost_the_others_their_mail(tmp_path: Path) -> None:
    """One of two: delivered, and said. Both: an error."""
    inbox = Inbox()
    inbox.refused = {"chief@mill.example"}
    with mail_server(inbox, "none", tmp_path) as settings:
        text = EmailChannel(settings).send(MESSAGE, T)
        assert "chief@mill.example (550 5.1.1 no such box)" in text
        assert inbox.receivers == [["duty@mill.example"]]
        inbox.refused.add("duty@mill.example")
        assert "duty@mill.example" in str(failure(settings))


def test_unknown_certificate_is_refused(tmp_path: Path) -> None:
    """Without the authority's file no password is sent."""
    for security in ("tls", "starttls"):
        with mail_server(Inbox(), security, tmp_path) as settings:
            assert "certificate" in str(failure(replace(settings, smtp_ca_file=""))).lower()


def test_server_without_starttls_gets_no_mail(tmp_path: Path) -> None:
    """The plan asks for it; an open line is no substitute."""
    inbox = Inbox()
    with mail_server(inbox, "none", tmp_path) as settings:
        assert "STARTTLS" in str(failure(replace(settings, smtp_security="starttls")))
    assert inbox.mails == []


def test_slow_server_within_the_limit_is_served(tmp_path: Path) -> None:
    """A second for an answer is busy, not broken."""
    inbox = Inbox()
    inbox.answer = slowly(1.0, "250 kept")
    with mail_server(inbox, "none", tmp_path) as settings:
        EmailChannel(settings).send(MESSAGE, T)
    assert len(inbox.mails) == 1
