"""A correction entered at any time gives the stored figures that would have been made with it from the beginning."""

import json
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.ledger import Ledger
from meterd.core import live
from meterd.core.energy.batch import all_tables, follow, interval_table
from meterd.core.engine import begin
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, bounds
from meterd.core.model.plan import Instrument, Site
from meterd.core.model.reading import EXPORT, IMPORT, Reading
from meterd.core.registers.corrections import CORRECTING, FIGURES_FROM, FOREVER_MS, Correction, correction_segments
from tests.app.operations.test_ledger import BEGIN, CHANNELS, QUARTER, SERIES, SITE, ZONE, everything, readings_of

HOUR, DAY = 3_600_000, 86_400_000
F1 = ("f1", IMPORT)


def entered(ledger: Ledger, store: SqliteStore, correction: Correction, now_ms: int) -> int:
    """Enter a correction and make all figures again that it touches."""
    channel = (correction.point, correction.register)
    number = ledger.correct(
        channel, (correction.from_ms, correction.end_ms), now_ms, lambda: store.corrections.add(correction)
    )
    while ledger.recompute_piece(now_ms) is not None:
        pass
    return number


def withdrawn(ledger: Ledger, store: SqliteStore, number: int, now_ms: int) -> None:
    """Take a correction back."""
    correction = store.corrections.by_number(number)
    assert correction is not None

    def keep() -> int:
        store.corrections.withdraw(number, now_ms, person="Ada", reason="wrong point")
        return number

    ledger.correct((correction.point, correction.register), (correction.from_ms, correction.end_ms), now_ms, keep)
    while ledger.recompute_piece(now_ms) is not None:
        pass


def made(point: str, register: str, from_ms: int, until_ms: int | None, factor: str) -> Correction:
    """A correction as a person enters it."""
    return Correction(0, point, register, from_ms, until_ms, factor, "ratio plate", "Ada", BEGIN)


CORRECTION = st.builds(
    lambda channel, low, length, factor: made(*channel, BEGIN + low, length and BEGIN + low + length, factor),
    st.sampled_from(CHANNELS),
    st.integers(-2 * HOUR, 12 * HOUR),
    st.one_of(st.none(), st.integers(1, 9 * HOUR)),
    st.sampled_from(["1.02", "5/4", "0.333333333333", "3", "997/991"]),
)


def play(
    batches: list[list[Reading]], at: dict[int, list[Correction]], restarts: set[int], end: int
) -> dict[str, object]:
    """Feed batches to a store, entering corrections before some of them and beginning anew before others."""
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore.writer(Path(folder) / "s.sqlite")
        ledger = Ledger(store, SITE, ZONE)
        now = BEGIN
        for i, batch in enumerate([*batches, []]):
            for correction in at.get(i, []):
                entered(ledger, store, correction, now)
            if i in restarts:
                store.close()
                store = SqliteStore.writer(Path(folder) / "s.sqlite")
                ledger = Ledger(store, SITE, ZONE)
            now = max([now, *(r.at_ms for r in batch)])
            ledger.tick(batch, now)
        ledger.tick([], end)
        ledger.tick([], end)
        results = everything(store)
        store.close()
        return results


@given(
    st.lists(SERIES, min_size=5, max_size=5),
    st.lists(CORRECTION, min_size=1, max_size=3),
    st.randoms(use_true_random=False),
    st.data(),
)
@settings(max_examples=12, deadline=None)
def test_when_a_correction_is_entered_changes_nothing(
    series: list[list[tuple[int, int]]], corrections: list[Correction], random: object, data: st.DataObject
) -> None:
    """Before, between or after readings in any order, with restarts: the same figures, balances and PV figures."""
    readings = readings_of(series)
    end = max(r.at_ms for r in readings) + 3 * HOUR
    first = play([sorted(readings, key=lambda r: r.at_ms)], {0: corrections}, set(), end)
    shuffled = list(readings)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    size = data.draw(st.integers(12, 60))
    batches = [shuffled[i : i + size] for i in range(0, len(shuffled), size)]
    at: dict[int, list[Correction]] = {}
    for correction in reversed(corrections):
        at.setdefault(data.draw(st.integers(0, len(batches))), []).append(correction)
    restarts = data.draw(st.sets(st.integers(0, len(batches)), max_size=3))
    assert play(batches, at, restarts, end) == first


