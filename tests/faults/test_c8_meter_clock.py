"""C8: a meter's clock that is 10 s, 5 min or 1 h off is measured, marked, and widens the band; the same after every restart."""

import re
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.backend import UserRole, Viewer
from meterd.adapters.web.pages.audit_balance import why_balance
from meterd.core import engine, live
from meterd.core.balance.board_balance import board_terms, interval_inputs, period_inputs
from meterd.core.checks.staleness import ArrivalMonitor
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.registers.clock_offsets import METER_CLOCKS, clocks_in, rounded
from tests.brokers import Mosquitto, until
from tests.faults.mill import (
    DAY,
    MAY,
    QUARTER,
    ZONE,
    StoreInFolder,
    message,
    now_ms,
    open_findings,
    publish,
    running,
    sending,
    site,
)

MINUTE, HOUR = 60_000, 3_600_000
BROKER = "max_queued_messages 0\nmax_inflight_messages 20\n"
TURN = 25  # minutes after which the oven is switched on or off
OFFSETS = [(-10, 10), (-300, 300), (-3600, 3600), (40, 40)]  # seconds; what is written down


def oven(minute: int) -> int:
    """Wh that the oven behind q01 has taken: 30 kW and 1.2 kW by turns."""
    turns, rest = divmod(max(minute, 0), 2 * TURN)
    return 10_000 + turns * TURN * 520 + min(rest, TURN) * 20 + max(rest - TURN, 0) * 500


def heard(minute: int, off_s: int) -> list[Reading]:
    """What every meter shows at a minute of the trial, stamped by its clock; that of q01 is off."""
    now = MAY + minute * MINUTE
    shown = {"q01": oven(minute), "q02": 20_000 + 200 * minute, "q03": 9_000 + 300 * minute, "roof": 5_000}
    shown["t1"] = sum(shown.values())
    readings = [
        Reading(p, IMPORT, now + (off_s * 1000 if p == "q01" else 0), wh * 1000, now) for p, wh in shown.items()
    ]
    return [*readings, Reading("t1", EXPORT, now, 0, now)]


MEASURED = "clock_band_s = 3600"  # what is measured widens bands


def plan(limits: str = MEASURED, folder: Path | None = None) -> Site:
    """The mill with precise meters: what a clock does must not drown in what classes allow."""
    result = site(limits=limits, folder=folder)
    return replace(
        result, instruments=tuple(replace(instrument, meter_class="0.2S") for instrument in result.instruments)
    )


class Trial:
    """A ledger and the arrival monitor of the daemon: what comes in every minute is stored, and clocks are written down."""

    def __init__(self, folder: Path, off_s: int, limits: str = MEASURED) -> None:
        self.folder_store, self.off_s, self.arrival_monitor = (
            StoreInFolder(folder, plan(limits)),
            off_s,
            ArrivalMonitor(plan(limits)),
        )

    def run(self, first: int, until_: int) -> None:
        """Minutes of the trial."""
        for minute in range(first, until_):
            readings = heard(minute, self.off_s)
            self.folder_store.feed(readings, readings[-1].received_ms)
            self.arrival_monitor.take(readings)
            self.folder_store.ledger.note_clocks(self.arrival_monitor.offsets())

    def balances(self, period: Period = Period.INTERVAL) -> list[tuple[int, int | None, str]]:
        """Start, band and verdict of every closed balance."""
        rows = self.folder_store.store.balances("main", period, 0, MAY + DAY)
        return [(row.start_ms, row.band, row.verdict) for row in rows]


