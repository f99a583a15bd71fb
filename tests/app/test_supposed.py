"""The books that a correction would make are the books that it makes."""

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.app.bookkeeper import Bookkeeper
from meterd.app.supposed import SupposedStore
from meterd.correction import FIGURES_FROM, Correction
from meterd.errors import ConfigError, StoreError
from meterd.reading import IMPORT
from meterd.store.sqlite import SqliteStore
from tests.app.test_bookkeeper import BEGIN, SERIES, SITE, ZONE, everything, readings_of
from tests.app.test_correcting import CORRECTION, HOUR, entered, made


@given(st.lists(SERIES, min_size=5, max_size=5), st.lists(CORRECTION, min_size=1, max_size=2))
@settings(max_examples=12, deadline=None)
def test_every_figure_balance_and_pv_figure_comes_true(
    series: list[list[tuple[int, int]]], corrections: list[Correction]
) -> None:
    """Of every kind of period, for registers that count, stand, fall and jump, with an earlier correction in the books."""
    readings = readings_of(series)
    end = max(r.at_ms for r in readings) + 3 * HOUR
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.sqlite"
        store = SqliteStore.writer(path)
        books = Bookkeeper(store, SITE, ZONE)
        books.tick(readings, end)
        books.tick([], end)
        *earlier, last = corrections
        for one in earlier:
            entered(books, store, one, end)
        span = (last.from_ms, last.end_ms)
        supposed = SupposedStore.of(path, SITE, (last.point, last.register), span, [*store.corrections.all(), last])
        expected = everything(supposed)
        supposed.close()
        entered(books, store, last, end)
        assert everything(store) == expected
        store.close()


def test_what_cannot_be_made_again_is_refused(tmp_path: Path) -> None:
    """No store, a register that the plan does not read, readings that have left the journal."""
    path = tmp_path / "s.sqlite"
    one = made("f1", IMPORT, BEGIN, None, "2")
    with pytest.raises(StoreError):
        SupposedStore.of(path, SITE, ("f1", IMPORT), (BEGIN, BEGIN + HOUR), [one])
    store = SqliteStore.writer(path)
    with store.transaction():
        store.set_fact(FIGURES_FROM, str(BEGIN + 1))
    store.close()
    with pytest.raises(ConfigError, match="reads no register"):
        SupposedStore.of(path, SITE, ("f9", IMPORT), (BEGIN, BEGIN + HOUR), [one])
    with pytest.raises(ConfigError, match="are final"):
        SupposedStore.of(path, SITE, ("f1", IMPORT), (BEGIN, BEGIN + HOUR), [one])
