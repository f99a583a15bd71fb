"""What the daemon hands to the page: the snapshot, the read side of the store, orders, its own health."""

import logging
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.people_log import Act, PeopleLog, people_log_path
from meterd.adapters.runtime.secret import secret
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.read_store import ReadStore
from meterd.adapters.web.users import users_path
from meterd.app.daemon.daemon import Daemon
from meterd.app.operations.exchange_preview import fitted_meter, record_of
from meterd.app.operations.finding_orders import carry_out
from meterd.app.operations.forecast_history import forecast_scores
from meterd.app.operations.order_handler import carry_out as correct
from meterd.app.operations.order_handler import order_of
from meterd.app.operations.orders import new_order
from meterd.app.operations.preview import preview_in_child
from meterd.app.operations.pv_accounting import share_rows
from meterd.app.operations.pv_performance import read_performance
from meterd.core.checks.staleness import Arrivals
from meterd.core.drift.detection_limits import Visible
from meterd.core.errors import ConfigError, MeterdError, PublishError
from meterd.core.model.forecast import ForecastScore
from meterd.core.model.health import Health
from meterd.core.model.plan import Site
from meterd.core.model.snapshot import Snapshot
from meterd.core.pv.performance import Performance
from meterd.core.registers.corrections import Correction, CorrectionPreview
from meterd.core.registers.meter_exchange import ExchangeEntry, ExchangeRecord, Fitted
from meterd.core.reports.content import DocumentRequest
from meterd.core.sharing.history import ShareRow

log = logging.getLogger("meterd.page")

STOP_S = 3.0  # for answers on their way
PREVIEW_S = 180.0  # ten years of one of forty points take some two minutes; beyond that the command is the better way


class DaemonWebBackend:
    """The backend of a running daemon. Methods may be called from any thread."""

    def __init__(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self._people = PeopleLog(people_log_path(daemon.store_path))

    @property
    def site(self) -> Site:
        """The plan that is in force."""
        return self._daemon.site

    def snapshot(self) -> Snapshot | None:
        """The newest snapshot."""
        return self._daemon.snapshot

    def now_ms(self) -> int:
        """The daemon's clock."""
        return self._daemon.clock.now_ms()

    def reader(self) -> AbstractContextManager[ReadStore]:
        """A reading store for one look."""
        return open_to_read(self._daemon.store_path)

    def health(self) -> Health:
        """How the program itself is."""
        return self._daemon.health()

    def arrivals(self) -> Mapping[str, Arrivals]:
        """What is known of the deliveries of each point since the start."""
        return self._daemon.arrivals()

    def visible_errors(self) -> tuple[tuple[Visible, ...], str]:
        """The smallest visible errors as the drift watch last found them."""
        return self._daemon.visible_errors()

    def use_judged(self) -> tuple[int, int]:
        """How many loads have history enough for unusual use, and of how many."""
        return self._daemon.use_judged()

    def roof_looks(self) -> dict[str, tuple[str, float | None]]:
        """By what each PV array is judged, and the smallest loss that would be found now."""
        return self._daemon.roof_looks()

    def share_rows(self, from_ms: int, until_ms: int) -> list[ShareRow]:
        """What the shares of a span came to."""
        with self.reader() as store:
            return share_rows(store, self.site, from_ms, until_ms)

    def pv_performance(self, from_ms: int, until_ms: int) -> tuple[Performance, ...]:
        """Yields and performance ratio of each array whose irradiance is read, by local day."""
        with self.reader() as store:
            return read_performance(store, self.site, from_ms, until_ms)

    def forecast_scores(self, from_ms: int, until_ms: int) -> tuple[ForecastScore, ...]:
        """How good the forecasts that were given out in a span were."""
        with self.reader() as store:
            return forecast_scores(store, self.site, from_ms, until_ms)

    def document(self, request: DocumentRequest, person: str) -> tuple[str, str, bytes]:
        """A document as file name, media type and content, made by the functions of the commands."""
        # here and not above: the daemon needs the writers of PDF and workbook only when somebody wants a document
        from meterd.app.operations.document_request import requested_document
        from meterd.app.operations.documents import Recipient

        plan = Plan(self.site, (), self.health().versions.plan)
        return requested_document(plan, self._daemon.store_path, request, Recipient(person, self.now_ms()))

    def record_act(self, kind: str, person: str, what: str, address: str) -> None:
        """A line in the log beside the store."""
        self._people.add(Act(self.now_ms(), kind, person, what, address))

    def login_secret(self) -> str:
        """The secret of [login], read anew each time: it may be replaced while the daemon runs."""
        login = self.site.login
        return secret(login.client_secret_env, login.client_secret_file, "the client secret of [login]")

    def order(self, kind: str, what: str, person: str, note: str) -> tuple[bool, str]:
        """Put an order into the folder of the store and wait for the daemon's answer."""
        try:
            if kind not in ("see", "explain", "close", "accept"):
                raise ConfigError("a finding is marked as seen, explained, closed or accepted")
            return carry_out(new_order(kind, what, person, note), self._daemon.store_path, self.site)
        except MeterdError as exc:
            return False, str(exc)

    def preview(self, correction: Correction) -> CorrectionPreview:
        """What a correction would change, worked out by a process of its own."""
        return preview_in_child(self._daemon.store_path, self.site, correction, PREVIEW_S)

    def correct(self, correction: Correction) -> tuple[bool, str]:
        """Enter or withdraw a correction by way of the process that writes the store, as the command does."""
        try:
            return correct(order_of(correction), self._daemon.store_path, self.site, self.now_ms())
        except MeterdError as exc:
            return False, str(exc)

    def fitted(self, point: str) -> Fitted | None:
        """The instrument that is at a point and stays there."""
        return fitted_meter(self.site, point)

    def exchange(self, entry: ExchangeEntry, gap: Mapping[str, int] | None) -> ExchangeRecord:
        """An exchange as it would be entered."""
        return record_of(self._daemon.store_path, self.site, entry, gap)


@contextmanager
def served(daemon: Daemon) -> Iterator[str]:
    """The page of a daemon while it runs; yields its address, empty if the plan wants none or it cannot be had.

    A page that cannot be served stops no reading: it is reported in the log and as a finding.
    """
    if not daemon.site.page.port:
        yield ""
        return
    from meterd.adapters.web.server import PageServer  # 25 MB and half a second that a daemon without page does without

    server = PageServer(DaemonWebBackend(daemon), users_path(daemon.site, daemon.store_path))
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
