"""A correction entered at any time gives the books that would have been made with it from the beginning."""

import json
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd import pipeline
from meterd.app.bookkeeper import Bookkeeper
from meterd.bulk import all_tables, follow, interval_table
from meterd.correction import CORRECTING, FIGURES_FROM, FOREVER_MS, Correction, stretches
from meterd.errors import ConfigError
from meterd.interval import Period
from meterd.pipeline import begin
from meterd.reading import EXPORT, IMPORT, Reading
from meterd.site import Instrument, Site
from meterd.store.sqlite import SqliteStore
from tests.app.test_bookkeeper import BEGIN, CHANNELS, QUARTER, SERIES, SITE, ZONE, everything, readings_of

HOUR, DAY = 3_600_000, 86_400_000
F1 = ("f1", IMPORT)


def entered(books: Bookkeeper, store: SqliteStore, one: Correction, now_ms: int) -> int:
    """Enter a correction and make all figures again that it touches."""
    channel = (one.point, one.register)
    number = books.correct(channel, (one.from_ms, one.end_ms), now_ms, lambda: store.corrections.add(one))
    while books.correct_on(now_ms) is not None:
        pass
    return number


def withdrawn(books: Bookkeeper, store: SqliteStore, number: int, now_ms: int) -> None:
    """Take a correction back."""
    one = store.corrections.one(number)
    assert one is not None

    def keep() -> int:
        store.corrections.withdraw(number, now_ms, person="Ada", reason="wrong point")
        return number

    books.correct((one.point, one.register), (one.from_ms, one.end_ms), now_ms, keep)
    while books.correct_on(now_ms) is not None:
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
        books = Bookkeeper(store, SITE, ZONE)
        now = BEGIN
        for i, batch in enumerate([*batches, []]):
            for one in at.get(i, []):
                entered(books, store, one, now)
            if i in restarts:
                store.close()
                store = SqliteStore.writer(Path(folder) / "s.sqlite")
                books = Bookkeeper(store, SITE, ZONE)
            now = max([now, *(r.at_ms for r in batch)])
            books.tick(batch, now)
        books.tick([], end)
        books.tick([], end)
        found = everything(store)
        store.close()
        return found


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
    for one in reversed(corrections):
        at.setdefault(data.draw(st.integers(0, len(batches))), []).append(one)
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
        books = Bookkeeper(store, SITE, ZONE)
        books.tick(readings, end)
        for one in corrections:
            entered(books, store, one, end)
        for period, table in all_tables(interval_table(followed, QUARTER), ZONE, QUARTER).items():
            kept = store.columns(CHANNELS, period, table.start_ms)
            both = table.columns.present & kept.present
            assert (kept.energy[both] == table.columns.energy[both]).all()
            assert (table.columns.present <= kept.present).all() or period is not Period.INTERVAL
        store.close()


