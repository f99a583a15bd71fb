"""The child process of the embedded broker; it ends with its parent, whose end closes the standard input, however it ends.

python -P -m meterd.adapters.mqtt.broker_child program mosquitto -c FILE
python -P -m meterd.adapters.mqtt.broker_child built-in FILE LISTEN PORT PORT_BEHIND
"""

import asyncio
import logging
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable

from meterd.adapters.mqtt.front import serve


def follow_parent(end: Callable[[], object]) -> None:
    """Call `end` when the parent is gone."""

    def wait() -> None:
        while os.read(0, 1):
            pass
        end()

    threading.Thread(target=wait, daemon=True).start()


def run_program(command: list[str]) -> int:
    """Run a broker of its own until it ends or the parent does; its exit code."""
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
    signal.signal(signal.SIGTERM, lambda *_: process.terminate())
    follow_parent(process.kill)
    return process.wait()


def run_built_in(config: str, listen: str, port: int, behind: int) -> None:
    """rumqttd on a loopback port of its own, and the front on the port that clients know."""
    from iotcore import IotCoreBroker

    logging.basicConfig(level=logging.WARNING)
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    follow_parent(lambda: os._exit(0))

    def work() -> None:
        try:
            asyncio.run(serve(listen, port, behind))
        finally:
            os._exit(1)  # what it wrote is in the log

    threading.Thread(target=work, name="front", daemon=True).start()
    IotCoreBroker(config_path=config).run_forever()


def main(arguments: list[str]) -> int:
    """The exit code of the broker."""
    kind, *rest = arguments
    if kind == "program":
        return run_program(rest)
    config, listen, port, behind = rest
    run_built_in(config, listen, int(port), int(behind))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
