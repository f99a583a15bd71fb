"""D10, one reading by hand: the newest correction of it decides, all that was read is stored, and nothing depends on order."""

import csv
import io
import sqlite3
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterd.adapters.store.journal import SqliteStore
from meterd.app.cli.main import main
from meterd.app.operations.ledger import Ledger
from meterd.core.energy.batch import all_tables, follow, interval_table
from meterd.core.engine import begin
from meterd.core.errors import ConfigError
from meterd.core.model.periods import Period, text
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.registers.corrections import FIGURES_FROM, STRUCK, Correction, shown_of
from tests.app.daemon.test_orders_daemon import _held
from tests.app.operations.test_late_readings import (
    FAR,
    FAR_SERIES,
    ahead,
    all_at_once,
    known,
    one_register,
    small_pieces,
)
from tests.app.operations.test_ledger import BEGIN, CHANNELS, QUARTER, SERIES, SITE, ZONE, readings_of
from tests.app.operations.test_recompute import withdrawn
from tests.app.small_plant import DAY, HOUR, MAY, filled, keep, readings
from tests.app.small_plant import plan as workshop_plan
from tests.brokers import Mosquitto, until
from tests.faults.mill import Child, now_ms

Q01 = ("q01", IMPORT)
WHO = ("--reason", "read off the display", "--person", "Ada")


def of_reading(reading: Reading, reads: str) -> Correction:
    """The correction of a reading as a person enters it."""
    return Correction(
        0,
        reading.point,
        reading.register,
        reading.at_ms,
        reading.at_ms + 1,
        "",
        "typed",
        "Ada",
        reading.at_ms,
        reads=reads,
    )


def entered(ledger: Ledger, store: SqliteStore, correction: Correction, now_ms: int) -> int:
    """Enter it."""
    keep = lambda: store.corrections.add(correction)  # noqa: E731 - as the corrector does
    return ledger.correct_reading((correction.point, correction.register), correction.from_ms, now_ms, keep)


def taken_back(ledger: Ledger, store: SqliteStore, number: int, now_ms: int) -> None:
    """Withdraw it."""
    correction = store.corrections.by_number(number)
    assert correction is not None

    def keep() -> int:
        store.corrections.withdraw(number, now_ms, person="Ada", reason="was right")
        return number

    ledger.correct_reading((correction.point, correction.register), correction.from_ms, now_ms, keep)