@pytest.mark.parametrize(("off_s", "stored"), OFFSETS)
def test_c8_a_clock_that_is_off_is_measured_and_no_balance_is_called_outside_for_it(
    off_s: int, stored: int, tmp_path: Path
) -> None:
    """An oven is switched within quarter hours: booked by a wrong clock it would be a gap; times of readings stay as they are."""
    late = max(0, -off_s // 60)
    trial = Trial(tmp_path, off_s)
    trial.run(0, 300 + late)
    steps = clocks_in(trial.folder_store.store.fact(METER_CLOCKS))
    assert set(steps) == {"q01"}
    assert steps["q01"][-1][1] == stored == rounded(off_s * 1000, 3600)
    since = steps["q01"][-1][0]
    assert since <= MAY + 60 * MINUTE
    after = [row for row in trial.balances() if row[0] >= since and row[2] != "not computable"]
    assert len(after) >= 10
    assert {verdict for _, _, verdict in after} == {"inside"}
    times, _ = trial.folder_store.store.history(("q01", IMPORT), 0)
    assert times.tolist() == [MAY + m * MINUTE + off_s * 1000 for m in range(300 + late)]
    trial.folder_store.close()
    (tmp_path / "s.sqlite").unlink()
    deaf = Trial(tmp_path, off_s, "")
    deaf.run(0, 300 + late)
    assert deaf.folder_store.store.fact(METER_CLOCKS) is None
    assert "outside" in {verdict for _, _, verdict in deaf.balances()}, "as it is without it: a gap that is none"
    deaf.folder_store.close()


def test_c8_restarts_late_readings_and_figures_recalculated_give_the_same_bands(tmp_path: Path) -> None:
    """Bands rest on what was written of a time, not on when it is asked."""
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    whole = Trial(tmp_path / "a", -300)
    whole.run(0, 200)
    expected = {period: whole.balances(period) for period in (Period.INTERVAL, Period.HOUR)}
    facts = whole.folder_store.store.fact(METER_CLOCKS)
    # closed figures recalculated from the journal
    changed = whole.folder_store.ledger.recompute_all(whole.folder_store.ledger.state.closed_to or 0, MAY + DAY)
    assert changed == 0
    whole.folder_store.close()
    whole.folder_store.open()
    whole.folder_store.ledger.recompute_all(whole.folder_store.ledger.state.closed_to or 0, MAY + DAY)
    assert {period: whole.balances(period) for period in expected} == expected
    whole.folder_store.close()
    # the same readings in another order, with restarts, beside the same facts
    other = StoreInFolder(tmp_path / "b", plan())
    with other.store.transaction():
        other.store.set_fact(METER_CLOCKS, facts or "")
    other.close()
    other.open()
    readings = [r for minute in range(200) for r in heard(minute, -300)]
    other.feed(readings[:6], MAY)
    order = np.random.default_rng(8).permutation(len(readings))
    for part in np.array_split(order, 7):
        other.feed([readings[i] for i in part], MAY + 199 * MINUTE)
        other.close()
        other.open()
    for period, rows in expected.items():
        results = other.store.balances("main", period, 0, MAY + DAY)
        assert [(row.start_ms, row.band, row.verdict) for row in results] == rows
    other.close()


def test_c8_a_clock_that_was_set_narrows_the_band_again_and_old_balances_keep_theirs(tmp_path: Path) -> None:
    """From then on; what was closed before stays as wide as it was."""
    trial = Trial(tmp_path, -300)
    trial.run(0, 90)
    before = trial.balances()
    trial.off_s = 0
    trial.run(90, 240)
    steps = clocks_in(trial.folder_store.store.fact(METER_CLOCKS))["q01"]
    assert [off for _, off in steps] == [300, 0]
    results = trial.balances()
    assert results[: len(before) - 1] == before[:-1]
    widest = max(band for _, band, _ in results if band is not None)
    narrow = [band for start, band, _ in results if start >= steps[1][0] and band is not None]
    assert narrow
    assert max(narrow) < widest / 10
    trial.folder_store.close()


def test_c8_the_running_balance_and_the_page_why_are_as_wide(tmp_path: Path) -> None:
    """The snapshot, and what is shown of the band of a closed one, which agrees with the stored figures."""
    trial = Trial(tmp_path, -10)
    trial.run(0, 100)
    state = trial.folder_store.ledger.state
    shot = live.snapshot(state, MAY + 100 * MINUTE, closed={}, pv_day=None, findings=())
    band = shot.running["main"].band_mwh
    bare = engine.begin(trial.folder_store.site, ZONE, state.closed_to)
    state.aggregations = bare.aggregations
    narrow = live.snapshot(state, MAY + 100 * MINUTE, closed={}, pv_day=None, findings=()).running["main"].band_mwh
    assert band is not None
    assert narrow is not None
    assert band > 2 * narrow
    start = MAY + 5 * QUARTER
    viewer = Viewer(role=UserRole.CHANGE)
    why = why_balance(
        trial.folder_store.store,
        trial.folder_store.site,
        "main",
        kind=Period.INTERVAL,
        span=(start, start + QUARTER),
        viewer=viewer,
    )
    assert why.word == "agrees"
    assert {term.point: term.clock_s for term in why.terms} == {"t1": 0, "q01": 10, "q02": 0, "q03": 0, "roof": 0}
    trial.folder_store.close()


def test_c8_the_shift_counts_once_over_a_longer_period() -> None:
    """At its two ends, as the resolution does: what one quarter hour lost the next one has."""
    result = plan("meter_clock_s = 10")
    terms = board_terms(result, result.boards[0]).terms
    starts = MAY + QUARTER * np.arange(96, dtype=np.int64)
    energy = np.full((96, len(terms)), 1_000_000, dtype=np.int64)
    inputs = interval_inputs(terms, starts, starts + QUARTER, energy)
    whole = period_inputs(inputs, np.zeros(1, dtype=np.int64))
    assert whole.resolution[0].tolist() == inputs.resolution[0].tolist()
    narrow = board_terms(plan(), result.boards[0]).terms
    assert (interval_inputs(narrow, starts, starts + QUARTER, energy).resolution < inputs.resolution).all()


@pytest.mark.slow
def test_c8_a_running_daemon_measures_three_clocks_and_keeps_what_it_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over a real broker, 10 s, 310 s and 1 h behind: the larger ones are findings, all are in the store after a restart."""
    monkeypatch.setattr("meterd.core.checks.staleness.CHECK_EVERY_MS", 100)
    monkeypatch.setattr("meterd.app.daemon.finding_job.CLOCKS_S", 0.1)
    offs = {"q01": 10_000, "q02": 310_000, "q03": 3_600_000, "t1": 0}
    path, wanted = tmp_path / "s.sqlite", {"meter-clock-q02", "meter-clock-q03"}
    with Mosquitto(BROKER) as broker, sending(broker.port) as out:
        mine = site(broker.port, limits=f"publish_every_s = 4, stale_after_s = 2, {MEASURED}")
        with running(mine, path) as here:
            assert until(lambda: here.daemon.published() > 20 and out.connected())
            end, count = time.monotonic() + 30, 0
            while time.monotonic() < end and not (
                len(clocks_in(_fact(path))) == 3 and wanted <= here.findings().keys()
            ):
                count += 1
                publish(out, [(f"m/{p}", message(now_ms() - off, **{"import": count})) for p, off in offs.items()])
                time.sleep(0.1)
            finding = here.findings()["meter-clock-q02"]
        assert re.search(r"31\d s behind", finding.text)
        assert "widens the band" in finding.remedy
        assert "meter-clock-q01" not in open_findings(path)
        results = clocks_in(_fact(path))
        assert {point: steps[-1][1] // 60 for point, steps in results.items()} == {"q01": 0, "q02": 6, "q03": 60}
        assert results["q01"][-1][1] >= 10
        with running(mine, path) as again:
            assert until(lambda: again.daemon.published() > 20)
        assert clocks_in(_fact(path)) == results


def _fact(path: Path) -> str | None:
    store = SqliteStore.reader(path)
    text = store.fact(METER_CLOCKS)
    store.close()
    return text
