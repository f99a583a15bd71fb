"""The stored figures that a correction would make are the stored figures that it makes."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.what_if_store import WhatIfStore
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.reading import IMPORT
from meterd.core.registers.corrections import FIGURES_FROM, Correction
from tests.app.operations.test_ledger import BEGIN, SERIES, SITE, ZONE, everything, readings_of
from tests.app.operations.test_recompute import CORRECTION, HOUR, entered, made


@given(st.lists(SERIES, min_size=5, max_size=5), st.lists(CORRECTION, min_size=1, max_size=2))
@settings(max_examples=12, deadline=None)
def test_every_figure_balance_and_pv_figure_comes_true(
    series: list[list[tuple[int, int]]], corrections: list[Correction]
) -> None:
    """Of every kind of period, for registers that count, stand, fall and jump, with an earlier correction in the store."""
    readings = readings_of(series)
    end = max(r.at_ms for r in readings) + 3 * HOUR
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.sqlite"
        store = SqliteStore.writer(path)
        ledger = Ledger(store, SITE, ZONE)
        ledger.tick(readings, end)
        ledger.tick([], end)
        *earlier, last = corrections
        for correction in earlier:
            entered(ledger, store, correction, end)
        span = (last.from_ms, last.end_ms)
        what_if_store = WhatIfStore.of(path, SITE, (last.point, last.register), span, [*store.corrections.all(), last])
        expected = everything(what_if_store)
        what_if_store.close()
        entered(ledger, store, last, end)
        assert everything(store) == expected
        store.close()


def test_what_cannot_be_recalculated_is_refused(tmp_path: Path) -> None:
    """No store, a register that the plan does not read, readings that have left the journal."""
    path = tmp_path / "s.sqlite"
    correction = made("f1", IMPORT, BEGIN, None, "2")
    with pytest.raises(StoreError):
        WhatIfStore.of(path, SITE, ("f1", IMPORT), (BEGIN, BEGIN + HOUR), [correction])
    store = SqliteStore.writer(path)
    with store.transaction():
        store.set_fact(FIGURES_FROM, str(BEGIN + 1))
    store.close()
    with pytest.raises(ConfigError, match="reads no register"):
        WhatIfStore.of(path, SITE, ("f9", IMPORT), (BEGIN, BEGIN + HOUR), [correction])
    with pytest.raises(ConfigError, match="are final"):
        WhatIfStore.of(path, SITE, ("f1", IMPORT), (BEGIN, BEGIN + HOUR), [correction])
