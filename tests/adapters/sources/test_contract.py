"""What every source keeps: it delivers, survives garbage, stops within its limit, and is silent afterwards."""

import itertools
import queue
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path

import pytest

from meterd.adapters.mqtt.client import Link
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.sources import Delivery
from meterd.adapters.sources import Source as RunningSource
from meterd.adapters.sources.registry import PROTOCOLS
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Broker, Input, Site, Source
from tests.adapters.sources.devices import ModbusServer, Piece, TcpDevice, words
from tests.adapters.sources.lines import plan
from tests.adapters.sources.modbus.test_sunspec import END, MARK, model
from tests.adapters.sources.serial.test_dlms_push import energy, hdlc
from tests.adapters.sources.serial.test_mbus import Meters, body
from tests.adapters.sources.telegrams import meter, readout
from tests.brokers import Mosquitto, until

LIMIT_S = 5.0
NOISE = bytes(range(256)) * 3


@dataclass
class Rig:
    """A plan with one source, and its device: sound, or sending garbage while `garbled` is set."""

    site: Site
    garbled: threading.Event = field(default_factory=threading.Event)


def garbling(
    answer: Callable[[bytes], Iterable[Piece]], garbled: threading.Event
) -> Callable[[bytes], Iterable[Piece]]:
    return lambda request: (NOISE,) if garbled.is_set() else answer(request)


@contextmanager
def asked(protocol: str, answer: Callable[[bytes], Iterable[Piece]], address: str) -> Iterator[Rig]:
    with TcpDevice() as device:
        rig = Rig(plan(protocol, device.port, (Input("q01", "1.8.0", "line", address),)))
        device.answer = garbling(answer, rig.garbled)
        yield rig


@contextmanager
def registers(protocol: str, address: str, data: dict[int, list[int]]) -> Iterator[Rig]:
    """The library's own server behind a relay that can spoil what comes back."""
    with ModbusServer({1: data}) as server:
        rig = Rig(plan(protocol, server.port, (Input("q01", "1.8.0", "line", address),)))
        with TcpDevice(garbling(lambda request: relayed(server.port, request), rig.garbled)) as device:
            rig.site = plan(protocol, device.port, (Input("q01", "1.8.0", "line", address),))
            yield rig


def relayed(port: int, request: bytes) -> Iterable[Piece]:
    with socket.create_connection(("127.0.0.1", port), 1) as made:
        made.sendall(request)
        made.settimeout(1)
        yield made.recv(4096)


@contextmanager
def pushed(protocol: str, telegram: Callable[[int], bytes]) -> Iterator[Rig]:
    rig = Rig(Site("mill", "Europe/London"))

    def stream() -> Iterator[Piece]:
        for number in itertools.count():
            yield NOISE if rig.garbled.is_set() else telegram(number)
            yield 0.02

    with TcpDevice(greeting=stream) as device:
        rig.site = plan(protocol, device.port, (Input("q01", "1.8.0", "line", "1.8.0"),))
        yield rig


def read_out(request: bytes) -> Iterable[Piece]:
    return (b"/TST5METER\r\n",) if request.startswith(b"/?") else (readout("1.8.0(1.5*kWh)"),)


def web(_request: bytes) -> Iterable[Piece]:
    return (b"HTTP/1.1 200 OK\r\nContent-Length: 3\r\n\r\n1.5", None)


@contextmanager
def mqtt() -> Iterator[Rig]:
    with (
        Mosquitto() as broker,
        Link(LinkSettings("writer", host="127.0.0.1", port=broker.port, session_expiry_s=0)) as out,
    ):
        inputs = (Input("q01", "1.8.0", "line", "m/q01"),)
        site = Site("mill", "Europe/London", inputs=inputs, sources=(Source("line", "mqtt"),),
                    broker=Broker(host="127.0.0.1", port=broker.port))  # fmt: skip
        rig, ended = Rig(site), threading.Event()

        def send() -> None:
            for number in itertools.count():
                out.publish("m/q01", NOISE if rig.garbled.is_set() else b"%d" % number)
                if ended.wait(0.05):
                    return

        assert until(out.connected)
        sender = threading.Thread(target=send)
        sender.start()
        yield rig
        ended.set()
        sender.join()


