"""Whole requests without end from one machine, at the page of a running daemon (I16)."""

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import httpx
import pytest

from meterd.adapters.web.guard import MOST_EACH, PROGRAM_EACH, REST_S
from tests.brokers import Mosquitto, crowd, free_port, until
from tests.faults.mill import Child, message, now_ms, publish, sending, write_plan

pytestmark = pytest.mark.slow
CONNECTIONS, AT_ONCE = 32, 20
ASKS = 12
LIMIT_S = 0.5


class Flood:
    """Connections that ask for the same again and again, many times before they read, while the `with` block lasts."""

    def __init__(self, port: int, path: str) -> None:
        self._port, self._request = port, f"GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._all()))
        self.answers = 0

    def __enter__(self) -> "Flood":
        self._thread.start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self._stop.set()
        self._thread.join()

    async def _all(self) -> None:
        await asyncio.gather(*(self._ask() for _ in range(CONNECTIONS)))

    async def _ask(self) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
        writer.write(self._request * AT_ONCE)
        while not self._stop.is_set():
            with suppress(TimeoutError):
                text = await asyncio.wait_for(reader.read(262_144), 0.2)
                assert text, "the connection is kept"
                self.answers += text.count(b"HTTP/1.1 200")
                writer.write(self._request * text.count(b"HTTP/1.1 200"))
        writer.close()


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """Where the page of a running daemon is."""
    folder = tmp_path_factory.mktemp("mill")
    with Mosquitto() as broker, sending(broker.port) as out:
        plan, result = write_plan(folder, broker.port, limits=""), free_port()
        plan.write_text(f"{plan.read_text(encoding='utf-8')}\n[page]\nport = {result}\n", encoding="utf-8")
        with Child(plan, folder / "s.sqlite"):
            assert until(lambda: serves(result), 60)
            publish(out, [("m/t1", message(now_ms(), power=700.0))])
            yield result


def serves(port: int) -> bool:
    """Whether the page answers."""
    with suppress(httpx.HTTPError):
        return httpx.get(f"http://127.0.0.1:{port}/ready", timeout=5).status_code == 200
    return False


@contextmanager
def other(port: int) -> Iterator[httpx.Client]:
    """Somebody at another machine."""
    transport = httpx.HTTPTransport(local_address="127.0.0.2")
    with httpx.Client(transport=transport, base_url=f"http://127.0.0.1:{port}", timeout=60) as client:
        yield client


@pytest.mark.parametrize(("path", "turns"), [("/metrics", PROGRAM_EACH), ("/energy", MOST_EACH)])
def test_i16_a_flood_of_whole_requests_leaves_page_and_health_to_others(port: int, path: str, turns: int) -> None:
    """Found with 32 connections that asked for /health or /metrics without end: another one's page took 4 s."""
    took: dict[str, list[float]] = {"/now": [], "/health": []}
    begun = time.monotonic()
    with Flood(port, path) as flood, other(port) as client:
        assert until(lambda: flood.answers >= ASKS), "the flood itself is answered"
        for _ in range(ASKS):
            for asked, times in took.items():
                since = time.monotonic()
                assert client.get(asked).status_code == 200
                times.append(time.monotonic() - since)
        assert flood.answers <= turns * ((time.monotonic() - begun) / REST_S + 1), "it has its turns and no more"
    for asked, times in took.items():
        assert sorted(times)[-2] < LIMIT_S * crowd(), f"{asked}: {times}"