def played(batches: list[list[Reading]], ones: list[Correction], restarts: set[int], end: int) -> dict[str, object]:
    """Feed batches, entering each correction as soon as its reading is there, and beginning anew before some batches."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.sqlite"
        store = SqliteStore.writer(path)
        ledger, waiting, now = Ledger(store, SITE, ZONE), list(ones), 0
        for i, batch in enumerate([*batches, []]):
            if i in restarts:
                store.close()
                store = SqliteStore.writer(path)
                ledger = Ledger(store, SITE, ZONE)
            now = max([now, *(r.at_ms for r in batch)])
            ledger.tick(batch, now)
            for correction in list(waiting):
                if store.readings_between(
                    (correction.point, correction.register), correction.from_ms, correction.from_ms + 1, most=1
                ):
                    entered(ledger, store, correction, now)
                    waiting.remove(correction)
        ledger.tick([], end)
        ledger.tick([], end)
        assert not waiting
        assert store.reading_count() == len({(r.point, r.register, r.at_ms, r.value) for b in batches for r in b})
        results = known(store)
        for correction in store.corrections.all():
            taken_back(ledger, store, correction.id, end)
        results["without"] = known(store)
        store.close()
        return results


def corrected_by(readings: list[Reading], ones: list[Correction]) -> list[Reading]:
    """The readings as they should have been: of two corrections of one the newer decides."""
    texts = {
        (correction.point, correction.register, correction.from_ms): shown_of(correction.reads) for correction in ones
    }
    results = {}
    for r in readings:
        value = texts.get((r.point, r.register, r.at_ms), r.value)
        if value is not None:
            results[r.point, r.register, r.at_ms, value] = r._replace(value=value)
    return list(results.values())


@given(st.lists(SERIES, min_size=5, max_size=5), st.randoms(use_true_random=False), st.data())
@settings(max_examples=5, deadline=None)
def test_d10_corrected_readings_give_the_figures_of_right_ones_in_any_order(
    series: list[list[tuple[int, int]]], random: object, data: st.DataObject
) -> None:
    """Whenever they are entered, whatever comes late, wherever the daemon starts anew; taken back, nothing is left of them."""
    right = readings_of(series)
    end = max(r.at_ms for r in right) + 3 * HOUR
    wrong = data.draw(st.lists(st.sampled_from(right), min_size=1, max_size=4))
    doubles = [r._replace(value=int(r.value) + data.draw(st.integers(1, 9_000_000))) for r in wrong[:2]]
    readings = [*right, *doubles]
    says = st.one_of(st.just(STRUCK), st.integers(0, 20_000).map(str), st.just("right"))
    ones = [of_reading(r, s if (s := data.draw(says)) != "right" else f"{r.value / 1000:.3f}") for r in wrong]
    shuffled = list(readings)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    size = data.draw(st.integers(8, 60))
    batches = [shuffled[i : i + size] for i in range(0, len(shuffled), size)]
    restarts = data.draw(st.sets(st.integers(0, len(batches)), max_size=3))
    results = played(batches, ones, restarts, end)
    # corrections of one reading are entered in their order, but those of others meanwhile: only the last of each decides
    ordered = sorted(corrected_by(readings, ones), key=lambda r: r.at_ms)
    truth = played([ordered], [], set(), end)
    assert {k: v for k, v in results.items() if k != "without"} == {k: v for k, v in truth.items() if k != "without"}
    assert results["without"] == played([sorted(readings, key=lambda r: r.at_ms)], [], set(), end)["without"]


@given(SERIES, st.data())
@settings(max_examples=8, deadline=None)
def test_d10_a_replay_gives_the_figures_of_the_daemon(series: list[tuple[int, int]], data: st.DataObject) -> None:
    """The path of columns knows corrected readings too."""
    readings = [r for r in readings_of([series] * 5) if r.point == "f1"]
    ones = [of_reading(r, STRUCK) for r in data.draw(st.lists(st.sampled_from(readings), max_size=3, unique=True))]
    state = begin(SITE, ZONE, None, [replace(correction, id=i) for i, correction in enumerate(ones)])
    table = np.array([(r.at_ms, int(r.value)) for r in readings], dtype=np.int64)
    channel = ("f1", IMPORT)
    followed = follow(
        channel, state.rules[channel], table[:, 0], table[:, 1], limits=SITE.limits, interval_ms=QUARTER,
        edits=state.edits.get(channel),
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        store = SqliteStore.writer(Path(folder) / "s.sqlite")
        ledger = Ledger(store, SITE, ZONE)
        end = int(table[-1, 0]) + 3 * HOUR
        ledger.tick(readings, end)
        for correction in ones:
            entered(ledger, store, correction, end)
        for period, whole in all_tables(interval_table([followed], QUARTER), ZONE, QUARTER).items():
            columns = store.columns([channel], period, whole.start_ms)
            both = whole.columns.present & columns.present
            assert (columns.energy[both] == whole.columns.energy[both]).all()
        store.close()


STANDS_STILL = [(687, 0), (1_407, 0), (875, -30_000), (986, 600_000_000), (1_412, 600_000_000), (971, 600_000_000)]


def test_d10_a_corrected_reading_that_ends_a_stand_still_is_spread_over_it(tmp_path: Path) -> None:
    """The line is redrawn from the first of a row of equal readings, also where that is the very anchor to begin at."""
    readings = one_register(STANDS_STILL)
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    Ledger(store, SITE, ZONE).tick(readings, BEGIN)
    now = BEGIN + DAY
    ledger = ahead(store, now)
    entered(ledger, store, of_reading(readings[2], "604940"), now)
    there = known(store)
    store.close()
    assert there == all_at_once(tmp_path, corrected_by(readings, [of_reading(readings[2], "604940")]))


@given(FAR_SERIES, st.data())
@settings(max_examples=12, deadline=None)
def test_d10_readings_of_long_ago_are_corrected_in_pieces(steps: list[tuple[int, int]], data: st.DataObject) -> None:
    """Behind the horizon the figures are those of right readings too, in pieces and over restarts; withdrawn, as before."""
    readings = one_register(steps)
    wrong = data.draw(st.lists(st.sampled_from(readings), min_size=1, max_size=3, unique=True))
    says = st.sampled_from([STRUCK, "600", "-600", "1"])
    ones = []
    for reading in wrong:
        change = data.draw(says)
        text_of = change if change == STRUCK else str(max(0, int(reading.value) // 1000 + 1000 * int(change)))
        ones.append(of_reading(reading, text_of))
    with tempfile.TemporaryDirectory() as folder, small_pieces():
        path = Path(folder) / "s.sqlite"
        store = SqliteStore.writer(path)
        Ledger(store, SITE, ZONE).tick(readings, BEGIN)
        ledger = ahead(store, FAR)
        before = known(store)
        for correction in ones:
            entered(ledger, store, correction, FAR)
            for _ in range(data.draw(st.integers(0, 3))):
                ledger.recompute_piece(FAR)
            if data.draw(st.booleans()):
                store.close()
                store = SqliteStore.writer(path)
                ledger = Ledger(store, SITE, ZONE)
                ledger.tick([], FAR)
        finished(ledger)
        assert known(store) == all_at_once(Path(folder), corrected_by(readings, ones))
        for correction in store.corrections.all():
            taken_back(ledger, store, correction.id, FAR)
        finished(ledger)
        assert known(store) == before
        store.close()


def finished(ledger: Ledger) -> None:
    """Make all that waits for corrections."""
    while ledger.recompute_piece(FAR) is not None:
        pass
    assert not ledger.late


def test_d10_what_rested_on_a_first_reading_that_is_left_out_becomes_missing(tmp_path: Path) -> None:
    """And comes back when that is withdrawn; versions tell both."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(store, SITE, ZONE)
    begun = MAY - MAY % QUARTER
    readings = [Reading("f1", IMPORT, begun + i * QUARTER, 1_000_000 * i, begun) for i in range(9)]
    ledger.tick(readings, begun + 9 * QUARTER)
    grid = np.array([begun, begun + QUARTER], dtype=np.int64)
    number = entered(ledger, store, of_reading(readings[0], STRUCK), begun + 9 * QUARTER)
    assert store.columns([("f1", IMPORT)], Period.INTERVAL, grid).present[:, 0].tolist() == [False, True]
    taken_back(ledger, store, number, begun + 9 * QUARTER)
    assert store.columns([("f1", IMPORT)], Period.INTERVAL, grid).energy[:, 0].tolist() == [1_000_000, 1_000_000]
    reported = [(version.energy, version.reason) for version in store.versions(("f1", IMPORT), Period.INTERVAL, begun)]
    assert reported == [(1_000_000, "closed"), (None, "correction 1"), (1_000_000, "correction 1")]
    store.close()


