"""Old readings leave the store when they are archived, by the daemon or without one, and never before."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import Plan
from meterd.adapters.store.backup import inspect
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon import job_calendar
from meterd.app.operations import archive as archive_module
from meterd.app.operations.archive import archive_months, newest_months, target_of
from meterd.app.operations.archive_check import compare, rebuild
from meterd.app.operations.retention_check import as_details, cut_of, from_details
from meterd.app.operations.retention_job import retire
from meterd.core.errors import ConfigError, StoreError
from meterd.core.model.periods import DAY_MS
from meterd.core.model.schedule import OFF, Schedule
from tests.app.daemon.calendar_site import SetClock, record
from tests.app.operations.archived_site import site_with_months
from tests.brokers import until
from tests.faults.mill import MAY, reading_count, running, stored_figures

DAYS = 100
NOW = MAY + DAYS * DAY_MS
JUNE, JULY = 1_780_264_800_000, 1_782_856_800_000  # their first moments in Vienna


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archive_module, "SETTLE_S", 0.0)


@pytest.fixture
def site(tmp_path: Path) -> tuple[Plan, Path]:
    """The mill with four months, readings of 62 days to be kept, and a place for an archive."""
    plan, path = site_with_months(tmp_path, DAYS * 24)
    schedule = Schedule(drift=OFF, clocks=OFF, verify=OFF, archive_url=str(tmp_path / "archive"), retention_days=62)
    return replace(plan, site=replace(plan.site, schedule=schedule)), path


def readings_before(path: Path, moment_ms: int) -> int:
    """How many readings of that time are in the store."""
    with closing(SqliteStore.reader(path)) as store:
        ask = "SELECT COUNT(*) FROM reading WHERE at_ms < ?"
        return int(store.connection.execute(ask, (moment_ms,)).fetchone()[0])


def test_only_what_is_archived_goes(site: tuple[Plan, Path]) -> None:
    """Then every figure stays, the archive keeps what it had, and a store from it has the readings again."""
    plan, path = site
    with pytest.raises(
        StoreError, match=r"are not archived in .*; nothing was deleted; meterd archive PLAN writes them"
    ):
        retire(plan, path, NOW)
    count, figures = reading_count(path), stored_figures(path, until_ms=NOW)
    archive_months(plan, path, target_of(plan), NOW)
    text = retire(plan, path, NOW)
    assert text.endswith("archived readings before 2026-05-31T22:00:00Z deleted")
    gone = int(text.split()[0])
    assert gone > 3_000
    assert reading_count(path) == count - gone
    assert {**stored_figures(path, until_ms=NOW), "readings": count} == figures
    assert inspect(path).changed == ()
    assert retire(plan, path, NOW) == "no reading may go that is older than 62 days"
    may = newest_months(target_of(plan), "mill")[0]
    archive_months(plan, path, target_of(plan), NOW + DAY_MS)
    assert newest_months(target_of(plan), "mill")[0].files["readings"] == may.files["readings"]
    assert compare(path, plan.site, target_of(plan)).faults == []
    rebuild(path, plan.site, target_of(plan), "x")
    assert readings_before(path, JUNE) >= gone


@pytest.mark.parametrize("fault", ["file", "reading"])
def test_what_the_archive_lacks_stays(fault: str, site: tuple[Plan, Path], tmp_path: Path) -> None:
    """A file that is not what was written, a reading that came later."""
    plan, path = site
    archive_months(plan, path, target_of(plan), NOW)
    count = reading_count(path)
    if fault == "file":
        (file,) = (tmp_path / "archive" / "site=mill" / "table=readings" / "month=2026-05").iterdir()
        file.write_bytes(file.read_bytes()[:-1] + b"!")
        text = r"v1-\w+\.parquet of the archive .* is not what was written; nothing was deleted"
    else:
        with closing(SqliteStore.writer(path)) as store, store.transaction():
            store.connection.execute(
                "INSERT INTO reading (channel, at_ms, value, received_ms, marks)"
                " SELECT id, ?, 0.25, ?, 1 FROM channel WHERE register = '1.8.0' AND point = 'q01'",
                (MAY + 1000, NOW),
            )
        count += 1
        text = r"a reading of q01 1\.8\.0 of 2026-05 is not in the archive .*; nothing was deleted"
    with pytest.raises(StoreError, match=text):
        retire(plan, path, NOW)
    assert reading_count(path) == count


def test_an_order_is_read_as_it_was_written(site: tuple[Plan, Path]) -> None:
    """And what is no order is refused."""
    plan, path = site
    with closing(SqliteStore.reader(path)) as store:
        cut = cut_of(store, plan.site, 62, NOW)
    assert from_details(as_details(cut)) == replace(cut, channels={})
    for wrong in ({}, {"before_ms": 1, "figures_from_ms": 2, "readings": [["q01"]]}):
        with pytest.raises(ConfigError, match="the order to delete readings is incomplete"):
            from_details(wrong)


@pytest.mark.slow
def test_by_the_running_daemon(site: tuple[Plan, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """On the first of September: archived, then deleted in small steps of the loop; nothing is lost."""
    monkeypatch.setattr(job_calendar, "LOOK_S", 0.2)
    plan, path = site
    before = readings_before(path, JULY)
    clock = SetClock()
    clock.set(NOW)
    with running(plan.site, path, clock):
        assert until(lambda: record(path, "retention") is not None, 60)
        clock.set(JULY + 62 * DAY_MS + 7 * 3_600_000)  # 2026-09-01, 07:00
        assert until(lambda: (known := record(path, "retention")) is not None and known.state == "done", 180), record(
            path, "retention"
        )
        known = record(path, "retention")
        assert known is not None
        assert "archived readings before 2026-06-30T22:00:00Z are being deleted" in known.words
        assert until(lambda: readings_before(path, JULY) < before / 10, 60)
        archived = record(path, "archive")
        assert archived is not None
        assert archived.state == "done"
    assert inspect(path).changed == ()
