"""Half-sent requests: from one machine, byte by byte, and on a connection that was whole before."""

import contextlib
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from meterd.adapters.web import connections
from tests.adapters.web.web_backends import serving

pytestmark = pytest.mark.slow
HALF = b"GET /now HTTP/1.1\r\nHost: localhost\r\nX-Slow: "
ATTACK = 320


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """The page of the small site."""
    with serving(tmp_path / "gate-works.sqlite") as result:
        yield result


def opened(address: str, text: bytes) -> socket.socket:
    """A connection that has said this and no more."""
    host, port = address.removeprefix("http://").split(":")
    line = socket.create_connection((host, int(port)), timeout=30)
    line.sendall(text)
    return line


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


def test_i16_320_half_sent_requests_of_one_machine_shut_nobody_out(address: str) -> None:
    """The page and its health answer while they last, the same machine's too; of one address only so many stay open."""
    with contextlib.ExitStack() as held:
        lines = [held.enter_context(opened(address, HALF)) for _ in range(ATTACK)]
        for _ in range(3):
            assert httpx.get(f"{address}/health", timeout=30).status_code == 200
            assert httpx.get(f"{address}/now", timeout=30).status_code == 200
        for line in lines[: ATTACK - connections.MOST_EACH - 10]:
            assert ended(line)


@pytest.mark.parametrize("before", [b"", b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n"], ids=["first", "second"])
def test_i16_a_header_that_drips_has_an_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: bytes) -> None:
    """A byte now and then does not prolong it, nor does a whole request before; another one goes on meanwhile."""
    monkeypatch.setattr(connections, "HEADER_S", 1.0)
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