def test_d10_a_reading_of_final_figures_cannot_be_corrected(tmp_path: Path) -> None:
    """Their readings have been deleted."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(store, SITE, ZONE)
    reading = Reading("f1", IMPORT, MAY, 5, MAY)
    ledger.tick([reading], MAY + HOUR)
    store.set_fact(FIGURES_FROM, str(MAY + DAY))
    with pytest.raises(ConfigError, match="are final"):
        entered(ledger, store, of_reading(reading, STRUCK), MAY + HOUR)
    assert store.corrections.all() == []
    store.close()


# -- by a person, beside the running daemon ----------------------------------------------------------------------------


def changed(out: str) -> dict[tuple[str, str, str], tuple[str, str]]:
    """CSV lines of what became different."""
    rows = csv.DictReader(io.StringIO(out))
    return {(row["what"], row["period"], row["subject"]): (row["before"], row["after"]) for row in rows}


def energies(path: Path, begun: int = MAY) -> list[int]:
    """Interval energies of q01 from one hour to three hours after a moment."""
    store = SqliteStore.reader(path)
    grid = np.arange(begun + HOUR, begun + 3 * HOUR, QUARTER, dtype=np.int64)
    results: list[int] = store.columns([Q01], Period.INTERVAL, grid).energy[:, 0].tolist()
    store.close()
    return results


def journal(path: Path) -> list[tuple[int, int]]:
    """Every reading of q01 as it is stored."""
    with sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True) as db:
        return db.execute("SELECT at_ms, value FROM reading ORDER BY seq").fetchall()


def test_d10_what_is_shown_of_a_reading_comes_true(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Every figure that rests on it, before and after; a dry run changes nothing."""
    plan, path = filled(tmp_path)
    stored = dict(read_of(path))[MAY]
    item = ("correct", str(plan), "--point", "q01", "--at", text(MAY), "--reads", f"{(stored - 900_000) / 1e6:.4f}kWh")
    before = energies(path, MAY - HOUR)
    assert main([*item, "--show", "--format", "csv"]) == 0
    shown = changed(capsys.readouterr().out)
    assert energies(path, MAY - HOUR) == before
    assert main([*item, *WHO, "--format", "csv"]) == 0
    output = capsys.readouterr()
    assert changed(output.out) == shown
    assert "q01 import: the reading of 2026-05-03T22:00:00Z reads 49100 Wh" in output.err
    whole = 2 * 288 * 800.0
    assert shown["energy", "2026-05", "q01 import"] == (str(whole), str(whole + 900))
    assert [b - a for a, b in zip(before, energies(path, MAY - HOUR), strict=True)] == [900_000, *[0] * 7]


