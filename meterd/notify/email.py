"""Notification by e-mail: plain text over SMTP (RFC 5321) with STARTTLS (RFC 3207) or TLS from the start (RFC 8314)."""

import base64
import smtplib
import ssl
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime, make_msgid

from meterd.errors import NotifyError, without
from meterd.notice import Words, one_line
from meterd.notify import secret
from meterd.site import Notify

SUBJECT_LETTERS = 200
AUTHENTICATED = 235  # RFC 4954
_LATER = (421, 450, 451, 452, 454)  # "try again later" of RFC 5321, 4.2.3, and of RFC 4954


class EmailChannel:
    """Sends to all receivers in one message."""

    name = "e-mail"

    def __init__(self, settings: Notify) -> None:
        self._settings = settings

    def send(self, message: Words, now_ms: int) -> str:
        """Deliver to the server; NotifyError if it took the message for nobody. Returns which receivers it refused."""
        settings = self._settings
        mail = compose(message, now_ms, settings)
        password = secret(settings.smtp_password_env, settings.smtp_password_file, "the password of the mail server")
        quoted = (password, _plain(settings.smtp_username, password))
        server = f"{settings.smtp_host}:{settings.smtp_port}"
        try:
            with self._connect() as smtp:
                if settings.smtp_username:
                    _log_in(smtp, settings.smtp_username, password)
                refused = smtp.send_message(mail)
        except smtplib.SMTPAuthenticationError as exc:
            raise NotifyError(
                f"mail server {server} refuses the user or the password: {_said(exc.smtp_error, quoted)}", again=False
            ) from exc
        except smtplib.SMTPResponseException as exc:
            said = f"mail server {server} refuses the message: {exc.smtp_code} {_said(exc.smtp_error, quoted)}"
            raise NotifyError(said, again=exc.smtp_code in _LATER) from exc
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
        own = settings.email_from.rpartition("@")[2]
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
    code, said = smtp.docmd("AUTH", f"PLAIN {_plain(user, password)}")
    if code != AUTHENTICATED:
        raise smtplib.SMTPAuthenticationError(code, said)


def _plain(user: str, password: str) -> str:
    """User and password as AUTH PLAIN sends them."""
    return base64.b64encode(f"\0{user}\0{password}".encode()).decode()


def compose(message: Words, now_ms: int, settings: Notify) -> EmailMessage:
    """The mail. What could end a header early has become blanks before it gets here, and is refused by the policy besides."""
    mail = EmailMessage(policy=SMTP)
    mail["From"] = Address(addr_spec=settings.email_from)
    mail["To"] = tuple(Address(addr_spec=receiver) for receiver in settings.email_to)
    mail["Subject"] = one_line(message.subject, SUBJECT_LETTERS)
    mail["Date"] = format_datetime(datetime.fromtimestamp(now_ms / 1000, UTC))
    mail["Message-ID"] = make_msgid(domain=settings.email_from.rpartition("@")[2])
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no absence notes in answer
    mail.set_content(message.text)
    return mail


def _said(words: bytes | str, quoted: tuple[str, ...]) -> str:
    """Words of the server, which may quote what it was given."""
    return one_line(without(words.decode(errors="replace") if isinstance(words, bytes) else words, *quoted), 200)


def _receivers(refused: dict[str, tuple[int, bytes]], quoted: tuple[str, ...]) -> str:
    return ", ".join(f"{name} ({code} {_said(words, quoted)})" for name, (code, words) in refused.items())
