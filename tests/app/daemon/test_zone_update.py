"""Fault C7: the rules of the site's zone change between two starts. Local days are summed again, intervals stay."""

import importlib.resources
import sqlite3
import zoneinfo
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from meterd.adapters.runtime.clock import TrialClock
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.joined_figures import JoinedFigures
from meterd.app.daemon.zone_update import follow_rules, rules_version
from meterd.core.model.periods import Period, bounds
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.registers.corrections import FOREVER_MS, Correction
from tests.brokers import free_port, until
from tests.faults.mill import DAY, QUARTER, StoreInFolder, open_findings, running, site

NAME = "Europe/Vienna"
HOUR = 3_600_000
AUTUMN = 1_790_200_800_000  # 2026-09-23 22:00 UTC: a local midnight of Vienna by the rules of today
DAYS = 45  # over the end of September and October, and over the change of 2026-10-25


@contextmanager
def other_rules(folder: Path) -> Iterator[None]:
    """Vienna keeps UTC+1 all the year: its rules are taken from those of Algiers."""
    (folder / "Europe").mkdir(parents=True)
    algiers = importlib.resources.files("tzdata") / "zoneinfo" / "Africa" / "Algiers"
    (folder / NAME).write_bytes(algiers.read_bytes())
    zoneinfo.reset_tzpath(to=[str(folder)])
    ZoneInfo.clear_cache(only_keys=[NAME])
    try:
        yield
    finally:
        zoneinfo.reset_tzpath(to=[])
        ZoneInfo.clear_cache(only_keys=[NAME])


def readings() -> list[Reading]:
    """Five registers every half hour, with different powers over the day."""
    wh = {("t1", IMPORT): 700, ("t1", EXPORT): 90, ("q01", IMPORT): 300, ("q02", IMPORT): 500, ("roof", IMPORT): 120}
    results = []
    for (point, register), power in wh.items():
        total = 10_000_000
        for i in range(DAYS * 48):
            at_ms = AUTUMN + i * 2 * QUARTER
            total += power * (1 + i % 48) * 10
            results.append(Reading(point, register, at_ms, total, at_ms, True))
    return results


def rows(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every newest row of the stored figures, without version, time and reason of writing."""
    db = sqlite3.connect(path)
    figures = JoinedFigures(db)
    try:
        numbers = [number for (number,) in db.execute("SELECT id FROM channel ORDER BY id").fetchall()]
        every = [(n, str(p), *row) for n in numbers for p in sorted(Period) for row in figures.rows(n, p, 0, 2**62)]
        return {"figure": [(*row[:3], *row[4:6]) for row in every if row[4] is not None]} | {
            table: db.execute(f"SELECT {columns} FROM {table} WHERE {known} ORDER BY 1, 2, 3").fetchall()
            for table, columns, known in (
                ("balance", "board, period, start_ms, end_ms, feed, outgoing, residual, band, verdict", "1"),
                ("pv", "period, start_ms, end_ms, production, self_use, consumption", "1"),
            )
        }
    finally:
        db.close()


def test_c7_changed_rules_roll_the_local_days_again_and_leave_the_intervals(tmp_path: Path) -> None:
    """The stored figures come to what a store says that never knew other rules; what is no local day any more is set aside."""
    end = AUTUMN + DAYS * DAY
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed([], AUTUMN)
    assert follow_rules(folder_store.store, folder_store.ledger, folder_store.site, AUTUMN) is None
    folder_store.feed(readings(), end)
    before = rows(folder_store.path)
    folder_store.close()
    with other_rules(tmp_path / "rules"):
        folder_store.open()
        assert bounds(Period.DAY, AUTUMN + HOUR, ZoneInfo(NAME), QUARTER)[0] == AUTUMN + HOUR
        finding = follow_rules(folder_store.store, folder_store.ledger, folder_store.site, end)
        assert finding is not None
        assert finding.id == "zone-rules-mill"
        assert "from 2026-09-23T22:00:00Z to 2026-10-25T01:00:00Z" in finding.text
        assert follow_rules(folder_store.store, folder_store.ledger, folder_store.site, end) is None
        again = StoreInFolder(tmp_path, name="again.sqlite")
        again.feed([], AUTUMN)
        again.feed(readings(), end)
        for item in (folder_store, again):
            item.close()
        after = rows(folder_store.path)
        assert after == rows(again.path)
    intervals = [row for row in before["figure"] if row[1] == "interval"]
    assert intervals == [row for row in after["figure"] if row[1] == "interval"]
    assert before["figure"] != after["figure"]
    db = sqlite3.connect(folder_store.path)
    aside = db.execute(
        "SELECT COUNT(*) FROM figure_old WHERE period = 'day' AND start_ms = ?", (AUTUMN + DAY,)
    ).fetchone()
    db.close()
    assert aside[0] == 6  # five registers that are read, and q03 that is missing


def doubled(folder_store: StoreInFolder, now_ms: int) -> None:
    """Correct q01 from the second day on."""
    corrections, since = folder_store.store.corrections, AUTUMN + DAY
    correction = Correction(0, "q01", IMPORT, since, None, "2", "ratio plate", "Ada", now_ms)
    folder_store.ledger.correct(("q01", IMPORT), (since, FOREVER_MS), now_ms, keep=lambda: corrections.add(correction))
    while folder_store.ledger.recompute_piece(now_ms) is not None:
        pass


def test_c7_rules_that_change_there_and_back_and_there_again_keep_every_version(tmp_path: Path) -> None:
    """Periods that come back go on with the next version; a correction then changes them, and all digests hold."""
    end = AUTUMN + DAYS * DAY
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed([], AUTUMN)
    follow_rules(folder_store.store, folder_store.ledger, folder_store.site, AUTUMN)
    folder_store.feed(readings(), end)
    before = rows(folder_store.path)
    for turn in ("there", "back", "there again", "and back"):
        folder_store.close()
        with other_rules(tmp_path / turn) if turn.startswith("there") else nullcontext():
            folder_store.open()
            assert follow_rules(folder_store.store, folder_store.ledger, folder_store.site, end) is not None, turn
            if turn == "back":
                assert rows(folder_store.path) == before
                doubled(folder_store, end)
    history = folder_store.store.versions(("q01", IMPORT), Period.DAY, AUTUMN + DAY)
    reported = [(item.version, item.reason) for item in history]
    zone = "zone rules changed"
    assert reported == [(1, "closed"), (2, zone), (3, "correction 1"), (4, zone)]
    assert history[2].energy == history[3].energy == 2 * (history[1].energy or 0)
    assert verify(folder_store.store.connection) == []
    folder_store.close()


@pytest.mark.slow
def test_c7_a_running_daemon_follows_the_rules_of_its_start_and_says_their_version(tmp_path: Path) -> None:
    """Started, ended, started with other rules: a finding; the version is in its health."""
    assert rules_version()[:2] == "20"
    plan, store = site(free_port()), tmp_path / "s.sqlite"
    folder_store = StoreInFolder(tmp_path)
    folder_store.feed([], AUTUMN)
    folder_store.feed(readings(), AUTUMN + DAYS * DAY)
    folder_store.close()
    clock = TrialClock(AUTUMN + DAYS * DAY)
    with running(plan, store, clock) as here:
        assert until(lambda: here.daemon.snapshot is not None)
        assert here.daemon.health().versions.zone_rules == rules_version()
    assert "zone-rules-mill" not in open_findings(store)
    with other_rules(tmp_path / "rules"), running(plan, store, clock) as here:
        assert here.has("zone-rules-mill")
        assert here.daemon.health().versions.zone_rules == "of this machine"
