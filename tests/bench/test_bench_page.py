"""The page: how long each page takes on the server, how large it is, and what fifty open pages cost."""

import asyncio
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse
from starlette.routing import Route

from meterd.adapters.mqtt.embedded_broker import free_port
from meterd.adapters.web.backend import UserRole
from meterd.adapters.web.registry import PAGES
from tests.bench.rig import cpu_s
from tests.bench.table import Line, percentile

pytestmark = [pytest.mark.bench, pytest.mark.slow, pytest.mark.timeout(1200)]
BROWSERS = 50


@dataclass(frozen=True, slots=True)
class Running:
    """The demo of Harrow Mill with a history."""

    address: str
    pid: int


@contextmanager
def demo(folder: Path, days: int) -> Iterator[Running]:
    """The demo until its first snapshot."""
    command = [
        sys.executable,
        "-m",
        "meterd.app.cli.main",
        "demo",
        "--days",
        str(days),
        "--store",
        str(folder / "s.sqlite"),
    ]
    command += ["--page-port", str(free_port())]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        assert process.stdout is not None, "a pipe was asked for"
        try:
            address = ""
            for line in process.stdout:
                if (match := re.search(r"page: (http://\S+)/", line)) is not None:
                    address = match[1]
                if address and " north " in line:
                    break
            threading.Thread(target=process.stdout.read, daemon=True).start()
            yield Running(address, process.pid)
        finally:
            process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                raise


@contextmanager
def bare(body: str) -> Iterator[str]:
    """The same bytes from the bare framework."""

    def answer(_request: Request) -> HTMLResponse:
        return HTMLResponse(body)

    config = uvicorn.Config(Starlette(routes=[Route("/", answer)]), port=free_port(), log_config=None, lifespan="off")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield f"http://127.0.0.1:{config.port}"
    server.should_exit = True
    thread.join(10)


def timed(client: httpx.Client, path: str, times: int) -> tuple[float, str]:
    """Median seconds of a request, and the body."""
    took, body = [], ""
    for _ in range(times):
        begun = time.perf_counter()
        answer = client.get(path)
        took.append(time.perf_counter() - begun)
        assert answer.status_code == 200, f"{path}: {answer.text[:300]}"
        body = answer.text
    return percentile(took, 0.5), body


@pytest.fixture(scope="module")
def running(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The demo, after a year in the full form."""
    full = request.config.option.markexpr == "bench"
    with demo(tmp_path_factory.mktemp("page"), 365 if full else 1) as result:
        yield result


def test_worksheets_of_a_year(full: bool, report: list[Line], running: Running) -> None:
    """Every page that needs no question of its own answers; its size with style and scripts stays small."""
    with httpx.Client(base_url=running.address, timeout=60) as client:
        static = sum(len(client.get(f"/static/{name}").content) for name in ("page.css", "cards.js", "page.js"))
        for page_entry in PAGES:
            if not page_entry.listed or page_entry.role is not UserRole.OPEN:
                continue
            took, body = timed(client, page_entry.path, 21 if full else 1)
            with bare(body) as plain, httpx.Client(base_url=plain) as other:
                least, _ = timed(other, "/", 21 if full else 1)
            size = (len(body.encode()) + static) / 1000
            assert size < 300, f"{page_entry.key} is {size:.0f} kB"
            report.append(
                Line(
                    "page",
                    f"sheet {page_entry.key} from a year of 77 points, median (size with all files)",
                    f"{took * 1000:.0f} ms ({size:.0f} kB)",
                    f"{least * 1000:.1f} ms",
                    took / least,
                    "< 300 ms, < 300 kB",
                )
            )


async def _listen(address: str, count: int, seconds: float) -> int:
    """That many streams at once; how many events came."""
    limits = httpx.Limits(max_connections=count)

    async def item(client: httpx.AsyncClient) -> int:
        seen = 0
        async with client.stream("GET", "/stream") as answer:
            assert answer.status_code == 200
            until = time.monotonic() + seconds
            async for line in answer.aiter_lines():
                seen += line.startswith("data:")
                if time.monotonic() > until:
                    break
        return seen

    # loopback has many addresses: each browser comes from one of its own, as on a network
    clients = [
        httpx.AsyncClient(
            base_url=address,
            timeout=30,
            limits=limits,
            transport=httpx.AsyncHTTPTransport(local_address=f"127.0.1.{number + 1}"),
        )
        for number in range(count)
    ]
    try:
        return sum(await asyncio.gather(*(item(client) for client in clients)))
    finally:
        for client in clients:
            await client.aclose()


def test_fifty_browsers_on_the_stream(full: bool, report: list[Line], running: Running) -> None:
    """All get the snapshot; what they cost is the daemon's processor time with them less that without."""
    span = 60.0 if full else 3.0
    before, since = cpu_s(running.pid), time.monotonic()
    time.sleep(span)
    alone = (cpu_s(running.pid) - before) / (time.monotonic() - since)
    before, since = cpu_s(running.pid), time.monotonic()
    with ThreadPoolExecutor(1) as own:  # a browser of another test may have its event loop in this thread
        events = own.submit(asyncio.run, _listen(running.address, BROWSERS, span)).result()
    watched = (cpu_s(running.pid) - before) / (time.monotonic() - since)
    assert events >= BROWSERS
    report.append(
        Line(
            "page",
            f"{BROWSERS} browsers on the stream, share of a core",
            f"{watched - alone:.1%}",
            f"{alone:.1%} without",
            None,
            "< 5 %",
            f"{events / span / BROWSERS:.2f} events a second each",
        )
    )
