"""Announces services by DNS-SD (RFC 6763) over multicast DNS (RFC 6762), so that displays and controllers find them.

zeroconf is asked only where a plan announces: its licence (LGPL) keeps it out of what every installation carries.
"""

import logging
import socket
from contextlib import closing

from zeroconf import Error, ServiceInfo, Zeroconf

from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.worker import Worker
from meterd.core.model.announced import Service

log = logging.getLogger("meterd")

RETRY_S = 30.0  # an address that is not there yet comes when the network does
CLOSE_S = 5.0  # to say that the services are gone


class Announcement:
    """`services` under the name of a site, on the network of `address`, until `close`."""

    def __init__(self, site: str, address: str, services: tuple[Service, ...]) -> None:
        self.services = services
        self._site, self._address = site, address
        self._worker = Worker("announce", self._work)
        self._worker.start()

    def revive(self) -> bool:
        """Start the thread again if it has died; True if so."""
        return self._worker.revive()

    def close(self) -> None:
        """Say that they are gone."""
        self._worker.stop(CLOSE_S)

    def _work(self) -> None:
        while not self._worker.stopping.is_set():
            try:
                self._announce()
            except (OSError, Error) as exc:
                text = f"cannot announce at {self._address}: {exc or type(exc).__name__}; tried again every {RETRY_S:.0f} s"
                log.warning("%s", text, extra=about("not-announced", self._site))
                self._worker.stopping.wait(RETRY_S)

    def _announce(self) -> None:
        with closing(Zeroconf(interfaces=[self._address])) as responder:
            for service in self.services:
                # a second daemon of the site, which waits for its turn, gets a name with a number
                responder.register_service(self._record(service), allow_name_change=True)
            kinds = ", ".join(f"{service.kind} at {service.address}:{service.port}" for service in self.services)
            log.info("announced: %s", kinds, extra=about("announced", self._site))
            self._worker.stopping.wait()

    def _record(self, service: Service) -> ServiceInfo:
        kind = service.kind.removeprefix("_").partition(".")[0]
        return ServiceInfo(
            f"{service.kind}.local.",
            f"{self._site}.{service.kind}.local.",
            addresses=[socket.inet_aton(service.address)],
            port=service.port,
            properties=dict(service.text),
            server=f"{self._site}-{kind}.local.",
        )
