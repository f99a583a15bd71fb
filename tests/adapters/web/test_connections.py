"""Half-sent requests and unread answers: from one machine, byte by byte, and on a connection that was whole before."""

import contextlib
import os
import socket
import ssl
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from meterd.adapters.web import connections
from tests.adapters.web.web_backends import serving
from tests.brokers import until
from tests.docker.test_nginx import certificate

pytestmark = pytest.mark.slow
HALF = b"GET /now HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
HALF_FORM = (
    b"POST /login HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    b"Content-Length: 50\r\n\r\nname=a"
)
ATTACK = 320
UNREAD = 12


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """The page of the small site."""
    with serving(tmp_path / "gate-works.sqlite") as result:
        yield result


def opened(address: str, text: bytes) -> socket.socket:
    """A connection that has said this and no more."""
    host, port = address.removeprefix("http://").split(":")
    line = socket.socket()
    line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)  # not much fits on the way to somebody who does not read
    line.settimeout(30)
    line.connect((host, int(port)))
    line.sendall(text)
    return line


def files() -> int:
    """How many files and connections this process holds."""
    return len(os.listdir("/proc/self/fd"))


def ended(line: socket.socket) -> bool:
    """Whether the other side has closed; waits for it."""
    try:
        while line.recv(4096):
            pass
    except ConnectionError:
        return True
    except TimeoutError:
        return False
    return True


@pytest.mark.parametrize("text", [HALF, HALF_FORM], ids=["header", "form"])
def test_i16_320_half_sent_requests_of_one_machine_shut_nobody_out(address: str, text: bytes) -> None:
    """The page and its health answer while they last, the same machine's too; of one address only so many stay open."""
    with contextlib.ExitStack() as held:
        lines = [held.enter_context(opened(address, text)) for _ in range(ATTACK)]
        for _ in range(3):
            assert httpx.get(f"{address}/health", timeout=30).status_code == 200
            assert httpx.get(f"{address}/now", timeout=30).status_code == 200
        for line in lines[: ATTACK - connections.MOST_EACH - 10]:
            assert ended(line)


@pytest.mark.parametrize("before", [b"", b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n"], ids=["first", "second"])
def test_i16_a_header_that_drips_has_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: bytes) -> None:
    """A byte now and then does not prolong it, nor does a whole request before; another one goes on meanwhile."""
    monkeypatch.setattr(connections, "REQUEST_S", 1.0)
    with serving(tmp_path / "gate-works.sqlite") as address, opened(address, before + HALF) as line:
        line.settimeout(0.2)
        begun = time.monotonic()
        over = False
        while not over and time.monotonic() - begun < 30:
            try:
                over = line.recv(4096) == b""
                line.sendall(b"x")
            except TimeoutError:
                with contextlib.suppress(ConnectionError):
                    line.sendall(b"x")
            except ConnectionError:
                over = True
        assert over
        assert time.monotonic() - begun >= 0.9
        assert httpx.get(f"{address}/now").status_code == 200


def test_i16_answers_that_nobody_reads_have_an_end(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Large pages are asked for and not taken: the connections end, and the same machine gets its page."""
    monkeypatch.setattr(connections, "UNREAD_S", 1.0)
    asked = b"GET /static/page.css HTTP/1.1\r\nHost: localhost\r\n\r\n" * 400
    before = files()
    with contextlib.ExitStack() as held:
        for _ in range(UNREAD):
            held.enter_context(opened(address, asked))
        assert until(lambda: files() >= before + 2 * UNREAD), "taken in"
        assert httpx.get(f"{address}/now", timeout=60).status_code == 200
        assert until(lambda: files() < before + UNREAD + UNREAD // 2), "let go"


def test_i16_320_connections_that_begin_no_tls_shut_nobody_out(tmp_path: Path) -> None:
    """Nothing is said in any of them: the oldest go, and page and health answer the same machine."""
    made = certificate(tmp_path)
    trust = ssl.create_default_context(cafile=str(made))
    where = {"cert_file": str(made), "key_file": str(made.with_suffix(".key"))}
    with serving(tmp_path / "gate-works.sqlite", **where) as address, contextlib.ExitStack() as held:
        port = address.rpartition(":")[2]
        lines = [held.enter_context(opened(f"http://127.0.0.1:{port}", b"")) for _ in range(ATTACK)]
        for path in ("health", "now"):
            assert httpx.get(f"https://localhost:{port}/{path}", verify=trust, timeout=30).status_code == 200
        for line in lines[: ATTACK - connections.MOST_EACH - 10]:
            assert ended(line)
