"""A month over the change of clocks, made once for each file that asks about it."""

from datetime import UTC, datetime

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.users import Sessions, UserFile
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import DaemonWebBackend
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.model.periods import to_ms
from meterd.core.model.reading import IMPORT
from tests.adapters.web.pages.audited_figures import MARCH, VIENNA
from tests.adapters.web.request_contexts import MINUTE


@pytest.fixture(scope="module")
def march(tmp_path_factory: pytest.TempPathFactory) -> RequestContext:
    """A feeder of 4 kW read every full hour from the end of February to 2 April 2026, over the change of clocks."""
    path = tmp_path_factory.mktemp("march") / "s.sqlite"
    first, last = (to_ms(datetime(2026, m, d, tzinfo=UTC)) for m, d in ((2, 28), (4, 2)))
    times = np.arange(first, last + 1, 60 * MINUTE, dtype=np.int64)
    store = SqliteStore.writer(path)
    ledger = Ledger(store, MARCH, VIENNA)
    ledger.import_history(("q01", IMPORT), times, (times - first) // 60 * 67, last)
    ledger.recompute_all(last, last)
    daemon = Daemon(MARCH, path)
    daemon.snapshot = live.snapshot(ledger.state, last, closed={}, pv_day=None, findings=())
    store.close()
    users = UserFile(path.with_name("users"))
    backend = DaemonWebBackend(daemon)
    return RequestContext(backend, users, Sessions(users, backend.now_ms))
