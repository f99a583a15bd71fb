"""Four processes of the poll bench: a server of many Modbus units, meterd's source, and the bare library in two ways.

`python -m tests.bench.polls server PORT UNITS`, or `ours|bare|threads PORT UNITS SECONDS LINES`: LINES connections share the
units, with `threads` each has one of its own. These read twelve registers (six float32) of every unit once a second and print
processor seconds, readings, and polls that were late or not answered. A first round, which connects, is not counted.
"""

import queue
import sys
import threading
import time

from pymodbus.client import ModbusTcpClient

from meterd.adapters.sources import Delivery
from meterd.adapters.sources.modbus.source import ModbusSource
from meterd.core.model.plan import Input, Site, Source
from tests.adapters.sources.devices import ModbusServer, words

CODES = ("16.7.0", "1.8.0", "2.8.0", "32.7.0", "52.7.0", "72.7.0")
VALUES = (1234.5, 1e6, 2e5, 230.1, 231.2, 229.9)


def server(port: int, units: int) -> None:
    """Until standard input closes."""
    registers = [word for value in VALUES for word in words(value)]
    with ModbusServer({unit: {0: registers} for unit in range(1, units + 1)}, port=port):
        print("ready", flush=True)
        sys.stdin.read()


def shared(units: int, lines: int) -> list[list[int]]:
    """The units of each connection."""
    return [list(range(1 + line, units + 1, lines)) for line in range(lines)]


def bare(port: int, units: int, seconds: int, lines: int) -> tuple[float, int, int]:
    """The synchronous client and its own conversion, one loop over all connections."""
    clients = [(ModbusTcpClient("127.0.0.1", port=port), mine) for mine in shared(units, lines)]
    for client, _ in clients:
        assert client.connect()  # type: ignore[no-untyped-call]
    used, begun, readings = 0.0, 0.0, 0
    for second in range(-1, seconds):
        if second == 0:
            used, begun, readings = time.process_time(), time.monotonic(), 0
        for client, mine in clients:
            readings += asked(client, mine)
        if second >= 0:
            time.sleep(max(0.0, begun + second + 1 - time.monotonic()))
    return time.process_time() - used, readings, 0


def threads(port: int, units: int, seconds: int, lines: int) -> tuple[float, int, int]:
    """The same with a thread for each connection, which it takes if a silent one must not hold up the others."""
    first = threading.Barrier(lines + 1)
    counts: list[int] = []

    def work(mine: list[int]) -> None:
        client = ModbusTcpClient("127.0.0.1", port=port)
        assert client.connect()  # type: ignore[no-untyped-call]
        asked(client, mine)
        first.wait()
        begun, count = time.monotonic(), 0
        for second in range(seconds):
            count += asked(client, mine)
            time.sleep(max(0.0, begun + second + 1 - time.monotonic()))
        counts.append(count)

    workers = [threading.Thread(target=work, args=(mine,)) for mine in shared(units, lines)]
    for worker in workers:
        worker.start()
    first.wait()
    used = time.process_time()
    for worker in workers:
        worker.join()
    return time.process_time() - used, sum(counts), 0


def asked(client: ModbusTcpClient, mine: list[int]) -> int:
    """Read every unit of a connection once; how many values came."""
    readings = 0
    for unit in mine:
        answer = client.read_holding_registers(0, count=12, device_id=unit)
        for place in range(0, 12, 2):
            value = client.convert_from_registers(answer.registers[place : place + 2], client.DATATYPE.FLOAT32)
            readings += isinstance(value, float)
    return readings


def ours(port: int, units: int, seconds: int, lines: int) -> tuple[float, int, int]:
    """One source per connection, delivering into the queue of a loop."""
    names = [(f"line-{n}", mine) for n, mine in enumerate(shared(units, lines))]
    inputs = tuple(
        Input(f"q{unit}", code, name, f"{unit}/holding/{2 * place}/float32")
        for name, mine in names
        for unit in mine
        for place, code in enumerate(CODES)
    )
    options = (("host", "127.0.0.1"), ("port", port), ("period_s", 1.0))
    site = Site("wide", "UTC", inputs=inputs, sources=tuple(Source(name, "modbus", options) for name, _ in names))
    sources = [ModbusSource(row, site) for row in site.sources]
    taken: queue.Queue[Delivery] = queue.Queue()
    for source in sources:
        source.start(taken.put)
    gather(taken, len(inputs), 10.0)
    used = time.process_time()
    readings = gather(taken, seconds * len(inputs), seconds + 1.0)
    spent = time.process_time() - used
    stops = [threading.Thread(target=source.stop, args=(5.0,)) for source in sources]
    for stop in stops:
        stop.start()
    for stop in stops:
        stop.join()
    return spent, readings, sum(source.counters()["timeouts"] + source.counters()["skipped"] for source in sources)


def gather(taken: "queue.Queue[Delivery]", wanted: int, limit_s: float) -> int:
    """Take deliveries until so many readings have come, or the limit has passed."""
    readings, until = 0, time.monotonic() + limit_s
    while readings < wanted and (left := until - time.monotonic()) > 0:
        try:
            readings += len(taken.get(timeout=left).readings)
        except queue.Empty:
            break
    return readings


def main(arguments: list[str]) -> None:
    """One of the four."""
    role, numbers = arguments[0], [int(text) for text in arguments[1:]]
    if role == "server":
        server(*numbers)
        return
    print(*{"ours": ours, "bare": bare, "threads": threads}[role](*numbers))


if __name__ == "__main__":
    main(sys.argv[1:])
