"""The way out of a daemon: its embedded broker and its publisher. They stay while plans change, if their settings do."""

import logging
import secrets
from collections.abc import Callable
from typing import TYPE_CHECKING

from meterd import __version__
from meterd.adapters.mqtt.embedded_broker import EmbeddedBroker, installed
from meterd.adapters.mqtt.settings import LinkSettings
from meterd.adapters.publish.broker_link import opener
from meterd.adapters.publish.publisher import Publisher
from meterd.adapters.runtime.logging import about
from meterd.app.daemon.assembly import output_settings
from meterd.app.daemon.zone_update import rules_version
from meterd.core.errors import ConfigError
from meterd.core.model.announced import services_of
from meterd.core.model.facts import Facts
from meterd.core.model.plan import Site

if TYPE_CHECKING:
    from meterd.adapters.announce.dns_sd import Announcement

log = logging.getLogger("meterd")


class Output:
    """Opened by the first plan; `serve` with a later plan renews only what has other settings."""

    def __init__(self, store: Facts) -> None:
        self._store = store
        self._broker: EmbeddedBroker | None = None
        self._announcement: Announcement | None = None
        self._publisher: tuple[LinkSettings, Publisher] | None = None

    def serve(self, site: Site) -> Publisher:
        """The publisher for a plan. Raises PublishError or ConfigError when its broker cannot be had."""
        settings = output_settings(site)
        self._serve_broker(site)
        self._announce(site)
        if self._publisher is not None and self._publisher[0] == settings:
            return self._publisher[1]
        epoch, sequence = (int(self._store.fact(name) or 0) for name in ("epoch", "sequence"))
        self._close_publisher()
        publisher = Publisher(
            site,
            opener(settings),
            instance=secrets.token_hex(4),
            version=__version__,
            zone_rules=rules_version(),
            epoch=epoch,
            sequence=sequence,
        )
        self._publisher = (settings, publisher)
        return publisher

    def _serve_broker(self, site: Site) -> None:
        wanted, running = site.broker, self._broker
        if wanted.embedded and running is not None and running.port == wanted.port:
            return
        if running is not None:
            self._close_publisher()  # its farewell needs the broker
            self._close_broker()
        if wanted.embedded:
            made = EmbeddedBroker(wanted.port, program=installed(), on_restart=_say_restart)
            made.__enter__()
            self._broker = made
            if made.refused:
                log.warning("%s; the built-in one serves", made.refused, extra=about("broker-started", site.name))
            text = f"embedded broker on {made.listen}:{made.port}: {made.kind}"
            log.info("%s", text, extra=about("broker-started", site.name))

    def _announce(self, site: Site) -> None:
        services = services_of(site)
        if self._announcement is not None and self._announcement.services == services:
            return
        self._close_announcement()
        if not services:
            return
        try:
            from meterd.adapters.announce.dns_sd import Announcement
        except ImportError as exc:
            what = "cannot announce broker and page: the package zeroconf is missing"
            raise ConfigError(f"{what}; pip install 'meterd[announce]', or leave announce out of [site]") from exc
        self._announcement = Announcement(site.name, site.announce, services)

    def threads(self) -> dict[str, Callable[[], bool]]:
        """What the supervisor watches."""
        results: dict[str, Callable[[], bool]] = {}
        if self._broker is not None:
            results["broker-watch"] = self._broker.revive
        if self._announcement is not None:
            results["announce"] = self._announcement.revive
        if self._publisher is not None:
            results["publisher"] = self._publisher[1].revive
        return results

    def published(self) -> int:
        """Messages of the present publisher so far."""
        return 0 if self._publisher is None else self._publisher[1].counters.published

    def close(self) -> None:
        """A farewell, then the broker."""
        self._close_announcement()
        self._close_publisher()
        self._close_broker()

    def _close_announcement(self) -> None:
        made, self._announcement = self._announcement, None
        if made is not None:
            made.close()

    def _close_publisher(self) -> None:
        made, self._publisher = self._publisher, None
        if made is not None:
            made[1].close()

    def _close_broker(self) -> None:
        made, self._broker = self._broker, None
        if made is not None:
            made.__exit__(None, None, None)


def _say_restart() -> None:
    log.warning("embedded broker started again", extra=about("broker-restarted"))
