"""Forecasts in the daemon: made in a thread at the end of each interval, stored as given out, shown in the live picture."""

import logging
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from meterd.adapters.runtime.logging import about
from meterd.adapters.runtime.worker import Worker
from meterd.adapters.store.forecasts import KEPT_DAYS
from meterd.adapters.store.opening import open_to_read
from meterd.adapters.store.write_store import WriteStore
from meterd.app.operations.forecast_history import newly_said, read_history, with_outside
from meterd.core.checks.rules import outside_silent_finding
from meterd.core.errors import MeterdError, StoreError
from meterd.core.forecast.model import Model, fit, issue
from meterd.core.forecast.outside import SEEN_DAYS
from meterd.core.forecast.site_powers import step_of
from meterd.core.model.finding import Finding
from meterd.core.model.forecast import GivenOutside, OutsideSeries, SiteForecast
from meterd.core.model.periods import DAY_MS, floor
from meterd.core.model.plan import Site

log = logging.getLogger("meterd")


@dataclass(frozen=True, slots=True)
class Made:
    """What the thread made: a forecast, and what was said from outside if that is new."""

    forecast: SiteForecast | None
    outside: GivenOutside | None


class ForecastJob:
    """The forecasts of one site. `tick` belongs to the loop; reading and arithmetic have a thread of their own."""

    def __init__(self, store: WriteStore, path: Path, site: Site) -> None:
        self._store, self._path, self._site = store, path, site
        self._step = step_of(site.interval_s * 1000)
        self._model: Model | None = None
        self._issued_to = 0
        self._made: Made | None = None
        self._series: OutsideSeries | None = None  # the newest message from outside, and the one that was stored last
        self._series_kept: OutsideSeries | None = None
        self._worker: Worker | None = None
        self._heard_ms = store.forecasts.newest_outside(site.forecast.quantity)
        self.newest: SiteForecast | None = None

    def take(self, series: OutsideSeries) -> None:
        """A forecast from outside came: the next forecast of the site knows it."""
        self._series = series
        if not series.retained:  # a broker repeats what it keeps: it is no newer for that
            self._heard_ms = max(self._heard_ms or 0, series.received_ms)

    def silence(self, now_ms: int, begun_ms: int) -> list[Finding]:
        """That nothing comes on the topic of the forecast from outside."""
        finding = outside_silent_finding(self._site, self._heard_ms, now_ms=now_ms, begun_ms=begun_ms)
        return [] if finding is None else [finding]

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

    def _keep(self, made: Made) -> None:
        """Stored first, then shown: what was given out can always be judged."""
        try:
            with self._store.transaction():
                if made.outside is not None:
                    self._store.forecasts.keep_outside(made.outside)
                    self._heard_ms = max(self._heard_ms or 0, made.outside.known_ms)
                if made.forecast is not None:
                    self._store.forecasts.keep(made.forecast)
                    self._store.forecasts.forget_before(made.forecast.issued_ms - KEPT_DAYS * DAY_MS)
        except StoreError as exc:
            log.error("forecast not stored: %s", exc, extra=about("store-refuses", self._site.name))
        self.newest = made.forecast or self.newest

    def _work(self, moment: int) -> None:
        try:
            self._made = self._forecast(moment)
        except MeterdError as exc:
            log.error("forecast: %s", exc, extra=about("forecast-failed"))
        except Exception:  # an edge of the house style: a forecast must never take the daemon with it
            log.exception("forecast failed; it is tried again with the next interval", extra=about("forecast-failed"))

    def _forecast(self, moment: int) -> Made:
        model, site, series = self._model, self._site, self._series
        fits = model is None or moment // DAY_MS != model.fitted_ms // DAY_MS or moment < model.fitted_ms
        with open_to_read(self._path) as store:
            output = None if series is self._series_kept else newly_said(store, site, series, moment)
            self._series_kept = series
            history = read_history(store, site, moment)
            if history is None or history.end_ms != moment:
                return Made(None, output)
            history = with_outside(history, store, site, output, SEEN_DAYS * history.per_day if fits else 1)
        if model is None or fits:
            self._model = model = fit(history)
        return Made(issue(model, history), output)
