"""Why one energy is what it is: recalculated from its readings, its parts, its corrections; or why it cannot be."""

from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.store.journal import SqliteStore
from meterd.adapters.web.request_context import RequestContext
from meterd.adapters.web.users import Sessions, UserFile
from meterd.app.daemon.daemon import Daemon
from meterd.app.daemon.web_backend import DaemonWebBackend
from meterd.app.operations.ledger import Ledger
from meterd.core import engine, live
from meterd.core.model.plan import Site
from meterd.core.model.reading import IMPORT, Reading
from meterd.core.registers.corrections import Correction
from tests.adapters.web.pages.audited_figures import VIENNA, figure
from tests.adapters.web.request_contexts import BEGIN, HOURS, MINUTE, SITE, context_of, steady

QUARTER = 15 * MINUTE


def test_an_interval_is_recalculated_from_its_readings(tmp_path: Path) -> None:
    """1 kWh a quarter hour; the readings of both ends, the instrument of then, one version; it agrees."""
    figure_why = figure(
        context_of(tmp_path / "s.sqlite", steady("q01", 4000.0)), point="q01", start=str(BEGIN + 4 * QUARTER + 5)
    )
    assert (figure_why.start_ms, figure_why.energy_mwh, figure_why.flags) == (BEGIN + 4 * QUARTER, 1_000_000, [])
    assert (figure_why.word, figure_why.again_mwh) == ("agrees", 1_000_000)
    assert figure_why.interval is not None
    assert (figure_why.interval.start.origin, figure_why.interval.end.counted_mwh) == ("exact", 5_000_000)
    assert (figure_why.interval.between, figure_why.interval.refused) == (16, 0)
    rests = {line.at_ms: line for line in figure_why.interval.readings}
    assert rests[figure_why.end_ms].shown_milli == 5_000_000
    assert rests[figure_why.end_ms].received_ms == figure_why.end_ms
    assert [instrument_line.serial for instrument_line in figure_why.instruments] == ["A-2"]
    assert [(version_line.version, version_line.reason) for version_line in figure_why.versions] == [(1, "closed")]


@pytest.mark.parametrize(
    ("period", "parts", "mwh"),
    [
        ("interval", 0, 1_005_000), ("hour", 4, 4_020_000), ("day", 23, 92_460_000), ("month", 31, 743 * 4_020_000),
        ("week", 7, 167 * 4_020_000),
    ],
)  # fmt: skip
def test_longer_periods_are_the_sum_of_their_parts(march: RequestContext, period: str, parts: int, mwh: int) -> None:
    """On 29 March the day has 23 hours, its week 167, the month 743; each sum is recalculated to the mWh."""
    start = {"month": "2026-03", "day": "2026-03-29", "week": "2026-03-29"}.get(period, "2026-03-29T12:00")
    figure_why = figure(march, point="q01", period=period, start=start)
    assert (figure_why.energy_mwh, figure_why.word) == (mwh, "agrees")
    assert len(figure_why.parts) == parts
    if parts:
        assert sum(part.energy_mwh or 0 for part in figure_why.parts) == mwh
    for part in figure_why.parts[-1:]:
        below = figure(march, point="q01", period=figure_why.part_period, start=str(part.start_ms))
        assert (below.energy_mwh, below.start_ms) == (part.energy_mwh, part.start_ms)


def test_the_old_name_leads_to_the_same_figure(march: RequestContext) -> None:
    """Renamed points keep their links."""
    assert figure(march, point="old-ovens", start="2026-03-29T12:00").point == "q01"


def test_an_estimated_boundary_is_said(march: RequestContext) -> None:
    """Read once an hour: the quarter hours in between share an hour whose course nobody knows."""
    figure_why = figure(march, point="q01", start="2026-03-29T12:15")
    assert figure_why.interval is not None
    assert (figure_why.interval.start.origin, figure_why.interval.end.origin) == ("gap", "gap")
    assert (figure_why.flags, figure_why.again_flags, figure_why.word) == (["start", "end"], ["start", "end"], "agrees")


def test_a_missing_figure_is_said_and_why(tmp_path: Path) -> None:
    """The meter fell silent: no reading after it, missing in the stored figures, missing again, and so is the hour."""
    there = context_of(tmp_path / "s.sqlite", steady("q01", 4000.0, minutes=range(91)))
    figure_why = figure(there, point="q01", start=str(BEGIN + 7 * QUARTER))
    assert (figure_why.stored, figure_why.energy_mwh, figure_why.again_mwh, figure_why.word) == (
        True,
        None,
        None,
        "agrees",
    )
    assert figure_why.interval is not None
    assert (figure_why.interval.start.origin, figure_why.interval.end.origin) == ("after", "after")
    hour = figure(there, point="q01", period="hour", start=str(BEGIN + 4 * QUARTER))
    assert (hour.energy_mwh, hour.word) == (None, "agrees")
    assert [part.energy_mwh for part in hour.parts] == [1_000_000, 1_000_000, None, None]


def test_what_is_not_kept_is_open(tmp_path: Path) -> None:
    """The day is not over; a time before everything has nothing; a register that never spoke is silent."""
    there = context_of(tmp_path / "s.sqlite", steady("q01", 4000.0))
    day = figure(there, point="q01", period="day", start=str(BEGIN))
    assert (day.stored, day.word, day.reason) == (False, "unknown", "open")
    assert figure(there, point="q01", start="2001").word == "unknown"
    assert figure(there, point="q02", start=str(BEGIN)).interval is None


