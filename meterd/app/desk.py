"""What the daemon hands to the page: the live picture, the read side of the store, orders, its own health."""

import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from meterd.app.config import Plan
from meterd.app.corrector import carry_out as correct
from meterd.app.corrector import order_of
from meterd.app.daemon import Daemon
from meterd.app.finding_commands import carry_out
from meterd.app.logs import about
from meterd.app.orders import new_order
from meterd.app.share_commands import share_rows
from meterd.correction import Correction, Foreseen
from meterd.errors import ConfigError, MeterdError, PublishError
from meterd.exchange import Said
from meterd.health import Health
from meterd.page import ExchangeRecord, Fitted, PaperWish
from meterd.page.server import PageServer
from meterd.share_book import ShareRow
from meterd.site import Site
from meterd.snapshot import Snapshot
from meterd.staleness import Heard
from meterd.store.sqlite import SqliteStore
from meterd.visible import Visible

log = logging.getLogger("meterd.page")

STOP_S = 3.0  # for answers on their way
FORESEE_S = 180.0  # ten years of one of forty points take some two minutes; beyond that the command is the better way


class DaemonDesk:
    """The desk of a running daemon. Methods may be called from any thread."""

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon

    @property
    def site(self) -> Site:
        """The plan that is in force."""
        return self._daemon.site

    def snapshot(self) -> Snapshot | None:
        """The newest live picture."""
        return self._daemon.snapshot

    def now_ms(self) -> int:
        """The daemon's clock."""
        return self._daemon.clock.now_ms()

    @contextmanager
    def reader(self) -> Iterator[SqliteStore]:
        """A reading store for one look."""
        store = SqliteStore.reader(self._daemon.store_path)
        try:
            yield store
        finally:
            store.close()

    def health(self) -> Health:
        """How the program itself is."""
        return self._daemon.health()

    def heard(self) -> Mapping[str, Heard]:
        """What is known of the deliveries of each point since the start."""
        return self._daemon.heard()

    def visible_errors(self) -> tuple[tuple[Visible, ...], str]:
        """The smallest visible errors as the drift watch last found them."""
        return self._daemon.visible_errors()

    def share_rows(self, from_ms: int, until_ms: int) -> list[ShareRow]:
        """What the shares of a span came to."""
        with self.reader() as store:
            return share_rows(store, self.site, from_ms, until_ms)

    def paper(self, wish: PaperWish, person: str) -> tuple[str, str, bytes]:
        """A paper as file name, media type and content, made by the functions of the commands."""
        # here and not above: the daemon needs the writers of PDF and workbook only when somebody wants a paper
        from meterd.app.paper_making import Given
        from meterd.app.paper_wish import fulfil

        plan = Plan(self.site, (), self.health().versions.plan)
        return fulfil(plan, self._daemon.store_path, wish, Given(person, self.now_ms()))

    def order(self, kind: str, what: str, person: str, note: str) -> tuple[bool, str]:
        """Put an order into the folder of the store and wait for the daemon's answer."""
        try:
            if kind not in ("see", "explain", "close"):
                raise ConfigError("a finding is marked as seen, explained or closed")
            return carry_out(new_order(kind, what, person, note), self._daemon.store_path, self.site)
        except MeterdError as exc:
            return False, str(exc)

    def foreseen(self, one: Correction) -> Foreseen:
        """What a correction would change, worked out by a process of its own."""
        from meterd.app.foreseen import foreseen_beside

        return foreseen_beside(self._daemon.store_path, self.site, one, FORESEE_S)

    def correct(self, one: Correction) -> tuple[bool, str]:
        """Enter or withdraw a correction by way of the process that writes the store, as the command does."""
        try:
            return correct(order_of(one), self._daemon.store_path, self.site, self.now_ms())
        except MeterdError as exc:
            return False, str(exc)

    def fitted(self, point: str) -> Fitted | None:
        """The instrument that is at a point and stays there."""
        from meterd.app.exchange_record import fitted_at

        return fitted_at(self.site, point)

    def exchange(self, said: Said, gap: Mapping[str, int] | None) -> ExchangeRecord:
        """An exchange as it would be entered."""
        from meterd.app.exchange_record import record_of

        return record_of(self._daemon.store_path, self.site, said, gap)


def users_path(site: Site, store: Path) -> Path:
    """Where the users of the page stand."""
    return Path(site.page.users_file) if site.page.users_file else store.with_name(store.name + ".users")


@contextmanager
def served(daemon: Daemon) -> Iterator[str]:
    """The page of a daemon while it runs; yields its address, empty if the plan wants none or it cannot be had.

    A page that cannot be served stops no reading: it is told in the log and as a finding.
    """
    if not daemon.site.page.port:
        yield ""
        return
    server = PageServer(DaemonDesk(daemon), users_path(daemon.site, daemon.store_path))
    try:
        server.start()
    except PublishError as exc:
        log.error("%s", exc, extra=about("page-away"))
        daemon.without_page(str(exc))
        yield ""
        return
    log.info("page at %s", server.address, extra=about("page-served"))
    try:
        yield server.address
    finally:
        server.stop(STOP_S)
