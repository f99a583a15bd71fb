"""Readings and anchors of an archive are those of the store it was made from."""

from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months
from meterd.app.operations.archived_readings import ArchivedReadings, files_of
from meterd.core.model.archived_month import ArchivedFile
from meterd.core.model.periods import DAY_MS
from tests.app.operations.archived_site import NOW, place, site_with_months
from tests.faults.mill import CHANNELS, MAY, QUARTER

JULY = 1_782_856_800_000  # 2026-07-01 in Vienna


def test_they_are_those_of_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over both months, in parts, at most so many; a file is brought only when it is asked for, and once."""
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)
    plan, path = site_with_months(tmp_path)
    target, brought = place(tmp_path), list[str]()
    months = archive_months(plan, path, target, NOW)

    def fetch(file: ArchivedFile) -> Path:
        brought.append(file.path)
        return tmp_path / "archive" / file.path

    archived, store = ArchivedReadings([files_of(month) for month in months], fetch), SqliteStore.reader(path)
    assert archived.anchor(CHANNELS[0], MAY + DAY_MS) == store.anchor(CHANNELS[0], MAY + DAY_MS)
    assert brought == [months[0].files["energy"].path]
    for channel in CHANNELS:
        for low, high, most in ((0, JULY, -1), (MAY + 20 * DAY_MS, MAY + 40 * DAY_MS, -1), (MAY, JULY, 7)):
            for ours, theirs in zip(
                archived.history(channel, low, high, most=most),
                store.history(channel, low, high, most=most),
                strict=True,
            ):
                assert np.array_equal(ours, theirs)
        for moment in (MAY - 1, MAY + 27 * DAY_MS + 5, MAY + 29 * DAY_MS, JULY - QUARTER):
            assert archived.anchor(channel, moment) == store.anchor(channel, moment)
        assert archived.last_ms(channel) == store.history(channel, 0, JULY)[0][-1]
    assert archived.anchor(("q09", "1.8.0"), JULY) is None
    assert len(archived.history(("q09", "1.8.0"), 0)[0]) == 0
    assert archived.last_ms(("q09", "1.8.0")) < 0
    assert archived.fact("figures_from_ms") is None
    assert len(brought) == len(set(brought)) == 4
    assert archived.intervals(0)[CHANNELS[0]].present.all()
    store.close()
