"""A real mail server and a real web server on this machine, obedient or not, and certificates for both."""

import json
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from meterd.core.model.plan import Notify
from tests.brokers import free_port

USER, PASSWORD = "mill", "crumb-Brösel"


class Inbox:
    """Takes mail in. `answer` may refuse or delay; `refused` are receivers that do not exist."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.receivers: list[list[str]] = []
        self.answer: Callable[[], str] = lambda: "250 kept"
        self.refused: set[str] = set()

    async def handle_RCPT(
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: object
    ) -> str:
        """One receiver."""
        if address in self.refused:
            return "550 5.1.1 no such box"
        envelope.rcpt_tos.append(address)
        return "250 ok"

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:
        """One mail."""
        answer = self.answer()
        if answer.startswith("250"):
            assert isinstance(envelope.content, bytes)
            self.mails.append(message_from_bytes(envelope.content, policy=policy.default))
            self.receivers.append(list(envelope.rcpt_tos))
        return answer


def _authenticate(_server: object, _session: object, _envelope: object, _mechanism: str, data: object) -> AuthResult:
    good = isinstance(data, LoginPassword) and (data.login.decode(), data.password.decode()) == (USER, PASSWORD)
    return AuthResult(success=good, handled=False)


@contextmanager
def mail_server(inbox: Inbox, security: str, folder: Path, *, port: int | None = None) -> Iterator[Notify]:
    """A mail server; yields settings that fit it. With "starttls" and "tls" it wants the password."""
    own = security != "none"
    context = tls_context(folder) if own else None
    controller = Controller(
        inbox, hostname="127.0.0.1", port=port or free_port(),
        ssl_context=context if security == "tls" else None,
        tls_context=context if security == "starttls" else None,
        authenticator=_authenticate if own else None,
        auth_required=security == "starttls", auth_require_tls=security == "starttls", require_starttls=security == "starttls",
    )  # fmt: skip
    controller.start()
    (folder / "password").write_text(f"{PASSWORD}\n", encoding="utf-8")
    try:
        yield Notify(
            email_to=("duty@mill.example", "chief@mill.example"), email_from="meterd@mill.example",
            smtp_host="localhost" if own else "127.0.0.1", smtp_port=controller.port, smtp_security=security,
            smtp_username=USER if own else "", smtp_password_file=str(folder / "password") if own else "",
            smtp_ca_file=str(folder / "cert.pem") if own else "", timeout_s=3,
        )  # fmt: skip
    finally:
        controller.stop(no_assert=True)


def tls_context(folder: Path) -> ssl.SSLContext:
    """A server's side of TLS, with a certificate for localhost made on the spot."""
    cert, key = folder / "cert.pem", folder / "key.pem"
    if not cert.exists():
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
             "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost", "-keyout", str(key), "-out", str(cert)],
            check=True, capture_output=True,
        )  # fmt: skip
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    return context


class Hooks:
    """A web server that keeps what is posted. `answer` gives the code and the body."""

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        self.posts: list[tuple[dict[str, str], dict[str, object]]] = []
        self.answer: Callable[[], tuple[int, bytes]] = lambda: (204, b"")
        self.location = ""
        hooks = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                code, text = hooks.answer()
                if code < 300:
                    hooks.posts.append(({k.lower(): v for k, v in self.headers.items()}, json.loads(body)))
                self.send_response(code)
                if hooks.location:
                    self.send_header("Location", hooks.location)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text)

            def log_message(self, *_: object) -> None:
                """Nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        if context is not None:
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        scheme, host = ("https", "localhost") if context is not None else ("http", "127.0.0.1")
        self.url = f"{scheme}://{host}:{self._server.server_address[1]}/hook?site=mill"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))

    def __enter__(self) -> "Hooks":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@contextmanager
def mute_server(greeting: bytes = b"") -> Iterator[int]:
    """Accepts connections, says the greeting and then nothing; yields the port."""
    done = threading.Event()
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(0.05)
    opened: list[socket.socket] = []

    def serve() -> None:
        while not done.is_set():
            try:
                connection, _ = listener.accept()
            except TimeoutError:
                continue
            opened.append(connection)
            connection.sendall(greeting)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        done.set()
        thread.join()
        for connection in opened:
            connection.close()
        listener.close()


def slowly(seconds: float, text: str) -> Callable[[], str]:
    """An answer after a while; blocks the server, as a busy one does."""

    def answer() -> str:
        time.sleep(seconds)
        return text

    return answer


__all__ = ["PASSWORD", "USER", "Hooks", "Inbox", "mail_server", "mute_server", "slowly", "tls_context"]