@pytest.mark.slow
def test_d10_a_person_corrects_one_reading_beside_the_running_daemon(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Entered, overruled by a newer one, withdrawn, also after its end; the journal keeps what was read throughout."""
    begun = now_ms() - now_ms() % QUARTER - 4 * HOUR
    with Mosquitto() as broker:
        plan = workshop_plan(tmp_path, broker.port)
        path = plan / "workshop.sqlite"
        keep(plan, path, readings(begun, begun + 4 * HOUR), now_ms())
        before, read = energies(path, begun), journal(path)
        item = ("correct", str(plan), "--point", "q01", "--at", text(begun + 2 * HOUR))
        with Child(plan, path) as child:
            assert until(lambda: _held(path, child))
            stored = dict(read_of(path))[begun + 2 * HOUR]
            wanted = str((stored + 60_000) // 1000)
            assert main([*item, "--reads", wanted, *WHO]) == 0
            first = energies(path, begun)
            assert [b - a for a, b in zip(before, first, strict=True)] == [0, 0, 0, 60_000, -60_000, 0, 0, 0]
            assert main([*item, "--strike", *WHO]) == 0  # the newest decides
            struck = energies(path, begun)
            assert sum(struck) == sum(before)
            assert struck != first
            assert main(["correct", str(plan), "--withdraw", "2", *WHO]) == 0
            assert energies(path, begun) == first
            assert child.stop() == 0
        assert energies(path, begun) == first
        assert main(["correct", str(plan), "--withdraw", "1", *WHO]) == 0  # a new start continues from the store
        assert energies(path, begun) == before
        assert journal(path)[: len(read)] == read
        capsys.readouterr()
        assert main(["correct", str(plan), "--list", "--format", "csv"]) == 0
        rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
        assert [(row["number"], row["reads"], bool(row["withdrawn"])) for row in rows] == [
            ("1", wanted, True),
            ("2", "strike", True),
        ]


def read_of(path: Path) -> list[tuple[int, int]]:
    """Times and values of q01."""
    store = SqliteStore.reader(path)
    times, values = store.history(Q01, 0)
    store.close()
    return list(zip(times.tolist(), values.tolist(), strict=True))


def test_d10_what_cannot_be_meant_is_refused_with_the_readings_near_it(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """No reading of that moment, no value, both kinds at once."""
    plan, _ = filled(tmp_path)
    item = ["correct", str(plan), "--point", "q01"]
    for arguments, output in (
        (["--at", text(MAY + 1_000), "--strike", *WHO], f"none is stored for {text(MAY + 1_000)}; readings near it: "),
        (["--at", text(MAY), *WHO], "give --reads with what the meter showed, or --strike"),
        (["--at", text(MAY), "--strike", "--factor", "2", *WHO], "--at is for one reading"),
        (["--strike", *WHO], "give --at"),
        (["--at", text(MAY), "--strike"], "give --reason, --person"),
    ):
        assert main([*item, *arguments]) == 2
        assert output in capsys.readouterr().err


def test_withdrawn_factors_and_readings_have_one_row_of_numbers(tmp_path: Path) -> None:
    """A factor beside a corrected reading: each counts, each can be taken back."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(store, SITE, ZONE)
    begun = MAY - MAY % QUARTER
    readings = [Reading("f1", IMPORT, begun + i * QUARTER, 1_000_000 * i, begun) for i in range(9)]
    ledger.tick([*readings, *(r._replace(point=p) for r in readings for p, _ in CHANNELS[3:])], begun + 9 * QUARTER)
    entered(ledger, store, of_reading(readings[2], "2500"), begun + 9 * QUARTER)
    factor = Correction(0, "f1", IMPORT, begun, begun + 4 * QUARTER, "2", "plate", "Ada", begun)
    ledger.correct(
        ("f1", IMPORT), (factor.from_ms, factor.end_ms), begun + 9 * QUARTER, lambda: store.corrections.add(factor)
    )
    while ledger.recompute_piece(begun + 9 * QUARTER) is not None:
        pass
    grid = begun + QUARTER * np.arange(5, dtype=np.int64)

    def now() -> list[int]:
        results: list[int] = store.columns([("f1", IMPORT)], Period.INTERVAL, grid).energy[:, 0].tolist()
        return [e // 1000 for e in results]

    assert now() == [2000, 3000, 1000, 2000, 1000]
    taken_back(ledger, store, 1, begun + 9 * QUARTER)
    assert now() == [2000, 2000, 2000, 2000, 1000]
    withdrawn(ledger, store, 2, begun + 9 * QUARTER)
    assert now() == [1000] * 5
    store.close()
