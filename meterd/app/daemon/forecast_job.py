"""Forecasts in the daemon: made in a thread at the end of each interval, stored as given out, shown in the live picture."""

import logging
from functools import partial
from pathlib import Path

from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.store.forecasts import KEPT_DAYS
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.forecast_history import read_history
from meterd.core.errors import MeterdError, StoreError
from meterd.core.forecast.model import Model, fit, issue
from meterd.core.forecast.site_powers import step_of
from meterd.core.model.forecast import SiteForecast
from meterd.core.model.periods import DAY_MS, floor
from meterd.core.model.plan import Site

log = logging.getLogger("meterd")


class ForecastJob:
    """The forecasts of one site. `tick` belongs to the loop; reading and arithmetic have a thread of their own."""

    def __init__(self, store: WriteStore, path: Path, site: Site) -> None:
        self._store, self._path, self._site = store, path, site
        self._step = step_of(site.interval_s * 1000)
        self._model: Model | None = None
        self._issued_to = 0
        self._made: SiteForecast | None = None
        self._worker: Worker | None = None
        self.newest: SiteForecast | None = None

    def tick(self, closed_to: int | None) -> None:
        """Take over what the thread has made, and start it when another interval has closed."""
        made, self._made = self._made, None
        if made is not None:
            self._keep(made)
        if closed_to is None or self._step is None:
            return
        if self._worker is not None and (self._worker.alive or self._worker.died):
            return
        moment = floor(closed_to, self._step)
        if moment <= self._issued_to:
            return
        self._issued_to = moment
        given_out = self._store.forecasts.issued_at(moment)
        if given_out is not None:  # by a daemon before this one: what was said is said
            self.newest = given_out
            return
        self._worker = Worker("forecast", partial(self._work, moment))
        self._worker.start()

    def revive(self) -> bool:
        """See to it that the next interval is forecast if the thread has died; True if so."""
        if self._worker is None or not self._worker.died:
            return False
        self._worker, self._issued_to = None, 0
        return True

    def join(self, limit_s: float) -> None:
        """Wait for a forecast that is being made."""
        if self._worker is not None:
            self._worker.join(limit_s)

    def _keep(self, made: SiteForecast) -> None:
        """Stored first, then shown: what was given out can always be judged."""
        try:
            with self._store.transaction():
                self._store.forecasts.keep(made)
                self._store.forecasts.forget_before(made.issued_ms - KEPT_DAYS * DAY_MS)
        except StoreError as exc:
            log.error("forecast not stored: %s", exc, extra=about("store-refuses", self._site.name))
        self.newest = made

    def _work(self, moment: int) -> None:
        try:
            self._made = self._forecast(moment)
        except MeterdError as exc:
            log.error("forecast: %s", exc, extra=about("forecast-failed"))
        except Exception:  # an edge of the house style: a forecast must never take the daemon with it
            log.exception("forecast failed; it is tried again with the next interval", extra=about("forecast-failed"))

    def _forecast(self, moment: int) -> SiteForecast | None:
        with open_to_read(self._path) as store:
            history = read_history(store, self._site, moment)
        if history is None or history.end_ms != moment:
            return None
        if self._model is None or moment // DAY_MS != self._model.fitted_ms // DAY_MS or moment < self._model.fitted_ms:
            self._model = fit(history)
        return issue(self._model, history)