def test_a_correction_is_there_with_what_it_adds_and_the_version_before(tmp_path: Path) -> None:
    """Times 5/3 from the second hour on: 1 kWh becomes 1.666666, version 1 is still shown."""
    there = context_of(tmp_path / "s.sqlite", steady("q01", 4000.0))
    now_ms = BEGIN + HOURS * 60 * MINUTE + 62_000
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    ledger = Ledger(store, SITE, VIENNA)
    correction = Correction(0, "q01", IMPORT, BEGIN + 4 * QUARTER, None, "5/3", "ratio of the plate", "bea", now_ms)
    ledger.correct(
        ("q01", IMPORT), (correction.from_ms, correction.end_ms), now_ms, lambda: store.corrections.add(correction)
    )
    while ledger.recompute_piece(now_ms) is not None:
        pass
    store.close()
    figure_why = figure(there, point="q01", start=str(BEGIN + 4 * QUARTER))
    assert (figure_why.energy_mwh, figure_why.word) == (1_666_666, "agrees")
    assert figure_why.interval is not None
    assert figure_why.interval.gain_mwh == 666_666
    assert [(c.factor, c.person) for c in figure_why.corrections] == [("5/3", "bea")]
    assert [(v.energy_mwh, v.reason) for v in figure_why.versions] == [
        (1_000_000, "closed"),
        (1_666_666, "correction 1"),
    ]
    before = figure(there, point="q01", start=str(BEGIN))
    assert (before.energy_mwh, before.corrections) == (1_000_000, [])


def test_a_corrected_reading_is_shown_as_it_was_read_and_what_it_is_taken_for(tmp_path: Path) -> None:
    """The energies around it follow and agree; left out by a newer correction, it is not used."""
    there = context_of(tmp_path / "s.sqlite", steady("q01", 4000.0))
    now_ms, at_ms = BEGIN + HOURS * 60 * MINUTE + 62_000, BEGIN + 4 * QUARTER
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    (reading,) = store.readings_between(("q01", IMPORT), at_ms, at_ms + 1, most=1)
    ledger = Ledger(store, SITE, VIENNA)
    more = f"{(reading.value + 100_000) / 1000:.3f}"
    for reads, begin_mwh in ((more, 900_000), ("strike", 1_000_000)):
        correction = Correction(0, "q01", IMPORT, at_ms, at_ms + 1, "", "typed wrongly", "bea", now_ms, reads=reads)
        ledger.correct_reading(("q01", IMPORT), at_ms, now_ms, lambda item=correction: store.corrections.add(item))  # type: ignore[misc]
        figure_why = figure(there, point="q01", start=str(at_ms))
        assert (figure_why.energy_mwh, figure_why.word) == (begin_mwh, "agrees")
        assert figure_why.interval is not None
        (line,) = [line for line in figure_why.interval.readings if line.at_ms == at_ms]
        taken = None if reads == "strike" else reading.value + 100_000
        assert (line.shown_milli, line.corrected, line.taken_milli) == (reading.value, True, taken)
        assert line.used == (reads != "strike")
        assert (figure_why.corrections[-1].reads, figure_why.corrections[-1].factor) == (reads, "")
    store.close()


def test_a_figure_that_the_plan_of_today_would_not_give_does_not_agree(tmp_path: Path) -> None:
    """The ratio was added to the plan, the stored figures not recalculated yet: twenty times as much."""
    context_of(tmp_path / "s.sqlite", steady("q01", 4000.0))
    rows = tuple(replace(row, per_ct=row.point == "q01") for row in SITE.inputs)
    fitted = tuple(replace(instrument, ct_primary_a=100.0, ct_secondary_a=5.0) for instrument in SITE.instruments)
    figure_why = figure(
        _with_plan(tmp_path, replace(SITE, inputs=rows, instruments=fitted)), point="q01", start=str(BEGIN)
    )
    assert (figure_why.energy_mwh, figure_why.again_mwh, figure_why.word) == (1_000_000, 20_000_000, "differs")


def _with_plan(folder: Path, site: Site) -> RequestContext:
    daemon = Daemon(site, folder / "s.sqlite")
    daemon.snapshot = live.snapshot(engine.begin(site, VIENNA, None), BEGIN, closed={}, pv_day=None, findings=())
    users = UserFile(folder / "users")
    backend = DaemonWebBackend(daemon)
    return RequestContext(backend, users, Sessions(users, backend.now_ms))


def test_figures_whose_readings_were_deleted_are_final(tmp_path: Path) -> None:
    """Nothing is made of what is left; the figure stands with its versions."""
    there = context_of(tmp_path / "s.sqlite", steady("q01", 4000.0))
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    with store.transaction():
        store.set_fact("figures_from_ms", str(BEGIN + QUARTER))
    store.close()
    figure_why = figure(there, point="q01", start=str(BEGIN))
    assert (figure_why.energy_mwh, figure_why.word, figure_why.reason, figure_why.interval) == (
        1_000_000,
        "unknown",
        "final",
        None,
    )


def test_bounded_reading_is_bounded(tmp_path: Path) -> None:
    """The first few of a stretch, with their arrival and how their time was known."""
    store = SqliteStore.writer(tmp_path / "s.sqlite")
    rows = [Reading("q01", IMPORT, at, at * 10, at + 7, device_time=at != 3, old=at == 4) for at in range(1, 9)]
    with store.transaction():
        store.add_readings(rows)
    assert store.readings_between(("q01", IMPORT), 3, 8, most=3) == rows[2:5]
    assert store.readings_between(("q01", IMPORT), 7, 8, most=3) == rows[6:7]
    assert store.readings_between(("none", IMPORT), 0, 8, most=3) == []
    store.close()
