"""Notification by e-mail: plain text over SMTP (RFC 5321) with STARTTLS (RFC 3207) or TLS from the start (RFC 8314)."""

import base64
import hashlib
import smtplib
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, make_msgid

from meterd.adapters.notify.sender import secret_of
from meterd.core.errors import NotifyError, without
from meterd.core.model.plan import Notify
from meterd.core.texts.notification_digest import NotificationText, one_line

SUBJECT_LETTERS = 200
AUTHENTICATED = 235  # RFC 4954
_LATER = (421, 450, 451, 452, 454)  # "try again later" of RFC 5321, 4.2.3, and of RFC 4954


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file of a mail."""

    name: str
    media: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Letter:
    """A mail with files, before it has a sender."""

    subject: str
    text: str
    attachments: tuple[Attachment, ...]


class EmailChannel:
    """Sends to all receivers in one message."""

    name = "e-mail"

    def __init__(self, settings: Notify) -> None:
        self._settings = settings

    def send(self, message: NotificationText, now_ms: int) -> str:
        """Deliver to the server; NotifyError if it took the message for nobody. Returns which receivers it refused."""
        return self.deliver(compose(message, now_ms, self._settings))

    def deliver(self, mail: EmailMessage) -> str:
        """Hand a mail to the server; NotifyError if it took it for nobody. Returns which receivers it refused."""
        settings = self._settings
        password = secret_of(settings.smtp_password_env, settings.smtp_password_file, "the password of the mail server")
        quoted = (password, _plain(settings.smtp_username, password))
        server = f"{settings.smtp_host}:{settings.smtp_port}"
        try:
            with self._connect() as smtp:
                if settings.smtp_username:
                    _log_in(smtp, settings.smtp_username, password)
                refused = smtp.send_message(mail)
        except smtplib.SMTPAuthenticationError as exc:
            raise NotifyError(
                f"mail server {server} refuses the user or the password: {_server_words(exc.smtp_error, quoted)}",
                again=False,
            ) from exc
        except smtplib.SMTPResponseException as exc:
            text = f"mail server {server} refuses the message: {exc.smtp_code} {_server_words(exc.smtp_error, quoted)}"
            raise NotifyError(text, again=exc.smtp_code in _LATER) from exc
        except smtplib.SMTPRecipientsRefused as exc:
            raise NotifyError(
                f"mail server {server} refuses {_receivers(exc.recipients, quoted)}", again=False
            ) from exc
        except smtplib.SMTPNotSupportedError as exc:
            raise NotifyError(f"mail server {server}: {exc}; see smtp_security and smtp_username", again=False) from exc
        except ssl.SSLError as exc:
            raise NotifyError(
                f"mail server {server}: {one_line(str(exc), 200)}; see smtp_security and smtp_ca_file"
            ) from exc
        except (OSError, smtplib.SMTPException) as exc:
            raise NotifyError(f"mail server {server} cannot be reached: {one_line(str(exc), 200)}") from exc
        # the others have it: no second mail for them, but somebody must know
        return f"mail server {server} took the mail, but not for {_receivers(refused, quoted)}" if refused else ""

    def _connect(self) -> smtplib.SMTP:
        settings = self._settings
        # our own name is not looked up: a resolver that hangs would hold the mail up
        own = _domain(settings)
        where, limit_s = (settings.smtp_host, settings.smtp_port), settings.timeout_s
        if settings.smtp_security == "tls":
            return smtplib.SMTP_SSL(*where, local_hostname=own, timeout=limit_s, context=self._tls())
        smtp = smtplib.SMTP(*where, local_hostname=own, timeout=limit_s)
        if settings.smtp_security == "starttls":
            try:
                smtp.starttls(context=self._tls())
            except BaseException:
                smtp.close()
                raise
        return smtp

    def _tls(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=self._settings.smtp_ca_file or None)


def _log_in(smtp: smtplib.SMTP, user: str, password: str) -> None:
    """AUTH PLAIN (RFC 4616) where the server offers it, once: the library's own way knows only ASCII passwords, and tries
    a wrong one again with every mechanism, which locks accounts (Python 3.11 smtplib).
    """
    smtp.ehlo_or_helo_if_needed()
    if "PLAIN" not in smtp.esmtp_features.get("auth", "").upper().split():
        smtp.login(user, password)
        return
    code, text = smtp.docmd("AUTH", f"PLAIN {_plain(user, password)}")
    if code != AUTHENTICATED:
        raise smtplib.SMTPAuthenticationError(code, text)


def _plain(user: str, password: str) -> str:
    """User and password as AUTH PLAIN sends them."""
    return base64.b64encode(f"\0{user}\0{password}".encode()).decode()


def compose(message: NotificationText, now_ms: int, settings: Notify) -> EmailMessage:
    """The mail. What could end a header early has become blanks before it gets here, and is refused by the policy besides."""
    mail = _headed(message.subject, now_ms, settings, settings.email_to)
    mail["Message-ID"] = make_msgid(domain=_domain(settings))
    mail.set_content(message.text)
    return mail


def compose_documents(letter: Letter, now_ms: int, settings: Notify, receivers: tuple[str, ...]) -> EmailMessage:
    """A mail with files. The same files have the same Message-ID, so that a mail server or its reader can tell a repeat."""
    mail = _headed(letter.subject, now_ms, settings, receivers)
    content = hashlib.sha256(b"".join(attachment.data for attachment in letter.attachments)).hexdigest()[:32]
    mail["Message-ID"] = f"<{content}@{_domain(settings)}>"
    mail.set_content(letter.text)
    for attachment in letter.attachments:
        main, _, sub = attachment.media.partition("/")
        mail.add_attachment(attachment.data, maintype=main, subtype=sub, filename=attachment.name)
    return mail


def _headed(subject: str, now_ms: int, settings: Notify, receivers: tuple[str, ...]) -> EmailMessage:
    mail = EmailMessage(policy=SMTP)
    mail["From"] = Address(addr_spec=settings.email_from)
    mail["To"] = tuple(Address(addr_spec=receiver) for receiver in receivers)
    mail["Subject"] = one_line(subject, SUBJECT_LETTERS)
    mail["Date"] = format_datetime(datetime.fromtimestamp(now_ms / 1000, UTC))
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no absence notes in answer
    return mail


def _domain(settings: Notify) -> str:
    return settings.email_from.rpartition("@")[2]


def _server_words(text: bytes | str, quoted: tuple[str, ...]) -> str:
    """What the server says, which may quote what it was given."""
    return one_line(without(text.decode(errors="replace") if isinstance(text, bytes) else text, *quoted), 200)


def _receivers(refused: dict[str, tuple[int, bytes]], quoted: tuple[str, ...]) -> str:
    return ", ".join(f"{name} ({code} {_server_words(text, quoted)})" for name, (code, text) in refused.items())
