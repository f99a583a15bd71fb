"""What a correction touches: figures of its months, findings of its time, documents that hold one of them."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from meterd.adapters.store.issued_documents import IssueRecord
from meterd.adapters.store.journal import SqliteStore
from meterd.app.operations.impact import (
    Impact,
    affected_figures,
    current_figures,
    differences,
    doubtful_ends,
    findings_of,
    issued_figures,
    months_of,
)
from meterd.core.model.finding import Finding, FindingRow
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT
from tests.app.small_plant import DAY, HOUR, MAY, MINUTE, STEP, filled, keep, plan, readings

Q01 = ("q01", IMPORT)
HOUR_OF_Q01 = Impact(Q01, MAY + DAY, MAY + DAY + HOUR)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Site, Path]:
    """Two days of the workshop."""
    folder, path = filled(tmp_path_factory.mktemp("impact"))
    return load_plan(folder).site, path


@pytest.fixture
def store(made: tuple[Site, Path]) -> Iterator[SqliteStore]:
    """Its store, only read."""
    opened = SqliteStore.reader(made[1])
    yield opened
    opened.close()


def test_every_figure_that_rests_on_the_register(made: tuple[Site, Path], store: SqliteStore) -> None:
    """Energy and balance of the month; a month that is not over has no cost allocation."""
    figures = affected_figures(store, made[0], HOUR_OF_Q01)
    assert figures["energy", "2026-05", "q01 import"] == 2 * 288 * 800_000
    assert figures["balance", "2026-05", "main residual"] == 2 * 288 * 200_000  # 600 + 900 - 800 - 500
    assert figures["balance", "2026-05", "main verdict"] == "outside"
    assert figures["balance", "2026-05", "main intervals outside the band"] == "192 of 192"
    assert {kind for kind, _, _ in figures} == {"energy", "balance", "pv-shares"}, (
        "PV figures rest on the feed and the roof"
    )


def test_the_feed_is_in_balance_and_pv(made: tuple[Site, Path], store: SqliteStore) -> None:
    """Nothing is exported, so all that the roof gives is used: 1500 Wh every five minutes with the grid."""
    figures = affected_figures(store, made[0], replace(HOUR_OF_Q01, channel=("t1", IMPORT)))
    assert figures["pv", "2026-05", "production"] == figures["pv", "2026-05", "self use"] == 2 * 288 * 900_000
    assert figures["pv", "2026-05", "consumption"] == 2 * 288 * 1_500_000
    assert figures["pv", "2026-05", "grid export"] == 0


@pytest.mark.parametrize(
    ("low", "high"), [(MAY - 2 * DAY, MAY), (MAY + 2 * DAY, MAY + 3 * DAY), (MAY + DAY, MAY + DAY)]
)
def test_a_time_without_figures_touches_nothing(
    low: int, high: int, made: tuple[Site, Path], store: SqliteStore
) -> None:
    """Before the first interval, after the last, and no time at all."""
    impact = Impact(Q01, low, high)
    assert months_of(store, made[0], impact) == []
    assert affected_figures(store, made[0], impact) == {}


def test_a_register_with_a_hole_says_how_much_is_known(tmp_path: Path) -> None:
    """q01 is silent for its last hour: its sum is that of the others, and the subject says so."""
    folder = plan(tmp_path)
    some = [r for r in readings(MAY, MAY + DAY) if r.point != "q01" or r.at_ms <= MAY + DAY - HOUR]
    keep(folder, folder / "s.sqlite", some, MAY + DAY + MINUTE + 1000)
    store = SqliteStore.reader(folder / "s.sqlite")
    figures = affected_figures(store, load_plan(folder).site, Impact(Q01, MAY, MAY + DAY))
    store.close()
    assert figures["energy", "2026-05", "q01 import, 92 of 96 intervals known"] == (288 - 12) * 800_000
    assert figures["balance", "2026-05", "main residual"] is None


def test_what_differs_keeps_the_order_of_the_first() -> None:
    """Also what is only in one of the two, and what became missing."""
    before = {("a", "", ""): 1, ("b", "", ""): 2, ("c", "", ""): 3}
    after = {("d", "", ""): 4, ("b", "", ""): None, ("a", "", ""): 1}
    assert differences(before, after) == [(("b", "", ""), 2, None), (("c", "", ""), 3, None), (("d", "", ""), None, 4)]


def test_an_end_in_a_gap_is_doubtful(tmp_path: Path) -> None:
    """Three quarters of an hour without a reading: how the energy is split inside is an estimate, at its ends it is not."""
    folder = plan(tmp_path)
    hole = range(MAY + HOUR + STEP, MAY + HOUR + 45 * MINUTE, STEP)
    some = [r for r in readings(MAY, MAY + DAY) if r.point != "q01" or r.at_ms not in hole]
    keep(folder, folder / "s.sqlite", some, MAY + DAY + MINUTE + 1000)
    store, site = SqliteStore.reader(folder / "s.sqlite"), load_plan(folder).site
    assert doubtful_ends(store, site, Impact(Q01, MAY + HOUR + 20 * MINUTE, MAY + 3 * HOUR)) == [
        MAY + HOUR + 20 * MINUTE
    ]
    assert doubtful_ends(store, site, Impact(Q01, MAY + 3 * HOUR, MAY + 4 * HOUR)) == []
    assert doubtful_ends(store, site, Impact(("q02", IMPORT), MAY + HOUR + 20 * MINUTE, MAY + 3 * HOUR)) == []
    store.close()


def test_findings_of_its_time_and_its_names(tmp_path: Path) -> None:
    """Of the point under any name and of its board; neither those before and after nor those of a neighbour."""
    folder, path = filled(tmp_path)
    store, site = SqliteStore.writer(path), load_plan(folder).site
    rows = [
        ("before", "q01", MAY, MAY + HOUR), ("inside", "q01", MAY + DAY, MAY + 2 * DAY), ("alias", "oven-hall", MAY + DAY, None),
        ("board", "main", MAY, None), ("neighbour", "q02", MAY + DAY, None), ("after", "q01", MAY + DAY + HOUR, None),
    ]  # fmt: skip
    with store.transaction():
        for cause, subject, first, closed in rows:
            store.finding_tables.write(
                FindingRow(
                    Finding(cause, subject, first, "x", ""), first, first, "new" if closed is None else "closed", closed
                )
            )
    names = [row.finding.cause for row in findings_of(store, site, HOUR_OF_Q01)]
    store.close()
    assert names == ["board", "alias", "inside"]


def test_a_document_holds_the_figure_as_issued_and_as_it_is(tmp_path: Path) -> None:
    """Issued under the old name of the point with 1 kWh too little; one of another register is not listed."""
    folder, path = filled(tmp_path)
    store, site = SqliteStore.writer(path), load_plan(folder).site
    issue = IssueRecord(
        "month-report", "2026-05", MAY, MAY + 2 * DAY, MAY + 2 * DAY, "Cleo", "ab" * 32, (("oven-hall", IMPORT, 5),)
    )
    with store.transaction():
        store.issued.add(issue)
        store.issued.add(replace(issue, sha256="cd" * 32, figures=(("q02", EXPORT, 7),)))
    issued, current = (ask(store, site, HOUR_OF_Q01) for ask in (issued_figures, current_figures))
    store.close()
    assert list(issued.values()) == [5]
    assert list(current.values()) == [2 * 288 * 800_000]
    assert issued.keys() == current.keys()
