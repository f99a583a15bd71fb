"""The way out of a daemon: its embedded broker and its publisher. They stay while plans change, if their settings do."""

import logging
import secrets
from collections.abc import Callable

from meterd import __version__
from meterd.app.logs import about
from meterd.app.parts import outlet_settings
from meterd.app.zone_rules import rules_version
from meterd.mqtt.broker import EmbeddedBroker
from meterd.mqtt.settings import LinkSettings
from meterd.publish import Publisher, opener
from meterd.site import Site
from meterd.store.sqlite import SqliteStore

log = logging.getLogger("meterd")


class WayOut:
    """Opened by the first plan; `serve` with a later plan renews only what has other settings."""

    def __init__(self, store: SqliteStore) -> None:
        self._store = store
        self._broker: EmbeddedBroker | None = None
        self._publisher: tuple[LinkSettings, Publisher] | None = None

    def serve(self, site: Site) -> Publisher:
        """The publisher for a plan. Raises PublishError or ConfigError when its broker cannot be had."""
        settings = outlet_settings(site)
        self._serve_broker(site)
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
            made = EmbeddedBroker(wanted.port, on_restart=_say_restart)
            made.__enter__()
            self._broker = made

    def threads(self) -> dict[str, Callable[[], bool]]:
        """What the supervisor looks after."""
        found: dict[str, Callable[[], bool]] = {}
        if self._broker is not None:
            found["broker-watch"] = self._broker.revive
        if self._publisher is not None:
            found["publisher"] = self._publisher[1].revive
        return found

    def published(self) -> int:
        """Messages of the present publisher so far."""
        return 0 if self._publisher is None else self._publisher[1].counters.published

    def close(self) -> None:
        """A farewell, then the broker."""
        self._close_publisher()
        self._close_broker()

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
