"""What digests cost whoever writes: the same history and the same live day into a store with digests and one without."""

import time
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.store import journal, schema
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.digest_writer import DigestWriter
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core.model.plan import Site
from meterd.core.model.reading import Reading
from tests.bench.table import Line
from tests.bench.test_bench_correction import BEGIN, DAY, QUARTER, board, filled

pytestmark = [pytest.mark.bench, pytest.mark.slow]
MINUTE = 60_000


class NoDigests(DigestWriter):
    """Digests nothing: the measure."""

    def begin(self) -> None:
        """Nothing."""

    def added(self, *_: object) -> None:
        """Nothing."""

    def history_added(self, *_: object) -> None:
        """Nothing."""

    def settle(self) -> None:
        """Nothing."""

    def step(self) -> bool:
        """Nothing."""
        return False

    def finish(self) -> None:
        """Nothing."""


def live(path: Path, site: Site, days: int) -> None:
    """A reading of each register every minute, each round a tick."""
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    for minute in range(days * 1_440):
        at_ms = BEGIN + minute * MINUTE
        readings = [Reading(i.point, i.register, at_ms, 1_000 * minute, at_ms) for i in site.inputs]
        ledger.tick(readings, at_ms)
        store.digest_step()
    store.close()


def quarters(path: Path, site: Site, days: int) -> None:
    """A reading of each register every quarter hour: as many intervals as readings."""
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    generator, end = np.random.default_rng(1), BEGIN + days * DAY
    times = np.arange(BEGIN, end + QUARTER, QUARTER, dtype=np.int64)
    for row in site.inputs:
        shown = np.cumsum(generator.integers(0, 1_500_000, len(times)))
        ledger.import_history((row.point, row.register), times, shown, end)
    ledger.recompute_all(end, end)
    store.close()


def used_s(work: Callable[[Path, Site, int], None], path: Path, site: Site, days: int) -> float:
    """Processor time of writing."""
    begun = time.process_time()
    work(path, site, days)
    return time.process_time() - begun


@pytest.mark.parametrize(
    ("work", "what"),
    [
        (filled, "a history read every 5 minutes"),
        (quarters, "a history of quarter hours"),
        (live, "live rounds of a minute"),
    ],
)
def test_writing_with_and_without_digests(
    tmp_path: Path,
    report: list[Line],
    full: bool,
    monkeypatch: pytest.MonkeyPatch,
    work: Callable[[Path, Site, int], None],
    what: str,
) -> None:
    """All digests hold afterwards, and there are as many readings in both stores."""
    (points, days), rounds = ((40, 1) if work is live else (20, 60)) if full else (3, 2), 3 if full else 1
    site, times = board(points), {True: [0.0], False: [0.0]}
    for number in range(2 * rounds):
        digests, path = number % 2 == 0, tmp_path / f"{number}.sqlite"
        with monkeypatch.context() as patch:
            if not digests:
                patch.setattr(journal, "DigestWriter", NoDigests)
                patch.setattr(schema, "keep_digests", lambda *_: None)
            times[digests].append(used_s(work, path, site, days))
    with_, without = (min(times[digests][1:]) for digests in (True, False))
    store = SqliteStore.reader(tmp_path / "0.sqlite")
    readings = store.reading_count()
    begun = time.process_time()
    assert verify(store.connection) == []
    verified_s = time.process_time() - begun
    store.close()
    report.append(
        Line(
            "digests",
            f"{what}, {readings:,} readings with all figures, us a reading",
            f"{with_ / readings * 1e6:.1f}",
            f"{without / readings * 1e6:.1f}",
            with_ / without,
            "<= 1.15",
            "processor time; bare: the same store without digests",
        )
    )
    report.append(Line("digests", f"{what}: all of it compared, us a reading", f"{verified_s / readings * 1e6:.1f}"))