@contextmanager
def files(folder: Path) -> Iterator[Rig]:
    options = (("path", str(folder)), ("poll_s", 0.05))
    inputs = (Input("q01", "1.8.0", "line", "q01"),)
    rig = Rig(Site("mill", "Europe/London", inputs=inputs, sources=(Source("line", "file", options),)))
    ended = threading.Event()

    def write() -> None:
        with (folder / "readings.csv").open("ab") as file:
            file.write(b"time,q01\n")
            for number in itertools.count():
                second = f"2026-01-01T{number // 3600 % 24:02}:{number // 60 % 60:02}:{number % 60:02}Z"
                file.write(NOISE + b"\n" if rig.garbled.is_set() else f"{second},{number}\n".encode())
                file.flush()
                if ended.wait(0.05):
                    return

    writer = threading.Thread(target=write)
    writer.start()
    yield rig
    ended.set()
    writer.join()


EXAMPLES: dict[str, Callable[[Path], AbstractContextManager[Rig]]] = {
    "mqtt": lambda _: mqtt(),
    "file": files,
    "modbus": lambda _: registers("modbus", "1/holding/72/float32", {72: words(5.0)}),
    "sunspec": lambda _: registers(
        "sunspec", "1/203/TotWhImp", {40_000: [*MARK, *model(203, TotWhImp=5, TotWh_SF=0), *END]}
    ),
    "mbus": lambda _: asked("mbus", Meters({5: [body(number) for number in range(1, 500)]}), "5/1.8.0"),
    "sml": lambda _: pushed("sml", meter),
    "http": lambda _: asked("http", web, "/value"),
    "iec62056-21": lambda _: asked("iec62056-21", read_out, "1.8.0"),
    "dlms-push": lambda _: pushed("dlms-push", lambda number: hdlc(energy(number))),
}


@contextmanager
def started(rig: Rig, deliver: Callable[[Delivery], None]) -> Iterator[RunningSource]:
    row = rig.site.sources[0]
    source = PROTOCOLS[row.protocol].source(row, rig.site)
    source.start(deliver)
    try:
        yield source
    finally:
        source.stop(LIMIT_S)


def test_every_protocol_has_an_example() -> None:
    assert set(EXAMPLES) == set(PROTOCOLS)


def test_settings_name_their_protocol_and_default_to_something() -> None:
    for name, protocol in PROTOCOLS.items():
        stored = {item.name: item.default for item in fields(protocol.settings)}
        assert stored["protocol"] == name
        with pytest.raises(ConfigError, match="unknown option speeed"):
            protocol.settings_for(Source("line", name, (("speeed", 1),)), Site("mill", "Europe/London"))


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PROTOCOLS))
def test_delivers_survives_garbage_stops_in_time_and_is_silent_afterwards(name: str, tmp_path: Path) -> None:
    taken: queue.Queue[Delivery] = queue.Queue()
    with EXAMPLES[name](tmp_path) as rig, started(rig, taken.put) as source:
        first = taken.get(timeout=10)
        assert {(r.point, r.register) for r in first.readings} == {("q01", "1.8.0")}
        rig.garbled.set()
        time.sleep(0.4)
        while not taken.empty():
            taken.get()
        rig.garbled.clear()
        assert taken.get(timeout=10).readings
        assert source.counters()["readings"] > 0
        assert all(isinstance(count, int) for count in source.counters().values())
        assert not source.revive()
        begun = time.monotonic()
        source.stop(LIMIT_S)
        assert time.monotonic() - begun < 2.0
        time.sleep(0.05)
        left = taken.qsize()
        time.sleep(0.3)
        assert taken.qsize() == left


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PROTOCOLS))
def test_full_loop_is_waited_for_and_does_not_hinder_the_end(name: str, tmp_path: Path) -> None:
    offers: list[Delivery] = []

    def full(delivery: Delivery) -> None:
        offers.append(delivery)
        raise queue.Full

    with EXAMPLES[name](tmp_path) as rig, started(rig, full) as source:
        assert until(lambda: source.counters()["held"] > 2)
        begun = time.monotonic()
        source.stop(LIMIT_S)
        assert time.monotonic() - begun < 2.0
        assert source.counters()["readings"] == 0
        assert len({id(delivery) for delivery in offers}) == 1
