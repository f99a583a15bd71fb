"""A publisher in a process of its own, to be killed: `python -m tests.adapters.publish.child PORT INSTANCE`."""

import sys
import time

from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.publish.broker_link import opener
from meterd.adapters.publish.publisher import Publisher
from tests.snapshots import site, snapshot


def main(port: int, instance: str) -> None:
    """Offer a fresh snapshot ten times a second until killed."""
    plan = site()
    settings = LinkSettings(f"meterd-{instance}", host="127.0.0.1", port=port)
    publisher = Publisher(plan, opener(settings), instance=instance, version="0.1.0")
    while True:
        publisher.offer(snapshot(plan, time.time_ns() // 1_000_000))
        time.sleep(0.1)


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
