"""Nothing that meterd says, publishes, serves or keeps holds a secret, also when servers quote it in what they refuse with."""

import base64
import json
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.message_queue import MessageQueue
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.users import UserFile
from meterd.app.cli.main import main
from tests.adapters.notify.servers import PASSWORD, Hooks, Inbox, mail_server
from tests.brokers import Mosquitto, free_port, until
from tests.databases import StrictFake
from tests.docker.test_access import certificates, openssl
from tests.faults.mill import Child, message, now_ms, open_findings, write_plan

pytestmark = pytest.mark.slow
BROKER, TOKEN, HOOK, MAIL, USER = (
    "brine-and-Ochre 41",
    "tok-Fennel+77==",
    "Bearer Quarry.6f2a",
    PASSWORD,
    "page-Heron-55",
)
PLAIN = base64.b64encode(f"\0mill\0{MAIL}".encode()).decode()  # as AUTH PLAIN sends it
MORE = """
[page]
port = {page}
[line_store]
url = "{lines}"
org = "mill"
bucket = "mill"
token_file = "token"
[notify]
wait_s = 1
gap_s = 1
email_to = ["duty@mill.example"]
email_from = "meterd@mill.example"
smtp_host = "localhost"
smtp_port = {smtp}
smtp_security = "{security}"
smtp_ca_file = "cert.pem"
smtp_username = "mill"
smtp_password_env = "MILL_MAIL"
webhook_url = "{hook}"
webhook_secret_env = "MILL_HOOK"
"""


@dataclass(frozen=True)
class Works:
    """A running mill with every secret there is, and servers that refuse and quote them."""

    folder: Path
    plan: Path
    broker: Mosquitto
    child: Child
    page: str

    @property
    def store(self) -> Path:
        return self.folder / "s.sqlite"


def told() -> list[str]:
    """Every secret, and how it travels."""
    plain = [BROKER, TOKEN, HOOK.split()[1], MAIL, PLAIN, USER]
    return (
        plain
        + [base64.b64encode(item.encode()).decode().rstrip("=") for item in plain]
        + [json.dumps(item)[1:-1] for item in plain]
    )


def leaks(expected: str | bytes) -> list[str]:
    """Which secrets stand in a text."""
    text = expected.decode(errors="replace") if isinstance(expected, bytes) else expected
    return [item for item in told() if item in text]


@contextmanager
def client_certificates(folder: Path) -> Iterator[str]:
    """An authority, a server and a client; yields the broker's configuration that wants the client's."""
    certificates(folder)
    openssl(
        folder,
        "req",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-keyout",
        "meterd.key",
        "-out",
        "meterd.csr",
        "-subj",
        "/CN=meterd",
    )
    openssl(folder, "x509", "-req", "-in", "meterd.csr", "-CA", "ca.crt", "-CAkey", "ca.key", "-CAcreateserial", "-days", "30",
            "-out", "meterd.crt")  # fmt: skip
    for path in folder.iterdir():
        path.chmod(0o644)
    yield "\n".join(
        [
            f"cafile {folder}/ca.crt",
            f"certfile {folder}/broker.crt",
            f"keyfile {folder}/broker.key",
            "require_certificate true",
        ]
    )


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Works]:
    folder = tmp_path_factory.mktemp("works")
    subprocess.run(
        ["mosquitto_passwd", "-c", "-b", str(folder / "passwords"), "m", BROKER], check=True, capture_output=True
    )
    (folder / "passwords").chmod(0o644)
    (folder / "token").write_text(f"{TOKEN}\n", encoding="utf-8")
    (folder / "broker-password").write_text(f"{BROKER}\n", encoding="utf-8")
    UserFile(folder / "s.sqlite.users").keep("anna", UserRole.CHANGE, USER)
    inbox = Inbox()
    with (
        client_certificates(folder) as listener,
        Mosquitto(f"allow_anonymous false\npassword_file {folder / 'passwords'}", listener=listener) as broker,
        StrictFake() as lines,
        Hooks() as hooks,
        mail_server(inbox, "starttls", folder) as mail,
    ):
        # all of them refuse, and quote what they were given, as a proxy that is being debugged does
        lines.answers = [
            (401, {"code": "unauthorized", "message": f"no use for Authorization: Token {TOKEN}"}, {})
        ] * 10**5
        inbox.answer = lambda: f"550 5.7.1 after AUTH PLAIN {PLAIN} nothing is taken"
        hooks.answer = lambda: (403, f"headers were Authorization: {HOOK}".encode())
        plan = write_plan(folder, broker.port, limits="publish_every_s = 4")
        tls = f'host = "localhost", tls = true, ca_file = "{folder}/ca.crt", cert_file = "meterd.crt", key_file = "meterd.key"'
        text = plan.read_text(encoding="utf-8").replace(
            'host = "127.0.0.1"', f'{tls}, username = "m", password_file = "broker-password"', 1
        )
        page = free_port()
        more = MORE.format(page=page, lines=lines.url, smtp=mail.smtp_port, security=mail.smtp_security, hook=hooks.url)
        plan.write_text(text + more, encoding="utf-8")
        env = {"MILL_MAIL": MAIL, "MILL_HOOK": HOOK}
        with Child(plan, folder / "s.sqlite", "--log", "json", "--verbose", env=env) as child:
            yield Works(folder, plan, broker, child, f"http://127.0.0.1:{page}")


