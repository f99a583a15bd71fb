"""A long history in parts: the same rows as at once, month by month, after a kill, and with what waited before it."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.digest_comparison import verify
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations import whole_history
from meterd.app.operations.late_readings import LATE_WORK, noted
from meterd.app.operations.ledger import Ledger
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import Channel
from meterd.core.registers.register_line import Ints
from tests.app.small_plant import DAY, QUARTER, SHOWN, plan

BEGIN = 1_760_911_200_000  # 2025-10-19 22:00 UTC: before the end of summer time, and of a year
DAYS = 77
END = BEGIN + DAYS * DAY
VALUES = {
    "figure": "channel, period, start_ms, energy, flags, anchor_ms, anchor_raw, anchor_plateau",
    "balance": "board, period, start_ms, feed, outgoing, residual, band, verdict, missing, reconciled",
    "pv": "period, start_ms, production, grid_import, grid_export, self_use, consumption",
}
VERSIONED = {table: f"{columns}, version, reason" for table, columns in VALUES.items()}


def _history(channel: Channel) -> tuple[Ints, Ints]:
    """A reading every quarter hour, with a reset and a stretch at which the register stands."""
    generator = np.random.default_rng(len(channel[0]) + SHOWN[channel])
    times = np.arange(BEGIN, END + 1, QUARTER, dtype=np.int64)
    shown = 5_000_000 + np.cumsum(generator.integers(0, 2 * SHOWN[channel] + 1, len(times))) * 1_000
    if channel[0] == "q01":
        shown[50 * 96 :] -= shown[50 * 96]
    if channel[0] == "roof":
        shown[20 * 96 : 20 * 96 + 60] = shown[20 * 96]
    return times, shown


Q02 = ("q02", IMPORT)
GAP = (BEGIN + 30 * DAY + 1, BEGIN + 37 * DAY)
FULL = {channel: _history(channel) for channel in SHOWN}
_known = (FULL[Q02][0] < GAP[0]) | (FULL[Q02][0] >= GAP[1])
HISTORY = FULL | {Q02: (FULL[Q02][0][_known], FULL[Q02][1][_known])}


class Site:
    """A store of the workshop that histories are imported into."""

    def __init__(self, folder: Path, name: str) -> None:
        self.path = folder / f"{name}.sqlite"
        if not (folder / "plan").exists():
            plan(folder)
        self._site = load_plan(folder / "plan").site
        self.open()

    def open(self) -> None:
        """Begin where the file ends."""
        self.store = SqliteStore.writer(self.path)
        self.ledger = Ledger(self.store, self._site, ZoneInfo(self._site.zone))

    def take(self, low: int, high: int, *, whole: bool = False) -> int:
        """Import the readings of a time."""
        firsts = {}
        for channel, (times, shown) in HISTORY.items():
            some = (times >= low) & (times < high)
            if some.any():
                self.ledger.import_history(channel, times[some], shown[some], END)
                firsts[channel] = int(times[some][0])
        return self.ledger.recompute_all(min(high, END), END, None if whole else firsts)

    def rows(self, columns: dict[str, str] = VALUES) -> dict[str, list[tuple[object, ...]]]:
        """What is stored; the digests say the same."""
        with closing(sqlite3.connect(self.path)) as db:
            assert verify(db) == []
            return {name: db.execute(f"SELECT {what} FROM {name}").fetchall() for name, what in columns.items()}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """All of it at once."""
    site = Site(tmp_path_factory.mktemp("whole"), "whole")
    assert site.take(BEGIN, END + 1, whole=True) == 5 * DAYS * 96
    yield site
    site.store.close()


def test_small_parts_are_the_same_rows_as_large_ones(
    whole: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A register and a day at a time: every row in its first version, none twice; nothing is left to do."""
    monkeypatch.setattr(whole_history, "ROWS", 500)
    site = Site(tmp_path, "parts")
    site.take(BEGIN, END + 1)
    assert site.rows(VERSIONED) == whole.rows(VERSIONED)
    assert {row[-2] for row in site.rows(VERSIONED)["figure"]} == {1}
    assert site.store.fact(LATE_WORK) is None
    assert site.ledger.late_step(END) is False


def test_month_by_month_gives_the_same_figures_and_follows_only_what_is_new(whole: Site, tmp_path: Path) -> None:
    """Each month rewrites no more than the intervals around its first readings."""
    site = Site(tmp_path, "months")
    for low in range(BEGIN, END, 30 * DAY):
        high = min(low + 30 * DAY, END + 1)
        changed = site.take(low, high)
        assert changed <= 5 * (high - low) // QUARTER + 8 * 96
    assert site.rows() == whole.rows()


def test_an_earlier_month_that_comes_later_changes_what_follows_from_it(whole: Site, tmp_path: Path) -> None:
    """The last month first: figures are those of all readings together."""
    site = Site(tmp_path, "backwards")
    for low in (BEGIN + 60 * DAY, BEGIN + 30 * DAY, BEGIN):
        site.take(low, END + 1 if low > BEGIN + 30 * DAY else low + 30 * DAY)
    assert site.rows() == whole.rows()


@pytest.mark.parametrize("step", ["follow", "next_part"])
def test_what_a_kill_left_is_made_after_the_next_start(
    whole: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """Stopped among the registers or among the sums, the daemon's small pieces make the rest."""
    site, done, work = Site(tmp_path, step), [0], getattr(whole_history, step)

    def killed(*given: object) -> object:
        done[0] += 1
        if done[0] == 3:
            raise KeyboardInterrupt
        return work(*given)

    monkeypatch.setattr(whole_history, "ROWS", 10_000)
    with monkeypatch.context() as patch:
        patch.setattr(whole_history, step, killed)
        with pytest.raises(KeyboardInterrupt):
            site.take(BEGIN, END + 1)
    site.store.close()
    site.open()
    assert site.store.fact(LATE_WORK)
    site.ledger.tick([], END)
    while site.ledger.late_step(END, quiet_s=0):
        pass
    assert site.rows() == whole.rows()
    site.store.close()


def test_an_import_makes_what_waited_before_it(whole: Site, tmp_path: Path) -> None:
    """Late readings that were stored and not followed yet are not lost by an import of another register."""
    site, (times, shown) = Site(tmp_path, "waiting"), FULL[Q02]
    site.take(BEGIN, END + 1)
    site.ledger.import_history(Q02, times, shown, END)
    site.ledger.late = noted(site.ledger.late, site.store, site.ledger.state, [(Q02, *GAP)])
    site.ledger.recompute_all(END, END, {("q01", IMPORT): END - DAY})
    assert not site.ledger.late
    at_once = Site(tmp_path, "at-once")
    at_once.take(BEGIN, END + 1)
    at_once.ledger.import_history(Q02, times, shown, END)
    at_once.ledger.recompute_all(END, END)
    assert site.rows() == at_once.rows() != whole.rows()
