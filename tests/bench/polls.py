"""Three processes of the poll bench: a server of many Modbus units, meterd's source, and the bare library.

`python -m tests.bench.polls server PORT UNITS`, or `ours|bare PORT UNITS SECONDS LINES`: LINES connections share the units.
The latter two read twelve registers (six float32) of every unit once a second and print processor seconds, readings,
and polls that came too late or were not answered.
"""

import queue
import sys
import threading
import time

from pymodbus.client import ModbusTcpClient

from meterd.site import Input, Site, Source
from meterd.sources import Delivery
from meterd.sources.modbus import ModbusSource
from tests.sources.devices import ModbusServer, words

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
    used, begun, readings = time.process_time(), time.monotonic(), 0
    for second in range(seconds):
        for client, mine in clients:
            for unit in mine:
                answer = client.read_holding_registers(0, count=12, device_id=unit)
                for place in range(0, 12, 2):
                    value = client.convert_from_registers(answer.registers[place : place + 2], client.DATATYPE.FLOAT32)
                    readings += isinstance(value, float)
        time.sleep(max(0.0, begun + second + 1 - time.monotonic()))
    return time.process_time() - used, readings, 0


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
    used, readings, begun = time.process_time(), 0, time.monotonic()
    for source in sources:
        source.start(taken.put)
    while (left := begun + seconds - time.monotonic()) > 0:
        try:
            readings += len(taken.get(timeout=left).readings)
        except queue.Empty:
            break
    spent = time.process_time() - used
    stops = [threading.Thread(target=source.stop, args=(5.0,)) for source in sources]
    for stop in stops:
        stop.start()
    for stop in stops:
        stop.join()
    return spent, readings, sum(source.counters()["timeouts"] + source.counters()["skipped"] for source in sources)


def main(arguments: list[str]) -> None:
    """One of the three."""
    role, numbers = arguments[0], [int(text) for text in arguments[1:]]
    if role == "server":
        server(*numbers)
        return
    print(*(ours if role == "ours" else bare)(*numbers))


if __name__ == "__main__":
    main(sys.argv[1:])
