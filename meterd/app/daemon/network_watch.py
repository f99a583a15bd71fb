"""After each closed interval: the global test over all balances of the site."""

import time
from collections.abc import Callable

from meterd.adapters.store.read_store import ReadStore
from meterd.app.operations.drift_diagnosis import intervals_of
from meterd.app.operations.drift_job import parts
from meterd.core.balance.global_test import GlobalTest, global_findings, global_test
from meterd.core.balance.topology import Network
from meterd.core.model.finding import Finding
from meterd.core.model.plan import Site

AGAIN_S = 60.0  # late readings change a closed interval
NEIGHBOURS = 1  # intervals before the tested one: they say how steep the power is at its begin, for clocks that are off


class NetworkWatch:
    """The newest global test of each part of the site. Belongs to the loop."""

    def __init__(self, store: ReadStore, site: Site, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._store, self._site, self._clock = store, site, clock
        self._closed_to: int | None = None
        self._due = 0.0
        self.newest: tuple[tuple[Network, GlobalTest], ...] = ()

    def tick(self, closed_to: int | None, begun_ms: int) -> list[Finding]:
        """Findings of the newest closed interval; none of one that had begun before the daemon listened."""
        step = self._site.interval_s * 1000
        if closed_to is None or closed_to - step < begun_ms:
            return []
        if closed_to != self._closed_to or self._clock() >= self._due:
            self._closed_to, self._due = closed_to, self._clock() + AGAIN_S
            self.newest = tuple(self._tests(closed_to, step))
        return global_findings(self._site.name, self.newest)

    def _tests(self, closed_to: int, step: int) -> list[tuple[Network, GlobalTest]]:
        results = []
        for net in parts(self._site, closed_to - step):
            table = intervals_of(self._store, self._site, net, (closed_to - (NEIGHBOURS + 1) * step, closed_to))
            if (item := global_test(net, table)) is not None:
                results.append((net, item))
        return results
