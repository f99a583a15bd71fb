"""D6: a disk that fills up. First the log keeps to warnings, then old readings go by the rule of the plan, verified."""

import logging
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.daemon.disk_space import NO_RULE, RESERVE, DiskSpace, free_bytes
from meterd.app.operations.ledger import Ledger
from meterd.app.operations.retention_check import cut_of
from meterd.core.model.finding import Finding
from meterd.core.model.periods import text
from meterd.core.model.reading import IMPORT, POWER, Reading
from tests.brokers import Mosquitto, until
from tests.faults.mill import (
    CHANNELS,
    fill,
    message,
    now_ms,
    publish,
    reading_count,
    running,
    sending,
    small_disk,
    write_plan,
)
from tests.faults.test_b_broker import ROOT, hearing

HOUR, DAY = 3_600_000, 86_400_000
DAYS = 100
END = 1_800_000_000_000
RULE = "publish_every_s = 4, disk_free_mb = 2, keep_raw_days = 62, gap_exact_s = 7_200"
BROKER = "max_queued_messages 0\nmax_inflight_messages 20\n"


def plan_of(folder: Path, port: int = 1883, limits: str = RULE) -> Path:
    """The mill in hours: three months of it are made in a second."""
    path = write_plan(folder, port, limits=limits)
    sentence = path.read_text(encoding="utf-8").replace('name = "mill", ', 'name = "mill", interval_s = 3600, ')
    path.write_text(sentence, encoding="utf-8")
    return path


def history(plan: Path, path: Path, end: int) -> None:
    """Three months up to a moment in a store: every register counts 1 kWh an hour; and the powers of the last day but one."""
    site = load_plan(plan).site
    store = SqliteStore.writer(path)
    ledger = Ledger(store, site, ZoneInfo(site.zone))
    times = end - HOUR * np.arange(24 * DAYS, -1, -1, dtype=np.int64)
    for channel in CHANNELS:
        ledger.import_history(channel, times, np.arange(len(times), dtype=np.int64) * 1_000_000, end)
    ledger.recompute_all(end - end % HOUR, end)
    with store.transaction():
        store.add_readings([Reading("q01", POWER, end - DAYS * DAY + i * HOUR, 1000.0, end) for i in range(24)])
    store.close()


def figures(path: Path) -> list[tuple[object, ...]]:
    """Every figure and balance of the store."""
    store = SqliteStore.reader(path)
    rows = [*store.connection.execute("SELECT channel, period, start_ms, version, energy, flags FROM figure")]
    rows += store.connection.execute("SELECT board, period, start_ms, version, residual, band FROM balance")
    store.close()
    return rows


def newest(path: Path) -> dict[tuple[str, str], tuple[int, float] | None]:
    """The last reading of every register."""
    store = SqliteStore.reader(path)
    results = {channel: store.latest(channel) for channel in store.channels()}
    store.close()
    return results


@pytest.fixture
def quiet_root() -> Iterator[logging.Logger]:
    """The root logger, as it was afterwards."""
    root = logging.getLogger()
    level = root.level
    root.setLevel(logging.INFO)
    yield root
    root.setLevel(level)


@pytest.mark.slow
def test_d6_on_a_full_disk_old_readings_go_once_verified_and_new_ones_are_taken_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quiet_root: logging.Logger
) -> None:
    """A disk of its own that somebody else fills to the last byte: figures and the last counter of every point stay."""
    monkeypatch.setattr("meterd.app.daemon.disk_space.CHECK_S", 0.3)
    with small_disk(tmp_path, 48) as disk, Mosquitto(BROKER) as broker, sending(broker.port) as out:
        plan, path = plan_of(tmp_path / "plan", broker.port), disk / "s.sqlite"
        history(plan, path, now_ms() - now_ms() % HOUR)
        before, last, count = set(figures(path)), newest(path), reading_count(path)
        reserve = disk / "s.sqlite.reserve"
        with running(load_plan(plan).site, path) as here, hearing(broker) as seen:
            assert until(out.connected)
            assert until(lambda: reserve.exists() and reserve.stat().st_size == RESERVE)
            filler = fill(disk)
            assert until(lambda: not reserve.exists())
            assert until(lambda: quiet_root.level == logging.WARNING)
            assert until(lambda: f"{ROOT}/finding/readings-deleted-mill" in seen, 30), here.findings()
            publish(out, [("m/q01", message(now_ms(), **{"import": 24 * DAYS * 1000 + 5}))])
            assert until(lambda: newest(path)["q01", IMPORT] != last["q01", IMPORT])
            assert filler.exists(), "there is still no room on the disk but what the store has made itself"
        assert reading_count(path) < count - 6 * 24 * 5
        assert before <= set(figures(path))
        assert {c: item for c, item in newest(path).items() if c != ("q01", IMPORT)} == {
            c: item for c, item in last.items() if c != ("q01", IMPORT)
        }
        store = SqliteStore.reader(path)
        oldest = {channel: store.first_ms(channel) for channel in CHANNELS}
        assert all(at is not None and now_ms() - 94 * DAY - HOUR < at < now_ms() - 62 * DAY for at in oldest.values())
        assert store.latest(("q01", POWER)) is not None, "the newest reading of every register stays, however old"
        store.close()


# -- the rule, without a process ---------------------------------------------------------------------------------------


