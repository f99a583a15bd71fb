"""A daemon that announces its broker and its page, found by a client of DNS-SD on the same network."""

import signal
import socket
import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from zeroconf import ServiceBrowser, ServiceListener, Zeroconf

from tests.brokers import Mosquitto, free_port, until
from tests.programs import Program

HERE = "127.0.0.1"
KINDS = ("_mqtt._tcp.local.", "_http._tcp.local.")
PLAN = """
site = {{ name = "mill-{port}", zone = "UTC", announce = "{address}" }}
board = [{{ name = "north" }}]
broker = {{ host = "127.0.0.1", port = {port} }}
page = {{ listen = "0.0.0.0", port = {page} }}
point = [{{ point = "t1", role = "feed" }}]
input = [{{ point = "t1", register = "16.7.0", address = "m/t1" }}]
"""
BUSY_S = 60.0


class Found(ServiceListener):
    """What a browser finds, by kind, and what is no longer there."""

    def __init__(self) -> None:
        self.names: set[str] = set()

    def add_service(self, zc: Zeroconf, type_: str, name: str) -> None:
        self.names.add(name)

    def remove_service(self, zc: Zeroconf, type_: str, name: str) -> None:
        self.names.discard(name)

    def update_service(self, zc: Zeroconf, type_: str, name: str) -> None:
        """Nothing changes."""


@pytest.fixture
def browser() -> Iterator[Zeroconf]:
    with closing(Zeroconf(interfaces=[HERE])) as result:
        yield result


def asked(name: str) -> bytes:
    """Answers to a bare question for the services of a kind (RFC 6762, 6.7: one from another port is answered to it)."""
    question = b"".join(bytes([len(label)]) + label.encode() for label in name.rstrip(".").split(".")) + b"\0"
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        out.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(HERE))
        out.settimeout(1.0)
        out.sendto(struct.pack(">6H", 7, 0, 1, 0, 0, 0) + question + struct.pack(">2H", 12, 1), ("224.0.0.251", 5353))
        try:
            return out.recv(9000)
        except TimeoutError:
            return b""


@pytest.mark.slow
def test_a_client_finds_broker_and_page_and_hears_when_they_are_gone(browser: Zeroconf, tmp_path: Path) -> None:
    """Address, port, topic and path; a question in bare bytes is answered too."""
    with Mosquitto() as broker:
        page, results = free_port(), Found()
        names = {f"mill-{broker.port}.{kind}" for kind in KINDS}
        plan = tmp_path / "mill.toml"
        plan.write_text(PLAN.format(port=broker.port, page=page, address=HERE), encoding="utf-8")
        ServiceBrowser(browser, list(KINDS), results)
        daemon = Program(["run", str(plan)], tmp_path / "log")
        try:
            assert until(lambda: names <= results.names, BUSY_S), (tmp_path / "log").read_text()
            for name, kind, port, text in (
                (
                    f"mill-{broker.port}.{KINDS[0]}",
                    KINDS[0],
                    broker.port,
                    {b"topic": f"energy/mill-{broker.port}".encode()},
                ),
                (f"mill-{broker.port}.{KINDS[1]}", KINDS[1], page, {b"path": b"/"}),
            ):
                info = browser.get_service_info(kind, name, timeout=30_000)
                assert info is not None
                assert (info.parsed_addresses(), info.port, info.properties) == ([HERE], port, text)
            assert until(lambda: f"mill-{broker.port}".encode() in asked(KINDS[0]), BUSY_S)
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(60)
        assert until(lambda: not names & results.names, BUSY_S), "the farewell was not heard"


@pytest.mark.slow
def test_a_daemon_that_cannot_announce_says_so_and_goes_on(tmp_path: Path) -> None:
    """An address that this machine does not have (of a block for examples, RFC 5737)."""
    with Mosquitto() as broker:
        plan = tmp_path / "mill.toml"
        plan.write_text(PLAN.format(port=broker.port, page=free_port(), address="198.51.100.7"), encoding="utf-8")
        daemon = Program(["run", str(plan)], tmp_path / "log")
        try:
            assert until(lambda: "cannot announce at 198.51.100.7" in (tmp_path / "log").read_text(), BUSY_S)
            assert daemon.poll() is None
        finally:
            daemon.send_signal(signal.SIGTERM)
            daemon.wait(60)