@given(st.lists(SERIES, min_size=5, max_size=5), st.lists(CORRECTION, min_size=1, max_size=3))
@settings(max_examples=10, deadline=None)
def test_a_replay_gives_the_figures_of_the_daemon(
    series: list[list[tuple[int, int]]], corrections: list[Correction]
) -> None:
    """Columns and ticks are bit-identical with corrections too."""
    readings = readings_of(series)
    end = max(r.at_ms for r in readings) + 3 * HOUR
    state = begin(SITE, ZONE, None, corrections)
    followed = []
    for channel in CHANNELS:
        own = [(r.at_ms, int(r.value)) for r in readings if (r.point, r.register) == channel]
        table = np.array(own, dtype=np.int64)
        parts = state.corrections.get(channel, ())
        followed.append(
            follow(
                channel,
                state.rules[channel],
                table[:, 0],
                table[:, 1],
                limits=SITE.limits,
                interval_ms=QUARTER,
                corrections=parts,
            )
        )
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore.writer(Path(folder) / "s.sqlite")
        ledger = Ledger(store, SITE, ZONE)
        ledger.tick(readings, end)
        for correction in corrections:
            entered(ledger, store, correction, end)
        for period, table in all_tables(interval_table(followed, QUARTER), ZONE, QUARTER).items():
            columns = store.columns(CHANNELS, period, table.start_ms)
            both = table.columns.present & columns.present
            assert (columns.energy[both] == table.columns.energy[both]).all()
            assert (table.columns.present <= columns.present).all() or period is not Period.INTERVAL
        store.close()


