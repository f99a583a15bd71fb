"""Figures of an archive answer every question as the store does that they were archived from."""

from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations import archived_figures as module
from meterd.app.operations.archive import archive_months, newest_months
from meterd.app.operations.archive_check import fetched
from meterd.app.operations.archived_figures import ArchivedFigures
from meterd.app.operations.remade_figures import Basis
from meterd.core.model.archived_month import ArchivedFile
from meterd.core.model.periods import DAY_MS, Period, bounds, starts
from tests.app.operations.archived_site import NOW, place, site_with_months
from tests.faults.mill import CHANNELS, MAY


@pytest.mark.parametrize("remaining", [1, 14])
@pytest.mark.parametrize("period", [*Period])
def test_figures_are_those_of_the_store(
    period: Period, remaining: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Energies, balances, PV and span of each kind of period; also where only one month stays in memory."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    monkeypatch.setattr(module, "MONTHS_KEPT", remaining)
    plan, path = site_with_months(tmp_path)
    target = place(tmp_path)
    archive_months(plan, path, target, NOW)
    months, zone, step = newest_months(target, "mill"), ZoneInfo(plan.site.zone), plan.site.interval_s * 1000

    def fetch(file: ArchivedFile) -> Path:
        fetched(target, file, tmp_path / "rows")
        return tmp_path / "rows"

    archived, store = ArchivedFigures(months, Basis(), fetch), SqliteStore.reader(path)
    until_ms = months[-1].until_ms
    begun = starts(period, MAY - 9 * DAY_MS, until_ms, zone, step)
    wanted = [at for at in begun if bounds(period, at, zone, step)[1] <= until_ms] or [MAY]
    channels = [*CHANNELS, ("q99", "1.8.0")]
    grid = np.array(wanted, dtype=np.int64)
    ours, theirs = archived.columns(channels, period, grid), store.columns(channels, period, grid)
    for name in ("energy", "present", "flags"):
        assert np.array_equal(getattr(ours, name), getattr(theirs, name)), name
    assert period is Period.YEAR or ours.present.any()
    span = (wanted[0], wanted[-1] + 1)
    assert archived.balances("main", period, *span) == store.balances("main", period, *span)
    assert archived.pv(period, *span) == store.pv(period, *span)
    stored = store.span(period)
    store.close()
    if period is Period.YEAR:
        assert archived.span(period) is None, "no year has ended"
    else:
        assert stored is not None
        assert archived.span(period) == (stored[0], wanted[-1])


def test_nothing_is_asked_and_nothing_is_there(tmp_path: Path) -> None:
    figures = ArchivedFigures([], Basis(), lambda file: tmp_path)
    assert figures.span(Period.INTERVAL) is None
    assert figures.columns(CHANNELS, Period.DAY, np.zeros(0, np.int64)).energy.shape == (0, 6)
    assert figures.fact("drift_accepted") is None