class Ticks:
    """A clock that goes on when it is told to."""

    at_s = 0.0

    def __call__(self) -> float:
        """Now."""
        return self.at_s


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with three months, to be copied."""
    folder = tmp_path_factory.mktemp("months")
    history(plan_of(folder / "plan"), folder / "s.sqlite", END)
    return folder / "s.sqlite"


def keeper_of(plan: Path, path: Path) -> tuple[DiskSpace, SqliteStore, Ticks]:
    """A keeper of the room of a store, and its clock."""
    site, ticks = load_plan(plan).site, Ticks()
    store = SqliteStore.writer(path)
    return DiskSpace(store, path, site, Ledger(store, site, ZoneInfo(site.zone)), clock=ticks), store, ticks


def look_until(keeper: DiskSpace, ticks: Ticks, sentence: str) -> Finding:
    """Look every ten minutes until the finding says so."""
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        findings = keeper.tick(END)
        for finding in findings:
            if sentence in finding.text:
                return finding
        ticks.at_s += 600
        time.sleep(0.005)
    raise AssertionError(f"{sentence!r} is not said, but {[item.text for item in findings]}")


def test_d6_without_a_rule_nothing_is_deleted_and_the_log_is_quiet_until_there_is_room(
    tmp_path: Path, quiet_root: logging.Logger
) -> None:
    """The finding says what is missing; with room again the log is what it was."""
    plan = plan_of(tmp_path / "plan", limits="disk_free_mb = 1_000_000_000")
    keeper, store, _ = keeper_of(plan, tmp_path / "s.sqlite")
    (finding,) = keeper.tick(END)
    assert (finding.id, NO_RULE in finding.text) == ("disk-low-mill", True)
    assert quiet_root.level == logging.WARNING
    keeper.close(1.0)
    assert quiet_root.level == logging.INFO
    store.close()


def test_d6_with_room_enough_nothing_is_said(tmp_path: Path, quiet_root: logging.Logger, made: Path) -> None:
    """And the rule alone deletes nothing."""
    plan = plan_of(tmp_path / "plan", limits="disk_free_mb = 1, keep_raw_days = 62")
    shutil.copy(made, tmp_path / "s.sqlite")
    count = reading_count(tmp_path / "s.sqlite")
    keeper, store, ticks = keeper_of(plan, tmp_path / "s.sqlite")
    for _ in range(5):
        assert keeper.tick(END) == []
        ticks.at_s += 4_000
    assert keeper.done() == []
    assert reading_count(tmp_path / "s.sqlite") == count
    assert quiet_root.level == logging.INFO
    store.close()


def test_d6_what_cannot_be_verified_stays_and_is_said(tmp_path: Path, quiet_root: logging.Logger, made: Path) -> None:
    """A figure that its readings do not give: no reading goes."""
    plan = plan_of(tmp_path / "plan", limits="disk_free_mb = 1_000_000_000, keep_raw_days = 62, gap_exact_s = 7_200")
    path = tmp_path / "s.sqlite"
    shutil.copy(made, path)
    keeper, store, ticks = keeper_of(plan, path)
    with store.transaction():
        store.connection.execute("UPDATE figure SET energy = energy + 1 WHERE start_ms < ?", (END - (DAYS - 5) * DAY,))
    count = store.reading_count()
    finding = look_until(keeper, ticks, "figures differ from what their readings give")
    assert "nothing is deleted" in finding.text
    assert (store.reading_count(), keeper.done()) == (count, [])
    assert store.fact("figures_from_ms") is None
    keeper.close(5.0)
    store.close()


def test_d6_pruning_ended_in_the_middle_goes_on_and_frees_room_in_the_file(
    tmp_path: Path, quiet_root: logging.Logger, made: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Small steps of the loop; a restart between two of them loses nothing and deletes nothing else."""
    plan = plan_of(tmp_path / "plan", limits="disk_free_mb = 1_000_000_000, keep_raw_days = 62, gap_exact_s = 7_200")
    path = tmp_path / "s.sqlite"
    shutil.copy(made, path)
    monkeypatch.setattr("meterd.app.daemon.disk_space.STEP", 100)
    monkeypatch.setattr("meterd.app.daemon.disk_space.SHARE_S", 0.0)  # one step in every look
    keeper, store, ticks = keeper_of(plan, path)
    before, room = set(figures(path)), free_bytes(store, path) - shutil.disk_usage(tmp_path).free
    cut = cut_of(store, load_plan(plan).site, 62, END)
    count, may_go = store.reading_count(), cut.total
    look_until(keeper, ticks, f"{may_go} verified readings before {text(cut.before_ms)} are being deleted")
    while store.reading_count() == count:
        keeper.tick(END)
    assert count - may_go < store.reading_count() < count
    store.close()
    keeper, store, ticks = keeper_of(plan, path)
    look_until(keeper, ticks, "were verified and deleted")
    (finding,) = keeper.done()
    assert finding.cause == "readings-deleted"
    assert store.reading_count() == count - may_go
    assert set(figures(path)) == before
    assert free_bytes(store, path) - shutil.disk_usage(tmp_path).free > room + 100_000
    look_until(keeper, ticks, "no reading may go that is older than 62 days")
    keeper.close(5.0)
    store.close()


def test_d6_a_rule_that_would_keep_too_little_is_refused(tmp_path: Path) -> None:
    """Late readings and corrections need what they rest on."""
    with pytest.raises(PlanError) as refused:
        load_plan(plan_of(tmp_path / "plan", limits="keep_raw_days = 61"))
    (fault,) = refused.value.faults
    assert "61 days of readings are too few" in fault.what