def served(url: str, data: bytes | None = None) -> tuple[int, bytes]:
    """What the page answers."""
    try:
        with urllib.request.urlopen(url, data=data, timeout=10) as answer:
            return int(answer.status), bytes(answer.read())
    except urllib.error.HTTPError as exc:
        with exc:
            return exc.code, bytes(exc.read())


def test_secrets_stand_nowhere(works: Works, capsys: pytest.CaptureFixture[str]) -> None:
    """Log, topics, page, health, metrics, findings, store and commands, while every server refuses."""
    own = LinkSettings(
        "looker", host="localhost", port=works.broker.port, username="m", password=BROKER, tls=True,
        ca_file=str(works.folder / "ca.crt"), cert_file=str(works.folder / "meterd.crt"),
        key_file=str(works.folder / "meterd.key"),
        session_expiry_s=0,
    )  # fmt: skip
    heard = MessageQueue()
    with Link(own, topics=("#",), inbox=heard) as link:

        def all_told() -> bool:
            """The daemon may not listen yet: a meter sends again and again."""
            link.publish("m/q01", message(now_ms(), **{"import": 5_000.0, "power": 1_000.0}))
            time.sleep(0.2)
            return {"lines-store-mill", "not-told-e-mail", "not-told-webhook"} <= open_findings(works.store).keys()

        assert until(all_told, 30), works.child.said()
        assert until(lambda: heard.qsize() > 20)
    pages = [
        "/health",
        "/ready",
        "/metrics",
        "/api/openapi.json",
        "/now",
        "/data",
        "/findings",
        "/api/now",
        "/api/findings",
        "/nowhere",
    ]
    answers = {path: served(works.page + path) for path in pages}
    answers["/login"] = served(works.page + "/login", f"name=anna&password={USER}x".encode())
    assert {path: leaks(body) for path, (_, body) in answers.items() if leaks(body)} == {}
    assert answers["/health"][0] == answers["/metrics"][0] == answers["/api/findings"][0] == 200
    assert b"not-told" in answers["/api/findings"][1]
    messages = list(heard.queue)
    assert [item.topic for item in messages if leaks(item.payload)] == []
    assert any("finding/lines-store" in item.topic for item in messages)
    for command in (["check"], ["findings"], ["findings", "--history", "lines-store-mill"], ["topics"], ["health"]):
        main(
            [
                command[0],
                str(works.plan),
                *command[1:],
                *(["--store", str(works.store)] if command[0] == "findings" else []),
            ]
        )
    out = capsys.readouterr()
    assert leaks(out.out + out.err) == []
    works.broker.restart()
    assert until(lambda: "broker link" in works.child.said(), 30)
    assert works.child.stop() == 0
    assert leaks(works.child.said()) == []
    paths = [path for path in works.folder.iterdir() if path.name.startswith("s.sqlite")]
    assert {path.name: leaks(path.read_bytes()) for path in paths if leaks(path.read_bytes())} == {}
    assert all(json.loads(line)["event"] for line in works.child.said().splitlines())


def test_a_broker_that_wants_a_certificate_gets_none_from_others(works: Works) -> None:
    """With the right password and authority, but no client certificate, nobody gets in."""
    bare = LinkSettings(
        "intruder", host="localhost", port=works.broker.port, username="m", password=BROKER, tls=True,
        ca_file=str(works.folder / "ca.crt"), session_expiry_s=0,
    )  # fmt: skip
    with Link(bare) as link:
        assert until(lambda: link.state().counters.connect_failures + link.state().counters.disconnects > 0, 8)
        assert not link.connected()
    with socket.create_connection(("127.0.0.1", works.broker.port)) as plain:
        plain.settimeout(5)
        plain.sendall(b"\x10\x10\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x03abc")
        try:
            text = plain.recv(100)
        except ConnectionResetError:
            text = b""
        assert text[:1] != b"\x20", "an open line gets no CONNACK"