def filled(store: SqliteStore, hours: int = 8) -> Ledger:
    """A store of a board whose first feeder shows four fifths of its energy: 100 kW in, of which f1 has 50 and shows 40."""
    ledger = Ledger(store, SITE, ZONE)
    w = {("feed", IMPORT): 100_000, ("feed", EXPORT): 0, F1: 40_000, ("f2", IMPORT): 70_000, ("pv", IMPORT): 20_000}
    steps = range(hours * 12 + 1)
    readings = [
        Reading(*c, BEGIN + i * 300_000, 5_000_000 + power * 1000 * i // 12, BEGIN)
        for c, power in w.items()
        for i in steps
    ]
    ledger.tick(readings, BEGIN)
    ledger.tick([], BEGIN + hours * HOUR + 61_000)
    while ledger.late_step(BEGIN + hours * HOUR + 61_000, 0):
        pass
    return ledger


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A new store."""
    return SqliteStore.writer(tmp_path / "s.sqlite")


def test_a_wrong_ratio_is_put_right_and_the_board_closes(store: SqliteStore) -> None:
    """Factor 5/4 on the feeder, two hours of eight: there the residual is gone, elsewhere it is what it was."""
    ledger = filled(store)
    begin_ms, end_ms = BEGIN + 2 * HOUR, BEGIN + 4 * HOUR
    readings = store.reading_count()
    number = entered(ledger, store, made(*F1, begin_ms, end_ms, "5/4"), BEGIN + 9 * HOUR)
    rows = store.balances("main", Period.HOUR, BEGIN, BEGIN + 8 * HOUR)
    assert [row.residual for row in rows] == [10_000_000] * 2 + [0] * 2 + [10_000_000] * 4
    versions = store.versions(F1, Period.HOUR, begin_ms)
    assert [(v.energy, v.reason) for v in versions][-2:] == [
        (40_000_000, versions[-2].reason),
        (50_000_000, f"correction {number}"),
    ]
    assert store.versions(F1, Period.HOUR, BEGIN)[-1].energy == 40_000_000
    assert store.reading_count() == readings


def test_the_running_interval_is_corrected_too(store: SqliteStore) -> None:
    """The balance of the interval so far follows a correction that has no end."""
    ledger = filled(store)
    ledger.tick([Reading(*c, BEGIN + 8 * HOUR + 300_000, v, BEGIN) for c, v in (
        (F1, 5_000_000 + 40_000 * 97_000 // 12), (("f2", IMPORT), 5_000_000 + 70_000 * 97_000 // 12),
        (("pv", IMPORT), 5_000_000 + 20_000 * 97_000 // 12), (("feed", IMPORT), 5_000_000 + 100_000 * 97_000 // 12),
        (("feed", EXPORT), 5_000_000),
    )], BEGIN + 8 * HOUR + 310_000)  # fmt: skip

    def residual() -> int | None:
        shot = live.snapshot(ledger.state, BEGIN + 8 * HOUR + 310_000, closed=ledger.closed, pv_day=None, findings=())
        return shot.running["main"].residual_mwh

    before = residual()
    entered(ledger, store, made(*F1, BEGIN, None, "5/4"), BEGIN + 9 * HOUR)
    assert before is not None
    assert 800_000 < before < 850_000
    assert abs(residual() or 0) <= 2


def test_a_withdrawn_correction_leaves_the_figures_as_they_were(store: SqliteStore) -> None:
    """What was is again, as a further version; both corrections and the way back stay readable."""
    ledger = filled(store)
    before = everything(store)
    first = entered(ledger, store, made(*F1, BEGIN + HOUR, None, "5/4"), BEGIN + 9 * HOUR)
    second = entered(ledger, store, made(*F1, BEGIN, BEGIN + 3 * HOUR, "1.1"), BEGIN + 10 * HOUR)
    assert everything(store) != before
    withdrawn(ledger, store, first, BEGIN + 11 * HOUR)
    withdrawn(ledger, store, second, BEGIN + 12 * HOUR)
    assert everything(store) == before
    stored = [(c.id, c.factor, c.withdrawn_by) for c in store.corrections.all()]
    assert stored == [(first, "5/4", "Ada"), (second, "1.1", "Ada")]
    reasons = [v.reason for v in store.versions(F1, Period.INTERVAL, BEGIN + 2 * HOUR)]
    assert reasons[-4:] == ["correction 1", "correction 2", "correction 1", "correction 2"]


def test_figures_are_recalculated_in_pieces_also_after_a_restart_and_each_period_once(
    store: SqliteStore, tmp_path: Path
) -> None:
    """A correction over three months is stored at once; each look makes some days, and a restart goes on with the next."""
    ledger = Ledger(store, SITE, ZONE)
    since, new_year = BEGIN - 100 * DAY, 1_767_222_000_000  # 2026-01-01 in Vienna
    times = np.arange(since, BEGIN + DAY, 6 * HOUR, dtype=np.int64)
    ledger.import_history(F1, times, np.arange(len(times), dtype=np.int64) * 600_000, BEGIN)
    ledger.recompute_all(BEGIN, BEGIN)
    correction = made(*F1, since, None, "3")
    ledger.correct(F1, (correction.from_ms, FOREVER_MS), BEGIN, lambda: store.corrections.add(correction))
    counts = [ledger.recompute_piece(BEGIN) or 0, ledger.recompute_piece(BEGIN) or 0]
    store.close()
    again = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(again, SITE, ZONE)
    while (changed := ledger.recompute_piece(BEGIN)) is not None:
        counts.append(changed)
    assert sum(counts) == (BEGIN - since) // QUARTER
    assert counts[0] <= 500  # whole days; the next pieces are longer where these were short
    assert json.loads(again.fact(CORRECTING) or "") == []
    grid = np.arange(since, BEGIN, QUARTER, dtype=np.int64)
    columns = again.columns([F1], Period.INTERVAL, grid)
    assert columns.present.all()
    assert set(columns.energy[:, 0].tolist()) == {75_000}
    for period in (Period.WEEK, Period.MONTH):
        versions = again.versions(F1, period, bounds(period, new_year + 10 * DAY, ZONE, QUARTER)[0])
        assert [v.reason for v in versions[1:]] == ["correction 1"], f"a {period} is summed once"
    straddling = again.versions(F1, Period.WEEK, bounds(Period.WEEK, new_year, ZONE, QUARTER)[0])
    assert [v.reason for v in straddling[1:]] == ["correction 1"]
    again.close()


def test_a_register_that_stood_still_over_the_end_is_read_on_until_it_is_sure(store: SqliteStore) -> None:
    """What a figure is may be decided by readings of later weeks; a correction looks as far as that takes."""
    site = replace(SITE, limits=replace(SITE.limits, freeze_max_s=60 * 86_400))
    ledger = Ledger(store, site, ZONE)
    quiet = [Reading(*F1, BEGIN + i * DAY, 1_000_000, BEGIN) for i in range(50)]
    caught_up = [Reading(*F1, BEGIN + 50 * DAY + i * QUARTER, 400_001_000_000 + 1000 * i, BEGIN) for i in range(5)]
    ledger.tick([*quiet, *caught_up], BEGIN)
    while ledger.late_step(BEGIN + 51 * DAY, 0):
        pass
    before = store.columns([F1], Period.INTERVAL, np.array([BEGIN, BEGIN + 10 * DAY]))
    assert before.energy[:, 0].tolist() == [83_333_333, 83_333_333]
    entered(ledger, store, made(*F1, BEGIN + 5 * DAY, BEGIN + 6 * DAY, "2"), BEGIN + 51 * DAY)
    after = store.columns([F1], Period.INTERVAL, np.array([BEGIN, BEGIN + 5 * DAY, BEGIN + 10 * DAY]))
    assert after.energy[0, 0] == after.energy[2, 0] == 83_333_333
    assert abs(int(after.energy[1, 0]) - 166_666_666) <= 1


def test_what_cannot_be_recalculated_is_refused_and_nothing_is_kept(store: SqliteStore) -> None:
    """No correction is stored whose figures cannot follow it."""
    ledger = filled(store)
    with store.transaction():
        store.set_fact(FIGURES_FROM, str(BEGIN + 4 * HOUR))
    ledger = Ledger(store, SITE, ZONE)
    with pytest.raises(ConfigError, match="are final"):
        entered(ledger, store, made(*F1, BEGIN, None, "2"), BEGIN + 9 * HOUR)
    with pytest.raises(ConfigError, match="reads no register"):
        entered(ledger, store, made("f1", EXPORT, BEGIN, None, "2"), BEGIN + 9 * HOUR)
    assert store.corrections.all() == []
    assert correction_segments(store.corrections.all()) == ()


def test_a_ratio_put_right_in_the_plan_makes_closed_figures_again(store: SqliteStore, tmp_path: Path) -> None:
    """From the begin of the instrument on, year by year, with the reason; the same plan again changes nothing."""
    rated = replace(SITE, inputs=tuple(replace(meter_input, per_ct=True) for meter_input in SITE.inputs))

    def site(ratio: float) -> Site:
        return replace(rated, instruments=(Instrument("f1", since + DAY, ct_primary_a=ratio, ct_secondary_a=5.0),))

    since = BEGIN - 90 * DAY
    ledger = Ledger(store, site(200.0), ZONE)
    times = np.arange(since, BEGIN + DAY, 6 * HOUR, dtype=np.int64)
    ledger.import_history(F1, times, np.arange(len(times), dtype=np.int64) * 600, BEGIN)
    ledger.recompute_all(BEGIN, BEGIN)
    store.close()
    again = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(again, site(250.0), ZONE)
    counts = []
    while (changed := ledger.recompute_piece(BEGIN)) is not None:
        counts.append(changed)
    assert sum(counts) == 89 * 96
    grid = np.arange(since + DAY, BEGIN, QUARTER, dtype=np.int64)
    assert set(again.columns([F1], Period.INTERVAL, grid).energy[:, 0].tolist()) == {600 * 50 // 24}
    assert again.versions(F1, Period.INTERVAL, BEGIN - DAY)[-1].reason == "plan changed"
    assert Ledger(again, site(250.0), ZONE).recompute_piece(BEGIN) is None
    again.close()