def filled(store: SqliteStore, hours: int = 8) -> Bookkeeper:
    """Books of a board whose first feeder shows four fifths of its energy: 100 kW in, of which f1 has 50 and shows 40."""
    books = Bookkeeper(store, SITE, ZONE)
    w = {("feed", IMPORT): 100_000, ("feed", EXPORT): 0, F1: 40_000, ("f2", IMPORT): 70_000, ("pv", IMPORT): 20_000}
    steps = range(hours * 12 + 1)
    readings = [
        Reading(*c, BEGIN + i * 300_000, 5_000_000 + power * 1000 * i // 12, BEGIN)
        for c, power in w.items()
        for i in steps
    ]
    books.tick(readings, BEGIN)
    books.tick([], BEGIN + hours * HOUR + 61_000)
    return books


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A new store."""
    return SqliteStore.writer(tmp_path / "s.sqlite")


def test_a_wrong_ratio_is_put_right_and_the_board_closes(store: SqliteStore) -> None:
    """Factor 5/4 on the feeder, two hours of eight: there the residual is gone, elsewhere it is what it was."""
    books = filled(store)
    begin_ms, end_ms = BEGIN + 2 * HOUR, BEGIN + 4 * HOUR
    readings = store.reading_count()
    number = entered(books, store, made(*F1, begin_ms, end_ms, "5/4"), BEGIN + 9 * HOUR)
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
    books = filled(store)
    books.tick([Reading(*c, BEGIN + 8 * HOUR + 300_000, v, BEGIN) for c, v in (
        (F1, 5_000_000 + 40_000 * 97_000 // 12), (("f2", IMPORT), 5_000_000 + 70_000 * 97_000 // 12),
        (("pv", IMPORT), 5_000_000 + 20_000 * 97_000 // 12), (("feed", IMPORT), 5_000_000 + 100_000 * 97_000 // 12),
        (("feed", EXPORT), 5_000_000),
    )], BEGIN + 8 * HOUR + 310_000)  # fmt: skip

    def residual() -> int | None:
        shot = pipeline.snapshot(books.state, BEGIN + 8 * HOUR + 310_000, closed=books.closed, pv_day=None, findings=())
        return shot.running["main"].residual_mwh

    before = residual()
    entered(books, store, made(*F1, BEGIN, None, "5/4"), BEGIN + 9 * HOUR)
    assert before is not None
    assert 800_000 < before < 850_000
    assert abs(residual() or 0) <= 2


def test_a_withdrawn_correction_leaves_the_figures_as_they_were(store: SqliteStore) -> None:
    """What was is again, as a further version; both corrections and the way back stay readable."""
    books = filled(store)
    before = everything(store)
    first = entered(books, store, made(*F1, BEGIN + HOUR, None, "5/4"), BEGIN + 9 * HOUR)
    second = entered(books, store, made(*F1, BEGIN, BEGIN + 3 * HOUR, "1.1"), BEGIN + 10 * HOUR)
    assert everything(store) != before
    withdrawn(books, store, first, BEGIN + 11 * HOUR)
    withdrawn(books, store, second, BEGIN + 12 * HOUR)
    assert everything(store) == before
    kept = [(c.id, c.factor, c.withdrawn_by) for c in store.corrections.all()]
    assert kept == [(first, "5/4", "Ada"), (second, "1.1", "Ada")]
    reasons = [v.reason for v in store.versions(F1, Period.INTERVAL, BEGIN + 2 * HOUR)]
    assert reasons[-4:] == ["correction 1", "correction 2", "correction 1", "correction 2"]


def test_years_are_made_again_one_by_one_also_after_a_restart(store: SqliteStore, tmp_path: Path) -> None:
    """A correction over three years is kept at once; each look makes one year, and a restart goes on with the next."""
    books = Bookkeeper(store, SITE, ZONE)
    since, new_year = BEGIN - 100 * DAY, 1_767_222_000_000  # 2026-01-01 in Vienna
    times = np.arange(since, BEGIN + DAY, 6 * HOUR, dtype=np.int64)
    books.import_history(F1, times, np.arange(len(times), dtype=np.int64) * 600_000, BEGIN)
    books.settle(BEGIN, BEGIN)
    one = made(*F1, since, None, "3")
    books.correct(F1, (one.from_ms, FOREVER_MS), BEGIN, lambda: store.corrections.add(one))
    counts = [books.correct_on(BEGIN)]
    store.close()
    again = SqliteStore.writer(tmp_path / "s.sqlite")
    books = Bookkeeper(again, SITE, ZONE)
    counts += [books.correct_on(BEGIN), books.correct_on(BEGIN)]
    assert counts == [(new_year - since) // QUARTER, (BEGIN - new_year) // QUARTER, None]
    assert json.loads(again.fact(CORRECTING) or "") == []
    grid = np.arange(since, BEGIN, QUARTER, dtype=np.int64)
    columns = again.columns([F1], Period.INTERVAL, grid)
    assert columns.present.all()
    assert set(columns.energy[:, 0].tolist()) == {75_000}
    month = again.versions(F1, Period.MONTH, new_year)
    assert [v.reason for v in month[1:]] == ["correction 1"], "a month is summed once"
    again.close()


def test_a_register_that_stood_still_over_the_end_is_read_on_until_it_is_sure(store: SqliteStore) -> None:
    """What a figure is may be decided by readings of later weeks; a correction looks as far as that takes."""
    site = replace(SITE, limits=replace(SITE.limits, freeze_max_s=60 * 86_400))
    books = Bookkeeper(store, site, ZONE)
    quiet = [Reading(*F1, BEGIN + i * DAY, 1_000_000, BEGIN) for i in range(50)]
    caught_up = [Reading(*F1, BEGIN + 50 * DAY + i * QUARTER, 400_001_000_000 + 1000 * i, BEGIN) for i in range(5)]
    books.tick([*quiet, *caught_up], BEGIN)
    books.tick([], BEGIN + 51 * DAY)
    before = store.columns([F1], Period.INTERVAL, np.array([BEGIN, BEGIN + 10 * DAY]))
    assert before.energy[:, 0].tolist() == [83_333_333, 83_333_333]
    entered(books, store, made(*F1, BEGIN + 5 * DAY, BEGIN + 6 * DAY, "2"), BEGIN + 51 * DAY)
    after = store.columns([F1], Period.INTERVAL, np.array([BEGIN, BEGIN + 5 * DAY, BEGIN + 10 * DAY]))
    assert after.energy[0, 0] == after.energy[2, 0] == 83_333_333
    assert abs(int(after.energy[1, 0]) - 166_666_666) <= 1


def test_what_cannot_be_made_again_is_refused_and_nothing_is_kept(store: SqliteStore) -> None:
    """No correction stands in the books whose figures cannot follow it."""
    books = filled(store)
    with store.transaction():
        store.set_fact(FIGURES_FROM, str(BEGIN + 4 * HOUR))
    books = Bookkeeper(store, SITE, ZONE)
    with pytest.raises(ConfigError, match="are final"):
        entered(books, store, made(*F1, BEGIN, None, "2"), BEGIN + 9 * HOUR)
    with pytest.raises(ConfigError, match="reads no register"):
        entered(books, store, made("f1", EXPORT, BEGIN, None, "2"), BEGIN + 9 * HOUR)
    assert store.corrections.all() == []
    assert stretches(store.corrections.all()) == ()


def test_a_ratio_put_right_in_the_plan_makes_closed_figures_again(store: SqliteStore, tmp_path: Path) -> None:
    """From the begin of the instrument on, year by year, with the reason; the same plan again changes nothing."""
    rated = replace(SITE, inputs=tuple(replace(one, per_ct=True) for one in SITE.inputs))

    def site(ratio: float) -> Site:
        return replace(rated, instruments=(Instrument("f1", since + DAY, ct_primary_a=ratio, ct_secondary_a=5.0),))

    since = BEGIN - 90 * DAY
    books = Bookkeeper(store, site(200.0), ZONE)
    times = np.arange(since, BEGIN + DAY, 6 * HOUR, dtype=np.int64)
    books.import_history(F1, times, np.arange(len(times), dtype=np.int64) * 600, BEGIN)
    books.settle(BEGIN, BEGIN)
    store.close()
    again = SqliteStore.writer(tmp_path / "s.sqlite")
    books = Bookkeeper(again, site(250.0), ZONE)
    counts = [books.correct_on(BEGIN) for _ in range(3)]
    assert counts[2] is None
    assert all(count for count in counts[:2])
    grid = np.arange(since + DAY, BEGIN, QUARTER, dtype=np.int64)
    assert set(again.columns([F1], Period.INTERVAL, grid).energy[:, 0].tolist()) == {600 * 50 // 24}
    assert again.versions(F1, Period.INTERVAL, BEGIN - DAY)[-1].reason == "plan changed"
    assert Bookkeeper(again, site(250.0), ZONE).correct_on(BEGIN) is None
    again.close()
