"""Rows for a report: its period, up to when it goes, sums of a part, changes and former lives of findings."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.report_data import gather, period_of
from meterd.core.errors import ConfigError
from meterd.core.model.finding import Finding, FindingNote, FindingRow
from meterd.core.model.periods import Period
from meterd.core.model.plan import Site
from meterd.core.model.reading import IMPORT
from meterd.core.model.results import FigureRow
from tests.app.small_plant import DAY, HOUR, MAY, MINUTE, QUARTER, filled, keep, plan, readings

VIENNA = Site("workshop", "Europe/Vienna")


@pytest.mark.parametrize(
    ("text", "period", "hours"),
    [("2026-03", Period.MONTH, 743), ("2026-10", Period.MONTH, 745), ("2026", Period.YEAR, 8760), ("2024", Period.YEAR, 8784)],
)  # fmt: skip
def test_a_period_is_local(text: str, period: Period, hours: int) -> None:
    """With the hour that March lacks and October has twice."""
    low, high = period_of(text, period, VIENNA)
    assert high - low == hours * HOUR


@pytest.mark.parametrize(
    ("text", "period"),
    [("2026", Period.MONTH), ("2026-3", Period.MONTH), ("2026-13", Period.MONTH), ("2026-03", Period.YEAR), ("x", Period.YEAR)],
)  # fmt: skip
def test_what_is_no_period_is_refused_with_what_would_be_right(text: str, period: Period) -> None:
    """A month where a year is wanted is no year."""
    with pytest.raises(ConfigError, match="write 2026"):
        period_of(text, period, VIENNA)


def test_a_month_without_figures_is_refused(tmp_path: Path) -> None:
    """Before the history and after it."""
    folder, path = filled(tmp_path, days=1)
    for text in ("2026-04", "2026-06"):
        with pytest.raises(ConfigError, match=f"no figures of {text}"):
            gather(load_plan(folder), path, Period.MONTH, text)


def test_a_month_that_is_not_over_goes_to_its_last_whole_day(tmp_path: Path) -> None:
    """Two days and five hours: the balance is summed from the intervals of the two days, and begins with the history."""
    folder, path = filled(tmp_path)
    keep(folder, path, readings(MAY + 2 * DAY, MAY + 2 * DAY + 5 * HOUR), MAY + 2 * DAY + 5 * HOUR + 2 * MINUTE)
    data = gather(load_plan(folder), path, Period.MONTH, "2026-05")
    assert (data.span.begun_ms, data.span.known_ms, data.span.over) == (MAY, MAY + 2 * DAY, False)
    assert data.begins == (MAY, MAY + DAY)
    (balance,) = data.balances
    assert (balance.feed, balance.outgoing) == (2 * 288 * 1_500_000, 2 * 288 * 1_300_000)
    assert data.verdicts["main"].total() == 2 * 96
    assert data.pv is not None
    assert data.pv.production == 2 * 288 * 900_000
    place = data.intervals.place(("q01", IMPORT))
    assert place is not None
    assert int(data.intervals.columns.energy[:, place].sum()) == 2 * 288 * 800_000
    assert bool(data.intervals.columns.present[:, place].all())


def test_the_history_begins_when_the_last_meter_has_begun(tmp_path: Path) -> None:
    """q02 was fitted an hour after the others: until then nothing can be added up."""
    folder = plan(tmp_path)
    some = [r for r in readings(MAY, MAY + DAY) if r.point != "q02" or r.at_ms >= MAY + HOUR]
    keep(folder, folder / "s.sqlite", some, MAY + DAY + MINUTE + 1000)
    data = gather(load_plan(folder), folder / "s.sqlite", Period.MONTH, "2026-05")
    assert data.span.begun_ms == MAY + HOUR
    assert int(data.intervals.starts[0]) == MAY + HOUR


def test_changes_are_counted_by_reason_with_their_newest_moment(tmp_path: Path) -> None:
    """Three intervals of one register were written again; figures of other months are not counted."""
    folder, path = filled(tmp_path)
    store = SqliteStore.writer(path)
    rows = [FigureRow(("q01", IMPORT), Period.INTERVAL, MAY + i * QUARTER, 1, 0) for i in range(3)]
    with store.transaction():
        store.write_figures(rows, now_ms=MAY + 3 * DAY, reason="correction 1")
    store.close()
    (change,) = gather(load_plan(folder), path, Period.MONTH, "2026-05").changes
    assert (change.reason, change.figures, change.newest_ms) == ("correction 1", 3, MAY + 3 * DAY)


def test_every_life_of_a_finding_is_there_with_when_it_was_found(tmp_path: Path) -> None:
    """Twice within the month: the former life from its table, the newest from the other."""
    folder, path = filled(tmp_path)
    store = SqliteStore.writer(path)
    finding = Finding("stale", "q01", MAY + HOUR, "q01: no value yet", "look")
    with store.transaction():
        for number, first in ((1, MAY + HOUR), (2, MAY + DAY)):
            row = FindingRow(finding, first, first, "closed", first + HOUR, number)
            (store.finding_tables.archive if number == 1 else store.finding_tables.write)(row)
            store.finding_tables.add_note(FindingNote(finding.id, number, first + MINUTE, "new", "", ""))
    store.close()
    data = gather(load_plan(folder), path, Period.MONTH, "2026-05")
    assert sorted(row.number for row in data.findings) == [1, 2]
    assert data.found_ms == {(finding.id, 1): MAY + HOUR + MINUTE, (finding.id, 2): MAY + DAY + MINUTE}
